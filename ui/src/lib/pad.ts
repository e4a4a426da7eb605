// What a number pad holds and which keys it takes. Pure: the component only draws it.
//
// A value is a row of slots set by the field. A key fills the next slot or is refused with a word; nothing is swallowed
// and nothing is guessed: no point key, no sign key, no empty fraction.
import { ratio } from './measure';
import type { Measure, Ratio, Unit } from './types';

/** `name` is what the unit key shows where the unit alone would not tell two forms apart, e.g. `0.000 in`. */
export type PadSpec = { name?: string } & (
  /** Whole inches, then a fraction key that must be pressed ("0" too). `half` offers 1/32 more. */
  | { kind: 'fraction'; whole: [min: number, max: number]; unit: 'in'; mark: Ratio; half: boolean }
  /** Whole millimetres, then a tenths key that must be pressed. */
  | { kind: 'tenths'; whole: [min: number, max: number]; unit: 'mm' }
  /** Feet, then an inches key that must be pressed. */
  | { kind: 'feet'; whole: [min: number, max: number]; unit: 'ft' }
  /** A fixed mask: `before` places, the point, `after` places. With `before` 0 the mask begins `0.` */
  | { kind: 'places'; before: number; after: number; unit: Unit }
  /** A whole number; without a unit it is a count. */
  | { kind: 'integer'; whole: [min: number, max: number]; unit?: Unit }
);

/** What stands in the slots. */
export interface PadEntry {
  /** Digits in the order they were pressed. */
  digits: string;
  /** Sixteenths, tenths or inches. */
  part: number | null;
  /** A half mark (1/32 in) more. */
  half: boolean;
}

export type Refusal = 'full' | 'part-first' | 'part-stands' | 'whole-first' | 'leading-zero' | 'half-stands' | 'nothing';
export type PadKey = { digit: number } | { part: number } | 'half' | 'back';
export type Pressed = { entry: PadEntry; refused?: undefined } | { entry: PadEntry; refused: Refusal };

export const EMPTY: PadEntry = { digits: '', part: null, half: false };

/** How many part keys the right block has. */
export function partCount(spec: PadSpec): number {
  return spec.kind === 'fraction' ? 16 : spec.kind === 'tenths' ? 10 : spec.kind === 'feet' ? 12 : 0;
}

function room(spec: PadSpec): [number, number] {
  return spec.kind === 'places' ? [spec.before + spec.after, spec.before + spec.after] : spec.whole;
}

function digit(spec: PadSpec, entry: PadEntry, d: number): Pressed {
  const [, max] = room(spec);
  if (entry.part !== null) return { entry, refused: 'part-stands' };
  if (max === 0) return { entry, refused: 'part-first' };
  if (entry.digits.length >= max) return { entry, refused: 'full' };
  if (spec.kind !== 'places' && entry.digits === '0') return { entry, refused: 'leading-zero' };
  return { entry: { ...entry, digits: entry.digits + String(d) } };
}

function part(spec: PadSpec, entry: PadEntry, n: number): Pressed {
  if (n >= partCount(spec)) return { entry, refused: 'full' };
  if (entry.part !== null) return { entry, refused: 'part-stands' };
  if (entry.digits.length < room(spec)[0]) return { entry, refused: 'whole-first' };
  return { entry: { ...entry, part: n } };
}

/** One key. A refused key leaves the entry as it was. */
export function press(spec: PadSpec, entry: PadEntry, key: PadKey): Pressed {
  if (key === 'back') {
    if (entry.half) return { entry: { ...entry, half: false } };
    if (entry.part !== null) return { entry: { ...entry, part: null } };
    if (entry.digits !== '') return { entry: { ...entry, digits: entry.digits.slice(0, -1) } };
    return { entry, refused: 'nothing' };
  }
  if (key === 'half') {
    if (spec.kind !== 'fraction' || !spec.half) return { entry, refused: 'full' };
    if (entry.part === null) return { entry, refused: 'part-first' };
    if (entry.half) return { entry, refused: 'half-stands' };
    return { entry: { ...entry, half: true } };
  }
  return 'digit' in key ? digit(spec, entry, key.digit) : part(spec, entry, key.part);
}

/** True when every slot stands. */
export function complete(spec: PadSpec, entry: PadEntry): boolean {
  return entry.digits.length >= room(spec)[0] && (partCount(spec) === 0 || entry.part !== null);
}

