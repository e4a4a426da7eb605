import { other, text } from '../../lib/measure';
import type { Measure } from '../../lib/types';
import { compare, difference } from './exact';

export interface Apart {
  /** The distance in the first one's unit, exact. */
  text: string;
  /** The same in the other system, rounded for reading. */
  other: string;
  /** Marks of the coarser instrument, rounded down to what is surely passed; null where no mark is known. */
  marks: number | null;
}

/** How far two lengths are apart, in words and in marks of the coarser instrument. */
export function marksApart(a: Measure, b: Measure): Apart | null {
  const d = difference(a, b);
  if (!d) return null;
  const mark = coarser(a, b);
  return { text: text(d), other: other(d), marks: mark === null ? null : wholeMarks(d, mark) };
}

function coarser(a: Measure, b: Measure): Measure | null {
  const marks = [a, b].flatMap((m): Measure[] => (m.mark ? [{ typed: '', value: m.mark, unit: m.unit }] : []));
  const [x, y] = marks;
  if (!x) return null;
  return y && compare(y, x) > 0 ? y : x;
}

function wholeMarks(d: Measure, mark: Measure): number {
  let n = 0;
  // Differences of one field are few marks; the bound keeps a nonsense mark from going on for ever.
  while (n < 10_000 && compare({ ...mark, value: [mark.value[0] * (n + 1), mark.value[1]] }, d) <= 0) n += 1;
  return n;
}
