import { describe, expect, it } from 'vitest';
import type { ItemView, Measure, Procedure, Unit } from '../../lib/types';
import { compare, difference, sameQuantity, toMm } from './exact';
import { judgeOpening, nextClock, outOfSquare } from './gap-sums';
import { LIMITS, LIMITS_ALL, METHODS } from './methods';
import { bar, cellTrueMm, nextPlace, rows, standing } from './readings-grid';

const m = (n: number, d: number, unit: Unit): Measure => ({ typed: `${n}/${d}`, value: [n, d], unit });
const reading = (entry: string, ft: [number, number], clock: number, wall: number, struck?: string): ItemView => ({
  entry,
  kind: 'reading',
  body: { elevation: m(ft[0], ft[1], 'ft'), clock, wall: m(wall, 1000, 'in'), gauge: 'UT-3' },
  by: { person: 'ana', name: 'Ana R.', device: 'd', tablet: 'K4', wall_ms: 0, counter: 1 },
  struck: struck ?? null,
});

describe('exact measures', () => {
  it('compares across units without rounding', () => {
    expect(sameQuantity(m(109, 2, 'ft'), m(654, 1, 'in'))).toBe(true);
    expect(sameQuantity(m(41, 2, 'in'), m(5207, 10, 'mm'))).toBe(true);
    expect(compare(m(41, 2, 'in'), m(520701, 1000, 'mm'))).toBe(-1);
    expect(sameQuantity(m(1, 1, 'psi'), m(1, 1, 'psi'))).toBe(false);
  });
  it('subtracts exactly, in the first unit', () => {
    expect(difference(m(165, 8, 'in'), m(41, 2, 'in'))?.value).toEqual([1, 8]);
    expect(difference(m(41, 2, 'in'), m(165, 8, 'in'))?.value).toEqual([1, 8]);
    expect(difference(m(1, 1, 'in'), m(25, 1, 'mm'))?.value).toEqual([2, 127]);
    expect(difference(m(1, 1, 'in'), m(25, 1, 'C'))).toBeNull();
  });
  it('has no length for what is no length', () => expect(toMm(m(70, 1, 'F'))).toBeNull());
});

describe('the unrolled tube', () => {
  const items = [
    reading('a', [109, 2], 12, 112),
    reading('b', [654, 12], 12, 171),
    reading('c', [55, 1], 2, 196),
    reading('d', [54, 1], 6, 181),
    reading('e', [54, 1], 12, 50, 'slip of the finger'),
  ];
  it('stands highest elevation first and takes equal elevations in other units as one row', () => {
    const grid = rows(items, [m(54, 1, 'ft')], 'fire');
    expect(grid.map((r) => toMm(r.elevation))).toEqual([16764, 16611.6, 16459.2]);
    expect(grid[1]?.cells.map((c) => c.clock)).toEqual([10, 11, 12, 1, 2]);
    expect(grid[1]?.cells[2]?.items.length).toBe(2);
  });
  it('draws the least of several readings and never a struck one', () => {
    const grid = rows(items, [], 'fire');
    expect(grid[1]?.cells[2]?.least?.wall.value).toEqual([112, 1000]);
    expect(grid[2]?.cells[2]?.least).toBeNull();
    expect(standing(items).length).toBe(4);
  });
  it('keeps the cold side apart', () => {
    expect(rows(items, [], 'cold')[2]?.cells[2]?.least?.wall.value).toEqual([181, 1000]);
  });
  it('goes along the row, then down, and stops at the end', () => {
    const grid = rows(items, [], 'fire');
    expect(nextPlace(grid, m(55, 1, 'ft'), 2)).toMatchObject({ clock: 10, elevation: { value: [109, 2] } });
    expect(nextPlace(grid, m(54, 1, 'ft'), 2).clock).toBe(2);
  });
});

describe('the bar', () => {
  it('is the metal left, with the least wall as a tick', () => {
    const b = bar(m(112, 1000, 'in'), m(200, 1000, 'in'), m(150, 1000, 'in'));
    expect(b).toMatchObject({ under: true, percent: 56 });
    expect(b?.left).toBeCloseTo(0.56, 12);
    expect(b?.minimum).toBeCloseTo(0.75, 12);
  });
  it('is not under at exactly the least wall', () => {
    expect(bar(m(381, 100, 'mm'), m(508, 100, 'mm'), m(150, 1000, 'in'))?.under).toBe(false);
  });
  it('says nothing where nothing is specified', () => expect(bar(m(1, 1, 'in'), m(0, 1, 'in'), null)).toBeNull());
  it('knows the true breadth of an hour: pi x 63.5 mm / 12', () => expect(cellTrueMm(m(5, 2, 'in'))).toBeCloseTo(16.624, 3));
});

describe('gap', () => {
  const gaps = { '12': m(329, 16, 'in'), '6': m(41, 2, 'in'), '3': m(5207, 10, 'mm') };
  it('compares opposite ends only where both stand', () => {
    expect(outOfSquare(gaps)).toEqual([{ pair: '12-6', value: expect.objectContaining({ value: [1, 16] }) }]);
  });
  it('finds the next place that is still missing', () => {
    expect(nextClock(['12', '3', '6', '9'], new Set(['12', '3']), '3')).toBe('6');
    expect(nextClock(['12', '3', '6', '9'], new Set(['3', '6', '9']), '9')).toBe('12');
    expect(nextClock(['12', '3', '6', '9'], new Set(['12', '3', '6', '9']), '9')).toBeNull();
  });
  it('judges openings with the ends inside', () => {
    const p = { root_min: m(3, 32, 'in'), root_max: m(1, 8, 'in') } as Procedure;
    expect(judgeOpening(m(3, 32, 'in'), p)).toBe('in');
    expect(judgeOpening(m(1, 8, 'in'), p)).toBe('in');
    expect(judgeOpening(m(5, 64, 'in'), p)).toBe('tight');
    expect(judgeOpening(m(9, 64, 'in'), p)).toBe('wide');
    expect(judgeOpening(m(1, 8, 'in'), null)).toBe('no-proc');
  });
});

describe('limits of the methods', () => {
  it('has words and a source in both languages for each', () => {
    for (const limit of [...LIMITS_ALL, ...METHODS.flatMap((x) => LIMITS[x])]) {
      for (const part of [limit.words, limit.source]) {
        expect(part.en.length).toBeGreaterThan(5);
        expect(part.es.length).toBeGreaterThan(5);
        expect(part.es).not.toBe(part.en);
      }
    }
  });
});
