import { describe, expect, it } from 'vitest';
import { inUnit, other, parts, si, text } from './measure';
import type { Measure, Ratio, Unit } from './types';

const m = (typed: string, value: Ratio, unit: Unit): Measure => ({ typed, value, unit });

describe('measure', () => {
  it('writes values as their instrument would', () => {
    const cases: [Measure, string][] = [
      [m('20 9/16', [329, 16], 'in'), '20 9/16 in'],
      [m('9/16', [9, 16], 'in'), '9/16 in'],
      [m('327/16', [327, 16], 'in'), '20 7/16 in'],
      [m('0.171', [171, 1000], 'in'), '0.171 in'],
      [m('.125', [1, 8], 'in'), '0.125 in'],
      [m('20', [20, 1], 'in'), '20 in'],
      [m('54 6/12', [109, 2], 'ft'), '54\' 6"'],
      [m('4.75', [19, 4], 'mm'), '4.75 mm'],
      [m('-1/8', [-1, 8], 'in'), '-1/8 in'],
      [m('1/3', [1, 3], 'in'), '0.333 in'],
    ];
    for (const [value, want] of cases) {
      console.log(value.typed, value.unit, '->', text(value));
      expect(text(value)).toBe(want);
    }
  });

  it('reads back in the other unit', () => {
    // 25.4 mm to the inch, 304.8 mm to the foot, by definition.
    expect(other(m('20 9/16', [329, 16], 'in'))).toBe('522.3 mm');
    expect(other(m('0.171', [171, 1000], 'in'))).toBe('4.34 mm');
    expect(other(m('54 6/12', [109, 2], 'ft'))).toBe('16.61 m');
    expect(other(m('16.61', [1661, 100], 'm'))).toBe('54\' 6"');
    expect(other(m('212', [212, 1], 'F'))).toBe('100 °C');
    expect(inUnit(m('1', [1, 1], 'in'), 'mm')).toBeCloseTo(25.4, 12);
    expect(si(m('1000', [1000, 1], 'psi'))).toBeCloseTo(6.894757, 6);
  });

  it('never loses a fraction between whole and part', () => {
    for (let n = 0; n < 64 * 30; n++) {
      const p = parts(m(`${n}/64`, [n, 64], 'in'));
      if (p.form !== 'fraction') throw new Error('not a fraction');
      expect(p.whole + p.num / p.den).toBe(n / 64);
      expect(p.num).toBeLessThan(p.den);
    }
  });
});
