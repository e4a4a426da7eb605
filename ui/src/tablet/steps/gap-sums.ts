// What the gap screen shows beside the sums of the record: out of square, and openings against the procedure.
import type { Measure, Procedure } from '../../lib/types';
import { compare, difference } from './exact';

export const GAP_CLOCKS = ['12', '3', '6', '9'] as const;
/** Another start for the second person, so that the same slip is not made in the same place. */
export const GAP_CLOCKS_SECOND = ['6', '9', '12', '3'] as const;

export interface Square {
  pair: string;
  value: Measure;
}

/** How far the two ends of each line across the tube differ: 12 with 6, 3 with 9. Only the lines that are complete. */
export function outOfSquare(gaps: Readonly<Record<string, Measure>>): Square[] {
  const out: Square[] = [];
  for (const [a, b] of [['12', '6'], ['3', '9']] as const) {
    const x = gaps[a];
    const y = gaps[b];
    const d = x && y ? difference(x, y) : null;
    if (d) out.push({ pair: `${a}-${b}`, value: d });
  }
  return out;
}

export type Opening = 'in' | 'tight' | 'wide' | 'no-proc';

/** The opening the piece leaves against the procedure's least and greatest; the ends themselves are inside. */
export function judgeOpening(opening: Measure, procedure: Procedure | null): Opening {
  if (!procedure) return 'no-proc';
  if (compare(opening, procedure.root_min) < 0) return 'tight';
  if (compare(opening, procedure.root_max) > 0) return 'wide';
  return 'in';
}

/** The next clock position without a value, in the order given; `null` when all stand. */
export function nextClock(order: readonly string[], done: ReadonlySet<string>, from: string): string | null {
  const start = order.indexOf(from);
  for (let k = 1; k <= order.length; k += 1) {
    const clock = order[(start + k) % order.length];
    if (clock !== undefined && !done.has(clock)) return clock;
  }
  return null;
}
