// Exact arithmetic on measures, so that the screen never shows 21 as 20.999. BigInt, since a numerator times a
// denominator can leave the range in which a double counts every whole number.
import type { Measure, Ratio, Unit } from '../../lib/types';

type Big = readonly [bigint, bigint];

/** Exact factor to millimetres of the length units. */
const MM: Partial<Record<Unit, Big>> = { in: [127n, 5n], ft: [1524n, 5n], mm: [1n, 1n], m: [1000n, 1n] };

function big(value: Ratio): Big | null {
  const [n, d] = value;
  if (!Number.isSafeInteger(n) || !Number.isSafeInteger(d) || d <= 0) return null;
  return [BigInt(n), BigInt(d)];
}

function millimetres(m: Measure): Big | null {
  const factor = MM[m.unit];
  const value = big(m.value);
  return factor && value ? [value[0] * factor[0], value[1] * factor[1]] : null;
}

/** Length in mm for drawing only; `null` where the unit is not a length. */
export function toMm(m: Measure): number | null {
  const mm = millimetres(m);
  return mm === null ? null : Number(mm[0]) / Number(mm[1]);
}

/** Orders two lengths exactly; 0 where either is not a length. */
export function compare(a: Measure, b: Measure): number {
  const x = millimetres(a);
  const y = millimetres(b);
  if (!x || !y) return 0;
  const d = x[0] * y[1] - y[0] * x[1];
  return d < 0n ? -1 : d > 0n ? 1 : 0;
}

/** Equal as a quantity: 54 1/2 ft equals 654 in. Never true for what can't be compared. */
export function sameQuantity(a: Measure, b: Measure): boolean {
  const x = millimetres(a);
  const y = millimetres(b);
  return x !== null && y !== null && x[0] * y[1] === y[0] * x[1];
}

function gcd(a: bigint, b: bigint): bigint {
  return b === 0n ? (a < 0n ? -a : a) : gcd(b, a % b);
}

/** `a - b` without its sign, exactly, in the unit and with the mark of `a`; `null` where that can't be told. */
export function difference(a: Measure, b: Measure): Measure | null {
  const x = millimetres(a);
  const y = millimetres(b);
  const unit = MM[a.unit];
  if (!x || !y || !unit) return null;
  let n = (x[0] * y[1] - y[0] * x[1]) * unit[1];
  let d = x[1] * y[1] * unit[0];
  if (n < 0n) n = -n;
  const g = gcd(n, d) || 1n;
  n /= g;
  d /= g;
  if (n > BigInt(Number.MAX_SAFE_INTEGER) || d > BigInt(Number.MAX_SAFE_INTEGER)) return null;
  return { typed: d === 1n ? `${n}` : `${n}/${d}`, value: [Number(n), Number(d)], unit: a.unit, mark: a.mark ?? null };
}
