// Several figures entered on one pad, one after the other: which is next, what stands, what a draft gives back.
import { complete, EMPTY, integer, measure, PADS, type PadEntry, type PadSpec } from '../../lib/pad';
import type { BackendFault } from '../../lib/backend';
import type { Measure, Section } from '../../lib/types';

export interface FigureField {
  id: string;
  label: string;
  specs: readonly PadSpec[];
  /** Smallest and largest plausible value, drawn after the entry, never before. */
  expected?: [Measure, Measure];
  /** Middle part of the codes `ask-<code>-...` by which the tablet asks about this figure; its `id` where left out. */
  code?: string;
}

export interface Entered {
  entry: PadEntry;
  chosen: number;
}
export type Entries = Record<string, Entered>;

export function entered(entries: Entries, id: string): Entered {
  return entries[id] ?? { entry: EMPTY, chosen: 0 };
}

function specOf(field: FigureField, e: Entered): PadSpec | undefined {
  return field.specs[e.chosen] ?? field.specs[0];
}

export function figure(field: FigureField, entries: Entries): Measure | null {
  const e = entered(entries, field.id);
  const spec = specOf(field, e);
  return spec ? measure(spec, e.entry) : null;
}

export function count(field: FigureField, entries: Entries): number | null {
  const e = entered(entries, field.id);
  const spec = specOf(field, e);
  return spec ? integer(spec, e.entry) : null;
}

export function stands(field: FigureField, entries: Entries): boolean {
  const e = entered(entries, field.id);
  const spec = specOf(field, e);
  return spec !== undefined && complete(spec, e.entry);
}

/** The next figure that does not stand, going round from `from`; null when all stand. */
export function nextOpen(fields: readonly FigureField[], entries: Entries, from: string): FigureField | null {
  const at = fields.findIndex((f) => f.id === from);
  for (let k = 1; k <= fields.length; k += 1) {
    const field = fields[(at + k) % fields.length];
    if (field && !stands(field, entries)) return field;
  }
  return null;
}

/** What the main key goes on to: the next open figure, once the one in hand stands. */
export function following(fields: readonly FigureField[], entries: Entries, active: string): FigureField | null {
  const now = fields.find((f) => f.id === active);
  return now && stands(now, entries) ? nextOpen(fields, entries, active) : null;
}

/** All figures as one text, to tell whether the same were entered twice. */
export function figuresText(fields: readonly FigureField[], entries: Entries): string {
  return fields.map((f) => figure(f, entries)?.typed ?? count(f, entries) ?? '').join(' · ');
}

/** Empties the figures that were asked about, or all where it can't be told which; the others need not be typed again. */
export function withoutAsked(fault: BackendFault, fields: readonly FigureField[], entries: Entries): { entries: Entries; first: string } {
  const codes = [fault.code, ...fault.faults.map((f) => f.code)];
  const named = fields.filter((f) => codes.some((c) => c.startsWith(`ask-${f.code ?? f.id}-`)));
  const asked = named.length > 0 ? named : fields;
  const kept = Object.fromEntries(Object.entries(entries).filter(([id]) => !asked.some((f) => f.id === id)));
  return { entries: kept, first: asked[0]?.id ?? '' };
}

/** Pads that only the step screens use. Temperatures and pressures are read off dials in whole marks. */
export const STEP_PADS = {
  surface: [
    { kind: 'integer', whole: [1, 3], unit: 'F' },
    { kind: 'integer', whole: [1, 3], unit: 'C' },
  ],
  pressure: [
    { kind: 'integer', whole: [1, 4], unit: 'psi' },
    { kind: 'integer', whole: [1, 3], unit: 'bar' },
  ],
  minutes: [{ kind: 'integer', whole: [1, 4] }],
  od: [
    { kind: 'places', before: 1, after: 3, unit: 'in' },
    { kind: 'tenths', whole: [2, 3], unit: 'mm' },
  ],
  wall: [PADS.wallInch, PADS.wallMm],
  small: [PADS.smallInch, PADS.smallMm],
} as const satisfies Record<string, readonly PadSpec[]>;

/** A tape: sixteenths, decimal inches or millimetres. */
export const TAPE: readonly PadSpec[] = [PADS.tapeInch, PADS.tapeMm, { name: '0.000 in', kind: 'places', before: 2, after: 3, unit: 'in' }];

/** Elevation as the section's drawing gives it first. */
export function elevationPads(section: Section): readonly PadSpec[] {
  return section.elevation_unit === 'm' || section.elevation_unit === 'mm' ? [PADS.elevationM, PADS.elevationFt] : [PADS.elevationFt, PADS.elevationM];
}

/** The pads of a section's wall and gap: metric first where its tubes are specified so. */
export function metricFirst(section: Section): boolean {
  return section.tube.wall.unit === 'mm';
}

export function ordered(specs: readonly PadSpec[], metric: boolean): readonly PadSpec[] {
  return metric ? [...specs].sort((a, b) => Number(isMetric(b)) - Number(isMetric(a))) : specs;
}

function isMetric(spec: PadSpec): boolean {
  return spec.unit === 'mm' || spec.unit === 'm' || spec.unit === 'C' || spec.unit === 'bar';
}
