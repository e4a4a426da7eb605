import { describe, expect, it, vi } from 'vitest';

// The language module looks at the page only when the language is changed.
vi.stubGlobal('document', { documentElement: { lang: 'en', style: { setProperty: () => undefined } } });

import { BackendFault } from '../../lib/backend/backend';
import { steps as en } from '../../lib/i18n/en/steps';
import { steps as es } from '../../lib/i18n/es/steps';
import { EMPTY, press, type PadEntry } from '../../lib/pad';
import type { Body, JobView, Lives, Measure, Section, SitePlan, Unit } from '../../lib/types';
import { marksApart } from './apart';
import { CAUTIONS } from './cautions';
import { coveredLines } from './covers';
import { figuresText, nextOpen, STEP_PADS, withoutAsked, type Entries, type FigureField } from './figures';
import { jointAsked, jointsOf } from './joints';
import { measureAgain } from './measure-again';
import { photoLives } from './photo-lives';
import { aroundFailure } from './readings-rows';
import { fieldName, inWords } from './value-words';

const m = (n: number, d: number, unit: Unit, mark?: [number, number]): Measure => ({ typed: `${n}/${d}`, value: [n, d], unit, mark: mark ?? null });
const typed = (field: FigureField, digits: string): PadEntry =>
  [...digits].reduce<PadEntry>((e, d) => press(field.specs[0] as (typeof field.specs)[0], e, { digit: Number(d) }).entry, EMPTY);

describe('words in both languages', () => {
  it('take the same parameters, and no Spanish line is the English one', () => {
    // Words that are the same in both languages.
    const same = new Set(['st.field.visual', 'st.field.plan', 'st.step.plan', 'st.step.material']);
    for (const [key, text] of Object.entries(en)) {
      const other = es[key as keyof typeof es] as string;
      const params = (s: string) => [...s.matchAll(/\{(\w+)\}/g)].map((x) => x[1]).sort().join();
      expect(params(other), key).toBe(params(text));
      if (/[a-z]{4}/.test(text.replace(/\{\w+\}/g, '')) && !same.has(key)) expect(other, key).not.toBe(text);
    }
  });
  it('give every step a caution with its source', () => {
    for (const [name, c] of Object.entries(CAUTIONS)) {
      expect(c.words.en, name).not.toBe(c.words.es);
      expect(c.source.en.length, name).toBeGreaterThan(5);
    }
  });
});

describe('several figures on one pad', () => {
  const fields: FigureField[] = [
    { id: 'pressure', code: 'test', label: 'p', specs: STEP_PADS.pressure },
    { id: 'water', label: 'w', specs: STEP_PADS.surface },
  ];
  const [p, w] = fields as [FigureField, FigureField];
  const entries: Entries = { pressure: { entry: typed(p, '3100'), chosen: 0 }, water: { entry: typed(w, '85'), chosen: 0 } };
  it('goes to the next that does not stand and to none when all stand', () => {
    expect(nextOpen(fields, {}, 'pressure')?.id).toBe('water');
    expect(nextOpen(fields, { water: entries.water as Entries[string] }, 'water')?.id).toBe('pressure');
    expect(nextOpen(fields, entries, 'pressure')).toBeNull();
  });
  it('empties only the figure that was asked about', () => {
    const fault = new BackendFault({ code: 'refused', words: '', status: 400, faults: [{ code: 'ask-test-above-1-5', words: '' }] });
    expect(withoutAsked(fault, fields, entries)).toEqual({ entries: { water: entries.water }, first: 'pressure' });
  });
  it('empties all where it cannot tell which', () => {
    const fault = new BackendFault({ code: 'ask-other-unusual', words: '', status: 400 });
    expect(withoutAsked(fault, fields, entries).entries).toEqual({});
  });
  it('tells whether the same figures were entered twice', () => expect(figuresText(fields, entries)).toBe('3100 · 85'));
});

describe('two answers', () => {
  it('are apart exactly, in marks of the coarser instrument', () => {
    const a = marksApart(m(41, 2, 'in', [1, 16]), m(165, 8, 'in', [1, 16]));
    expect(a).toEqual({ text: '1/8 in', other: '3.2 mm', marks: 2 });
    expect(marksApart(m(41, 2, 'in', [1, 16]), m(5215, 10, 'mm', [1, 10]))?.marks).toBe(0);
  });
  it('know where they are measured again', () => {
    expect(measureAgain('gap/6')).toEqual(['step', 'cut-gap', 'gap']);
    expect(measureAgain('joint/upper/visual')).toEqual(['step', 'examination', 'upper']);
    expect(measureAgain('second-count')).toEqual(['count']);
  });
});

