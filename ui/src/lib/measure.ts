// Exact measures as the seam carries them, and how they are shown. The fraction is the truth; decimals here are for reading.
import type { Measure, Ratio, Unit } from './types';

function gcd(a: number, b: number): number {
  return b === 0 ? Math.abs(a) : gcd(b, a % b);
}

/** A reduced fraction with a positive denominator. */
export function ratio(num: number, den: number): Ratio {
  const g = gcd(num, den) || 1;
  const sign = den < 0 ? -1 : 1;
  return [(sign * num) / g, (sign * den) / g];
}

export function toNumber(r: Ratio): number {
  return r[0] / r[1];
}

/** Factor and offset to mm, MPa or degrees Celsius. Exact for lengths; the psi factor is that of crates/trade. */
const SI: Record<Unit, [number, number]> = {
  in: [25.4, 0],
  ft: [304.8, 0],
  mm: [1, 0],
  m: [1000, 0],
  psi: [0.006894757293168, 0],
  MPa: [1, 0],
  bar: [0.1, 0],
  C: [1, 0],
  F: [5 / 9, -160 / 9],
};

/** mm, MPa or degrees Celsius, for drawing and comparing on the screen only; never kept. */
export function si(m: Measure): number {
  const [factor, offset] = SI[m.unit];
  return toNumber(m.value) * factor + offset;
}

/** The value in another unit of the same dimension, for reading only. */
export function inUnit(m: Measure, unit: Unit): number {
  const [factor, offset] = SI[unit];
  return (si(m) - offset) / factor;
}

/** How a value is written: a whole and a fraction, feet and inches, or a decimal. */
export type Parts =
  | { form: 'fraction'; minus: boolean; whole: number; num: number; den: number; unit: Unit }
  | { form: 'feet'; feet: number; whole: number; num: number; den: number }
  | { form: 'decimal'; text: string; unit: Unit };

const PLACES: Record<Unit, number> = { in: 3, ft: 2, mm: 1, m: 2, psi: 0, MPa: 2, bar: 1, C: 0, F: 0 };

/** Marks that a tape or rule carries. */
function onTape(den: number): boolean {
  return den <= 64 && (den & (den - 1)) === 0;
}

function split(r: Ratio): { whole: number; num: number; den: number } {
  const whole = Math.trunc(r[0] / r[1]);
  return { whole, num: r[0] - whole * r[1], den: r[1] };
}

/** Leaves a value as it was typed where it was typed as a decimal, else shows it as its instrument would. */
export function parts(m: Measure): Parts {
  const [num, den] = ratio(...m.value);
  if (m.unit === 'ft') {
    const inches = ratio(num * 12, den);
    if (num >= 0 && onTape(inches[1])) {
      const feet = Math.floor(inches[0] / inches[1] / 12);
      return { form: 'feet', feet, ...split(ratio(inches[0] - feet * 12 * inches[1], inches[1])) };
    }
  }
  if (/^-?\d*\.\d+$/.test(m.typed)) {
    return { form: 'decimal', text: m.typed.startsWith('.') ? `0${m.typed}` : m.typed, unit: m.unit };
  }
  if (m.unit === 'in' && onTape(den)) {
    return { form: 'fraction', minus: num < 0, ...split([Math.abs(num), den]), unit: 'in' };
  }
  const places = den === 1 ? 0 : PLACES[m.unit];
  return { form: 'decimal', text: toNumber(m.value).toFixed(places), unit: m.unit };
}

/** Units as they are written beside a figure. */
export const SYMBOL: Record<Unit, string> = { in: 'in', ft: 'ft', mm: 'mm', m: 'm', psi: 'psi', MPa: 'MPa', bar: 'bar', C: '°C', F: '°F' };

/** The value in one line of text: `20 9/16 in`, `54' 6"`, `4.75 mm`. */
export function text(m: Measure): string {
  const p = parts(m);
  switch (p.form) {
    case 'feet': {
      const fraction = p.num > 0 ? ` ${p.num}/${p.den}` : '';
      return `${p.feet}' ${p.whole}${fraction}"`;
    }
    case 'fraction': {
      const whole = p.whole > 0 || p.num === 0 ? String(p.whole) : '';
      const fraction = p.num > 0 ? `${p.num}/${p.den}` : '';
      return `${p.minus ? '-' : ''}${[whole, fraction].filter(Boolean).join(' ')} in`;
    }
    case 'decimal':
      return `${p.text} ${SYMBOL[p.unit]}`;
  }
}

const OTHER: Record<Unit, Unit> = { in: 'mm', ft: 'm', mm: 'in', m: 'ft', psi: 'MPa', MPa: 'psi', bar: 'psi', C: 'F', F: 'C' };

/** The same value in the other system, rounded for reading: never kept and never sent. */
export function other(m: Measure): string {
  const unit = OTHER[m.unit];
  const value = inUnit(m, unit);
  if (unit === 'ft') {
    const inches = Math.round(value * 12);
    return `${Math.floor(inches / 12)}' ${inches % 12}"`;
  }
  // A thousandth of an inch is 0.0254 mm: a wall needs two places of a millimetre, a tape one.
  const fine = m.unit === 'in' && (m.mark ? m.mark[1] >= 100 : /\.\d{2,}/.test(m.typed));
  return `${value.toFixed(fine ? 2 : PLACES[unit])} ${SYMBOL[unit]}`;
}
