import type { Measure, Ratio, Section } from '../../lib/types';
import { compare } from './exact';

function shifted(m: Measure, by: Ratio): Measure {
  const num = m.value[0] * by[1] + by[0] * m.value[1];
  const den = m.value[1] * by[1];
  const g = gcd(Math.abs(num), den) || 1;
  const value: Ratio = [num / g, den / g];
  return { typed: typed(value, m.unit), value, unit: m.unit, mark: m.mark ?? null };
}

function gcd(a: number, b: number): number {
  return b === 0 ? a : gcd(b, a % b);
}

/** Text the tablet reads back to exactly this value: feet as whole and fraction, metres as a decimal where that is exact. */
function typed([num, den]: Ratio, unit: Measure['unit']): string {
  if (den === 1) return String(num);
  if (unit === 'm' && 100 % den === 0) return (num / den).toFixed(2);
  const whole = Math.trunc(num / den);
  const rest = num - whole * den;
  return whole === 0 ? `${rest}/${den}` : `${whole} ${rest}/${den}`;
}

/** The rows offered at once: the failure and half a foot (15 cm) above and below it, inside the section. */
export function aroundFailure(failure: Measure | null, section: Section): Measure[] {
  if (!failure) return [];
  const step: Ratio = failure.unit === 'ft' ? [1, 2] : failure.unit === 'm' ? [15, 100] : failure.unit === 'in' ? [6, 1] : [150, 1];
  return [shifted(failure, step), failure, shifted(failure, [-step[0], step[1]])].filter(
    (m) => compare(m, section.low) >= 0 && compare(m, section.high) <= 0,
  );
}