describe('where a photo lives', () => {
  const lives = (entries_here: number, only: string[], received: string[]): Lives =>
    ({ entries_here, photos_here: only.length, last_receipt_seq: 4, last_receipt_ms: 1, state: 'only-here', photos_only_here: only, photos_in_trailer: received }) as Lives;
  it('is never called safe before the trailer has signed for it', () => {
    expect(photoLives(undefined, 'a')).toBe('not-known');
    expect(photoLives(lives(3, ['a'], []), 'a')).toBe('only-here');
    expect(photoLives(lives(0, ['a'], []), 'a')).toBe('part-in');
    expect(photoLives(lives(0, ['a'], ['b']), 'b')).toBe('in-trailer');
    expect(photoLives(lives(0, [], []), 'another crew’s')).toBe('not-known');
  });
});

describe('rows around the failure', () => {
  const section = { low: m(20, 1, 'ft'), high: m(55, 1, 'ft') } as Section;
  it('are half a foot apart, exact, inside the section', () => {
    expect(aroundFailure(m(109, 2, 'ft'), section).map((x) => x.typed)).toEqual(['55', '109/2', '54']);
    expect(aroundFailure(m(55, 1, 'ft'), section).map((x) => x.typed)).toEqual(['55/1', '54 1/2']);
    expect(aroundFailure(null, section)).toEqual([]);
  });
});

describe('what a signature covers', () => {
  const by = { person: 'a', name: 'A', device: 'd', tablet: 'K4', wall_ms: 0, counter: 1 };
  const one = (entry: string, kind: string, body: Body) => ({ state: 'agreed' as const, answers: [{ entries: [entry], kind, body, by: [by] }], past: [], basis: [entry] });
  const job = {
    fields: { 'gap/12': one('g', 'gap', {}), 'before-work/b': one('b', 'check', { result: 'not-good' }), 'before-work/a': one('a', 'check', { result: 'good' }), material: one('m', 'material', { pmi: 'not-known' }) },
    lists: { photos: [{ entry: 'p', kind: 'photo', body: {}, by, struck: 'slip' }] },
  } as unknown as JobView;
  const plan = { checks: [{ id: 'b' }, { id: 'a' }] } as SitePlan;
  it('stands in the order of the work, the checks as the plan has them, struck items too', () => {
    const covers = ['gap/12', 'before-work/a', 'before-work/b', 'material', 'photos'].map((field, i) => ({ field, entries: ['g', 'a', 'b', 'm', 'p'].slice(i, i + 1) }));
    const lines = coveredLines(job, covers, plan);
    expect(lines.map((l) => l.field)).toEqual(['photos', 'before-work/b', 'before-work/a', 'material', 'gap/12']);
    expect(lines.map((l) => l.bad)).toEqual([false, true, false, true, false]);
    expect(lines[0]?.struck).toBe('slip');
  });
  it('names fields and bodies in words, and drops nothing it does not know', () => {
    expect(fieldName('gap/6')).toBe('gap at 6 o’clock');
    expect(fieldName('joint/upper/fit-up')).toBe('fit-up, upper joint');
    expect(fieldName('before-work/x', () => 'Isolation')).toBe('check: Isolation');
    expect(inWords('gap', { gap: m(41, 2, 'in'), read_twice: true })).toBe('20 1/2 in (read twice)');
    expect(inWords('from-the-future', { x: 1 })).toBe('{"x":1}');
  });
});

describe('joints', () => {
  const job = (method?: string) => ({ fields: method ? { plan: { answers: [{ body: { method } }] } } : {} }) as unknown as JobView;
  it('are two for a replaced length, none chosen by itself', () => {
    expect(jointsOf(job('dutchman'))).toEqual(['upper', 'lower']);
    expect(jointAsked(null, ['upper', 'lower'])).toBeNull();
    expect(jointAsked('lower', ['upper', 'lower'])).toBe('lower');
  });
  it('are one patch for the other methods', () => expect(jointAsked(null, jointsOf(job('pad')))).toBe('patch'));
});
