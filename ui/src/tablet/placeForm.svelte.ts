// What the place form holds while it is filled in, and how it becomes a body. Nothing here has a default that could pass for an answer.
import { EMPTY, integer, measure, PADS, type PadEntry, type PadSpec } from '../lib/pad';
import { si } from '../lib/measure';
import type { Measure, Place, Section } from '../lib/types';
import { t } from '../lib/i18n/index.svelte';

export type Part = 'tube' | 'row' | 'elevation' | 'side' | 'landmark' | 'check';
export type Direction = 'left' | 'at' | 'right' | 'above' | 'below';

export interface PlaceDraft {
  tube: PadEntry;
  row: PadEntry;
  elevation: PadEntry;
  unit: number;
  side: 'fire' | 'cold' | null;
  landmark: string | null;
  direction: Direction | null;
  off: PadEntry;
}

export const OFF_SPEC: PadSpec = { kind: 'integer', whole: [1, 2] };
export const NONE = '';

/** The elevation pads of a section: its own unit first. */
export function elevationSpecs(section: Section): PadSpec[] {
  const metric = section.elevation_unit === 'm' || section.elevation_unit === 'mm';
  return metric ? [PADS.elevationM, PADS.elevationFt] : [PADS.elevationFt, PADS.elevationM];
}

export class PlaceForm {
  tube = $state<PadEntry>(EMPTY);
  row = $state<PadEntry>(EMPTY);
  elevation = $state<PadEntry>(EMPTY);
  unit = $state(0);
  side = $state<'fire' | 'cold' | null>(null);
  /** Name of the landmark, `''` for none near, null while not answered. */
  landmark = $state<string | null>(null);
  direction = $state<Direction | null>(null);
  off = $state<PadEntry>(EMPTY);

  constructor(readonly section: Section) {}

  get tubeNumber(): number | null {
    return integer(PADS.count, this.tube);
  }
  get rowNumber(): number | null {
    return this.section.rows > 1 ? integer(PADS.count, this.row) : 1;
  }
  get elevationMeasure(): Measure | null {
    const spec = elevationSpecs(this.section)[this.unit];
    return spec ? measure(spec, this.elevation) : null;
  }
  get tubeInSection(): boolean {
    const n = this.tubeNumber;
    return n !== null && n >= 1 && n <= this.section.tubes;
  }
  get rowInSection(): boolean {
    const n = this.rowNumber;
    return n !== null && n >= 1 && n <= this.section.rows;
  }
  get elevationInSection(): boolean {
    const m = this.elevationMeasure;
    return m !== null && si(m) >= si(this.section.low) - 0.5 && si(m) <= si(this.section.high) + 0.5;
  }
  get landmarkDone(): boolean {
    if (this.landmark === null) return false;
    if (this.landmark === NONE) return true;
    if (this.direction === null) return false;
    const counts = this.direction === 'left' || this.direction === 'right';
    return !counts || (integer(OFF_SPEC, this.off) ?? 0) > 0;
  }

  /** In the words of the person who looked. */
  get landmarkWords(): string {
    if (!this.landmark || this.direction === null) return '';
    const n = integer(OFF_SPEC, this.off) ?? 0;
    const where = this.direction === 'left' || this.direction === 'right' ? t(`place.n-${this.direction}`, { n }) : t(`place.${this.direction}`);
    return `${this.landmark}, ${where}`;
  }

  done(part: Part): boolean {
    switch (part) {
      case 'tube':
        return this.tubeInSection;
      case 'row':
        return this.rowInSection;
      case 'elevation':
        return this.elevationInSection;
      case 'side':
        return this.side !== null;
      case 'landmark':
        return this.landmarkDone;
      case 'check':
        return this.parts.every((p) => p === 'check' || this.done(p));
    }
  }

  get parts(): Part[] {
    return this.section.rows > 1 ? ['row', 'tube', 'elevation', 'side', 'landmark', 'check'] : ['tube', 'elevation', 'side', 'landmark', 'check'];
  }

  body(): Place | null {
    const [tube, row, elevation, side] = [this.tubeNumber, this.rowNumber, this.elevationMeasure, this.side];
    if (!this.done('check') || tube === null || row === null || elevation === null || side === null) return null;
    return { section: this.section.id, row, tube, elevation, side, landmark: this.landmarkWords };
  }

  draft(): PlaceDraft {
    const { tube, row, elevation, unit, side, landmark, direction, off } = this;
    return { tube, row, elevation, unit, side, landmark, direction, off };
  }
  restore(draft: PlaceDraft): void {
    Object.assign(this, draft);
  }
}