/** The digits as a whole number, for counts. Null until complete. */
export function integer(spec: PadSpec, entry: PadEntry): number | null {
  return spec.kind === 'integer' && complete(spec, entry) ? Number(entry.digits) : null;
}

function exact(spec: PadSpec, entry: PadEntry): { typed: string; value: Ratio; mark: Ratio } {
  const whole = entry.digits === '' ? 0 : Number(entry.digits);
  const p = entry.part ?? 0;
  switch (spec.kind) {
    case 'fraction': {
      const [num, den] = ratio(p * 2 + (entry.half ? 1 : 0), 32);
      const fraction = num === 0 ? '' : `${num}/${den}`;
      const typed = whole === 0 && fraction ? fraction : [String(whole), fraction].filter(Boolean).join(' ');
      return { typed, value: ratio(whole * den + num, den), mark: spec.mark };
    }
    case 'tenths':
      return { typed: `${whole}.${p}`, value: ratio(whole * 10 + p, 10), mark: [1, 10] };
    case 'feet':
      return { typed: p === 0 ? String(whole) : `${whole} ${p}/12`, value: ratio(whole * 12 + p, 12), mark: [1, 12] };
    case 'places': {
      const at = spec.before;
      const den = 10 ** spec.after;
      const typed = spec.after === 0 ? entry.digits : `${entry.digits.slice(0, at) || '0'}.${entry.digits.slice(at)}`;
      return { typed, value: ratio(Number(entry.digits), den), mark: [1, den] };
    }
    case 'integer':
      return { typed: String(whole), value: [whole, 1], mark: [1, 1] };
  }
}

/** The measure as typed, exact, with the instrument's mark. Null until every slot stands. */
export function measure(spec: PadSpec, entry: PadEntry): Measure | null {
  if (!complete(spec, entry) || spec.unit === undefined) return null;
  return { ...exact(spec, entry), unit: spec.unit };
}

/** The slots as they are drawn: what stands, `null` for what is still open. */
export function slots(spec: PadSpec, entry: PadEntry): (string | null)[] {
  const [min, max] = room(spec);
  const shown = Math.max(min, entry.digits.length, entry.part === null && max > 0 ? Math.min(max, entry.digits.length + 1) : 0);
  const row: (string | null)[] = [];
  if (spec.kind === 'places') {
    if (spec.before === 0) row.push('0');
    for (let i = 0; i < max; i++) {
      if (i === spec.before && spec.after > 0) row.push('.');
      row.push(entry.digits[i] ?? null);
    }
    return row;
  }
  for (let i = 0; i < shown; i++) row.push(entry.digits[i] ?? null);
  return row;
}

/** Specifications that several screens use. */
export const PADS = {
  /** Tape in inches, marks of 1/16, a half mark on request. */
  tapeInch: { kind: 'fraction', whole: [1, 2], unit: 'in', mark: [1, 16], half: true, name: '1/16 in' },
  /** Tape or caliper in decimal inches. */
  tapeInchDecimal: { kind: 'places', before: 2, after: 3, unit: 'in', name: '0.000 in' },
  /** Tape in millimetres. */
  tapeMm: { kind: 'tenths', whole: [1, 4], unit: 'mm' },
  /** Small gaps in inches: root opening, misalignment, land. */
  smallInch: { kind: 'fraction', whole: [0, 0], unit: 'in', mark: [1, 32], half: true },
  /** Small gaps in millimetres. */
  smallMm: { kind: 'places', before: 1, after: 1, unit: 'mm' },
  /** Wall in thousandths of an inch. */
  wallInch: { kind: 'places', before: 0, after: 3, unit: 'in' },
  /** Wall in hundredths of a millimetre, under 10 mm. */
  wallMm: { kind: 'places', before: 1, after: 2, unit: 'mm' },
  /** Elevation in feet and inches. */
  elevationFt: { kind: 'feet', whole: [1, 3], unit: 'ft' },
  /** Elevation in metres, under 100 m. */
  elevationM: { kind: 'places', before: 2, after: 2, unit: 'm' },
  /** A count of tubes, up to 999. */
  count: { kind: 'integer', whole: [1, 3] },
} as const satisfies Record<string, PadSpec>;
