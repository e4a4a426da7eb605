import { describe, expect, it } from 'vitest';
import { complete, EMPTY, integer, measure, PADS, press, slots, type PadEntry, type PadKey, type PadSpec } from './pad';

function play(spec: PadSpec, ...keys: PadKey[]): { entry: PadEntry; refused: string[] } {
  let entry = EMPTY;
  const refused: string[] = [];
  for (const key of keys) {
    const result = press(spec, entry, key);
    entry = result.entry;
    if (result.refused) refused.push(result.refused);
  }
  return { entry, refused };
}
const d = (digit: number): PadKey => ({ digit });
const p = (part: number): PadKey => ({ part });

describe('pad', () => {
  it('takes 20 9/16 in as a tape shows it', () => {
    const { entry, refused } = play(PADS.tapeInch, d(2), d(0), p(9));
    expect(refused).toEqual([]);
    expect(measure(PADS.tapeInch, entry)).toEqual({ typed: '20 9/16', value: [329, 16], unit: 'in', mark: [1, 16] });
  });

  it('adds a half mark: 20 9/16 + 1/32 = 20 19/32', () => {
    const { entry } = play(PADS.tapeInch, d(2), d(0), p(9), 'half');
    expect(measure(PADS.tapeInch, entry)).toMatchObject({ typed: '20 19/32', value: [659, 32] });
  });

  it('needs the fraction key, 0 too', () => {
    const { entry } = play(PADS.tapeInch, d(2), d(0));
    expect(complete(PADS.tapeInch, entry)).toBe(false);
    expect(measure(PADS.tapeInch, press(PADS.tapeInch, entry, p(0)).entry)).toMatchObject({ typed: '20', value: [20, 1] });
  });

  it('refuses with a word and changes nothing', () => {
    const cases: [PadSpec, PadKey[], string][] = [
      [PADS.tapeInch, [d(2), d(0), d(5)], 'full'],
      [PADS.tapeInch, [p(9)], 'whole-first'],
      [PADS.tapeInch, [d(2), p(9), d(1)], 'part-stands'],
      [PADS.tapeInch, [d(2), p(9), p(3)], 'part-stands'],
      [PADS.tapeInch, [d(2), 'half'], 'part-first'],
      [PADS.count, [d(0), d(4)], 'leading-zero'],
      [PADS.smallInch, [d(1)], 'part-first'],
      [PADS.wallInch, [d(1), d(7), d(1), d(2)], 'full'],
      [PADS.count, ['back'], 'nothing'],
    ];
    for (const [spec, keys, why] of cases) {
      const before = play(spec, ...keys.slice(0, -1)).entry;
      const { entry, refused } = play(spec, ...keys);
      console.log(JSON.stringify(keys), '->', refused.join());
      expect(refused).toEqual([why]);
      expect(entry).toEqual(before);
    }
  });

  it('keeps the mask of a wall reading', () => {
    const { entry } = play(PADS.wallInch, d(1), d(7));
    expect(slots(PADS.wallInch, entry)).toEqual(['0', '.', '1', '7', null]);
    expect(measure(PADS.wallInch, entry)).toBeNull();
    expect(measure(PADS.wallInch, press(PADS.wallInch, entry, d(1)).entry)).toEqual({ typed: '0.171', value: [171, 1000], unit: 'in', mark: [1, 1000] });
  });

  it('takes feet and inches, millimetres and counts', () => {
    expect(measure(PADS.elevationFt, play(PADS.elevationFt, d(5), d(4), p(6)).entry)).toEqual({ typed: '54 6/12', value: [109, 2], unit: 'ft', mark: [1, 12] });
    expect(measure(PADS.tapeMm, play(PADS.tapeMm, d(5), d(2), d(2), p(3)).entry)).toEqual({ typed: '522.3', value: [5223, 10], unit: 'mm', mark: [1, 10] });
    expect(integer(PADS.count, play(PADS.count, d(4), d(7)).entry)).toBe(47);
    expect(integer(PADS.count, EMPTY)).toBeNull();
  });

  it('takes back in the order of the keys', () => {
    const { entry } = play(PADS.tapeInch, d(2), d(0), p(9), 'half', 'back', 'back', 'back');
    expect(entry).toEqual({ digits: '2', part: null, half: false });
  });

  it('shows for every random run of keys exactly what it holds', () => {
    // A small generator of our own, so that a failing run can be repeated.
    let seed = 7;
    const roll = (n: number) => ((seed = (seed * 48271) % 2147483647) % n);
    let measured = 0;
    for (let run = 0; run < 5000; run++) {
      const specs = Object.values(PADS) as PadSpec[];
      const spec = specs[roll(specs.length)] as PadSpec;
      let entry = EMPTY;
      for (let i = 0; i < 12; i++) {
        const key: PadKey = roll(5) === 0 ? 'back' : roll(6) === 0 ? 'half' : roll(3) === 0 ? p(roll(18)) : d(roll(10));
        const result = press(spec, entry, key);
        if (result.refused) expect(result.entry).toBe(entry);
        entry = result.entry;
      }
      const shown = slots(spec, entry).filter((s) => s !== null && s !== '.').join('');
      expect(spec.kind === 'places' && spec.before === 0 ? shown.slice(1) : shown).toBe(entry.digits);
      const m = measure(spec, entry);
      if (m) measured++;
      expect(m !== null).toBe(complete(spec, entry) && spec.unit !== undefined);
    }
    console.log(`5000 runs, ${measured} complete values`);
    expect(measured).toBeGreaterThan(1000);
  });
});
