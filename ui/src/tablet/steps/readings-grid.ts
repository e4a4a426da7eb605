// The unrolled tube: which reading stands in which cell of the picture. Pure; drawn by GridPicture.svelte.
import type { ItemView, Measure } from '../../lib/types';
import { compare, sameQuantity, toMm } from './exact';

/** The body of one wall reading. */
export interface ReadingBody {
  elevation: Measure;
  clock: number;
  wall: Measure;
  gauge: string;
  read_twice?: boolean;
}

export type Side = 'fire' | 'cold';

/** Clock positions of each half in the order they are seen, left to right. 3 and 9 are fins: nobody reads them. */
export const CLOCKS: Record<Side, readonly number[]> = { fire: [10, 11, 12, 1, 2], cold: [4, 5, 6, 7, 8] };

export interface Cell {
  elevation: Measure;
  clock: number;
  /** Standing readings of this place; the least one is drawn. */
  items: ItemView[];
  least: ReadingBody | null;
}

export interface Row {
  elevation: Measure;
  cells: Cell[];
}

/** The readings of a list, as bodies with their entries; struck ones are left to the list below the picture. */
export function standing(items: readonly ItemView[]): ItemView[] {
  return items.filter((i) => i.struck === undefined || i.struck === null);
}

export function readingOf(item: ItemView): ReadingBody {
  return item.body as unknown as ReadingBody;
}

/** Every elevation that has a standing reading or is asked for, highest first, each once (equal quantity = same row). */
export function elevations(items: readonly ItemView[], wanted: readonly Measure[]): Measure[] {
  const out: Measure[] = [];
  for (const m of [...wanted, ...standing(items).map((i) => readingOf(i).elevation)]) {
    if (!out.some((o) => sameQuantity(o, m))) out.push(m);
  }
  return out.sort((a, b) => compare(b, a));
}

/** The picture's rows, highest elevation first, one cell for each clock position of the side. */
export function rows(items: readonly ItemView[], wanted: readonly Measure[], side: Side): Row[] {
  const alive = standing(items);
  return elevations(items, wanted).map((elevation) => ({
    elevation,
    cells: CLOCKS[side].map((clock) => {
      const here = alive.filter((i) => readingOf(i).clock === clock && sameQuantity(readingOf(i).elevation, elevation));
      const least = here.reduce<ReadingBody | null>((best, item) => {
        const body = readingOf(item);
        return best === null || compare(body.wall, best.wall) < 0 ? body : best;
      }, null);
      return { elevation, clock, items: here, least };
    }),
  }));
}

/** Lengths of one bar as shares of the specified wall (0 to 1.25): the metal left and the least wall. */
export interface Bar {
  left: number;
  minimum: number | null;
  under: boolean;
  percent: number;
}

/** `null` where the specified wall is not a length above nothing. */
export function bar(wall: Measure, specified: Measure, minimum: Measure | null): Bar | null {
  const spec = toMm(specified);
  const here = toMm(wall);
  if (spec === null || here === null || spec <= 0) return null;
  const min = minimum === null ? null : toMm(minimum);
  const share = (mm: number) => Math.min(1.25, Math.max(0, mm / spec));
  return {
    left: share(here),
    minimum: min === null ? null : share(min),
    under: minimum !== null && compare(wall, minimum) < 0,
    percent: Math.round((100 * here) / spec),
  };
}

/** Breadth of one cell at true size, mm: the surface between two neighbouring clock hours, pi x OD / 12. */
export function cellTrueMm(od: Measure): number | null {
  const mm = toMm(od);
  return mm === null || mm <= 0 ? null : (Math.PI * mm) / 12;
}

/** The next place to read: along the row, then the row below; stays where it is at the very end. Never wraps by itself. */
export function nextPlace(grid: readonly Row[], elevation: Measure, clock: number): { elevation: Measure; clock: number } {
  const r = grid.findIndex((row) => sameQuantity(row.elevation, elevation));
  const c = grid[r]?.cells.findIndex((cell) => cell.clock === clock) ?? -1;
  const along = grid[r]?.cells[c + 1];
  if (along) return { elevation: along.elevation, clock: along.clock };
  const below = grid[r + 1]?.cells[0];
  return below ? { elevation: below.elevation, clock: below.clock } : { elevation, clock };
}
