import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { beforeEach, describe, expect, it, vi } from 'vitest';
import { boardSays } from '../lib/i18n/es/board';
import { says } from '../lib/i18n/es/says';
import type { Answer, GateView, JobView, Measure, Section, SitePlan, Wanted } from '../lib/types';
import { againForm, bodyOf, missing, NOTHING, type AgainEntry } from './again';
import { fieldsOfStep, otherWanted, settledFields, stepOf, twoAnswers, unsigned, withStale } from './job';
import { band, byTube, chunks, grouped, isOld, left, rolesOf, sectionIds, unheard, wantedLines } from './order';
import type { BoardView, JobOnBoard } from './types';

vi.stubGlobal('document', { documentElement: { lang: 'en' } });
const { setLang } = await import('../lib/i18n/index.svelte');
const { localized, sentencePart } = await import('./words');

const inches = (n: number, d: number): Measure => ({ typed: `${n}/${d}`, value: [n, d], unit: 'in' });
const want = (what: Wanted['what'], step: number, since_ms = 0, more: Partial<Wanted> = {}): Wanted => ({ what, step, since_ms, say: { code: what, words: what }, ...more });
const brief = (job: string, more: Partial<JobOnBoard> = {}): JobOnBoard => ({
  job, number: `K1-${job}`, section: 'fw', tube: 1, elevation: null, side: null, level: 0, stands_at: 1, full: false,
  steps: Array.from({ length: 12 }, () => 'not-begun' as const), above_level: [], shut: [], wanted: [], two_answers: [], opened_ms: 0, photos_away: 0, silent_tablets: [], ...more,
});

describe('the order of the board', () => {
  it('puts the lowest step first, then what is wrong, then what is unsure, then what is missing, then what waits longest', () => {
    const jobs = [
      brief('1', { wanted: [want('missing', 7), want('signature', 3, 50), want('signature', 3, 10)] }),
      brief('2', { wanted: [want('two-answers', 3), want('reject', 3), want('missing', 1)] }),
    ];
    const lines = wantedLines(jobs);
    console.log(lines.map((l) => `${l.wanted.step} ${l.wanted.what}`).join(', '));
    expect(lines.map((l) => [l.wanted.step, l.wanted.what, l.wanted.since_ms])).toEqual([
      [1, 'missing', 0], [3, 'reject', 0], [3, 'two-answers', 0], [3, 'signature', 10], [3, 'signature', 50], [7, 'missing', 0],
    ]);
    expect(new Set(lines.map((l) => l.id)).size).toBe(6);
  });
  it('never loses a line, whatever the kinds are', () => {
    const kinds: Wanted['what'][] = ['signature', 'stale', 'two-answers', 'missing', 'not-known', 'reject', 'passed-shut'];
    const jobs = Array.from({ length: 40 }, (_, i) => brief(String(i), { wanted: kinds.map((k, j) => want(k, ((i * 7 + j) % 12) + 1, i)) }));
    const odd = brief('odd', { wanted: [want('something-new' as Wanted['what'], 2)] });
    expect(wantedLines([...jobs, odd])).toHaveLength(40 * 7 + 1);
  });
  it('says whom a line waits for', () => {
    expect(rolesOf(want('signature', 1, 0, { role: 'qc' }))).toEqual(['qc']);
    expect(rolesOf(want('two-answers', 1))).toEqual(['supervisor', 'qc']);
    expect(rolesOf(want('missing', 1))).toEqual([]);
  });
  it('stands tubes by number, then height; without a number last', () => {
    const jobs = [brief('a', { tube: null }), brief('b', { tube: 47, elevation: inches(60, 1) }), brief('c', { tube: 6 }), brief('d', { tube: 47, elevation: inches(50, 1) })];
    expect(byTube(jobs).map((j) => j.job)).toEqual(['c', 'd', 'b', 'a']);
  });
  it('shows a section that only a job names', () => expect(sectionIds([{ id: 'fw' }, { id: 'rw' }], [brief('1', { section: 'xx' })])).toEqual(['fw', 'rw', 'xx']));
  it('cuts a wall into rows without losing a tube', () => {
    for (const n of [-3, 0, 1, 4, 7, 100]) expect(chunks([1, 2, 3, 4, 5, 6, 7], n).flat()).toEqual([1, 2, 3, 4, 5, 6, 7]);
  });
  it('draws nothing wet above the level', () => {
    const job = brief('1', { level: 3, above_level: [5, 6], steps: ['proved', 'proved', 'proved', 'not-begun', 'recorded', 'two-answers', 'reject', 'not-known', 'proved', 'not-begun', 'not-begun', 'not-begun'] });
    expect(Array.from({ length: 12 }, (_, i) => band(job, i + 1))).toEqual(['wet', 'wet', 'wet', 'dry', 'hatched', 'two-answers', 'reject', 'not-known', 'dry', 'dry', 'dry', 'dry']);
  });
  it('names each silent tablet of each job, with when it was heard', () => {
    const view = { jobs: [brief('1', { silent_tablets: ['K1', 'K6'] })], tablets: [{ name: 'K1', heard_ms: 5 }, { name: 'K6', heard_ms: null }] } as BoardView;
    expect(unheard(view).map((u) => [u.tablet, u.since])).toEqual([['K1', 5], ['K6', null]]);
  });
});

describe('what is too old', () => {
  it('is what was not answered three times, and everything after a clock was set back', () => {
    expect(isOld(100_000, 104_000, 4_000)).toBe(false);
    expect(isOld(100_000, 112_000, 4_000)).toBe(false);
    expect(isOld(100_000, 112_001, 4_000)).toBe(true);
    expect(isOld(100_000, 50_000, 4_000)).toBe(true);
    expect(isOld(0, 1e12, 4_000)).toBe(true);
  });
  it('counts the time of a code down, never up', () => {
    expect(left(600_500, 0)).toEqual({ min: 10, s: 0, over: false });
    expect(left(1, 0)).toEqual({ min: 0, s: 0, over: false });
    expect(left(0, 0)).toEqual({ min: 0, s: 0, over: true });
    expect(left(-5_000, 0)).toEqual({ min: 0, s: 0, over: true });
  });
  it('reads a fingerprint in groups without losing a figure', () => expect(grouped('0123456789').join('')).toBe('0123456789'));
});

const by = { person: 'p', name: 'P', device: 'd', tablet: 'K1', wall_ms: 0, counter: 1 };
const answer = (kind: string, body: Record<string, unknown>, settled?: string): Answer => ({ entries: [JSON.stringify(body)], kind, body, by: [by], settled: settled ?? null });
const gate = (id: string, state: GateView['state'], more: Partial<GateView> = {}): GateView => ({ gate: id, after_step: 1, state, roles: ['qc'], missing: [], signs: [], stale: false, passed_shut: false, blocked: [], covers: [], ...more });
const view = (more: Partial<JobView>): JobView => ({ fields: {}, lists: {}, gates: [], wanted: [], ...more }) as JobView;

describe('one job', () => {
  it('knows the step of every field that a job can have', () => {
    const kinds = readFileSync(join(import.meta.dirname, '../../../crates/job/src/kinds.rs'), 'utf8');
    const names = ['place', 'failure', 'readings', 'plan', 'before-work', 'material', 'cut-gap', 'fit-up', 'weld', 'examination', 'test', 'close-out'];
    const fields = [...kinds.matchAll(/^ {4}(?:one|list)\("([^"]+)", "[^"]+", (\d+)\),$/gm)].map((m) => [m[1] ?? '', Number(m[2])] as const);
    expect(fields.length).toBeGreaterThan(15);
    for (const [path, step] of fields.filter(([, s]) => s > 0)) expect(stepOf(path.replace('*', path.startsWith('joint') ? 'upper' : '6')), path).toBe(names[step - 1]);
  });
  it('finds disagreements, settlements and fields in reading order', () => {
    const two = (a: Answer, b: Answer) => ({ state: 'two-answers' as const, answers: [a, b], past: [], basis: [] });
    const job = view({
      fields: {
        'gap/9': two(answer('gap', { n: 1 }), answer('gap', { n: 2 })),
        'gap/12': two(answer('gap', { n: 1 }), answer('gap', { n: 2 })),
        piece: { state: 'agreed', answers: [answer('piece', { n: 1 }, 'measured again')], past: [answer('piece', { n: 3 }), answer('piece', { n: 4 })], basis: [] },
        place: { state: 'agreed', answers: [answer('place', {})], past: [], basis: [] },
      },
    });
    expect(twoAnswers(job).map(([f]) => f)).toEqual(['gap/12', 'gap/9']);
    expect(settledFields(job).map(([f]) => f)).toEqual(['piece']);
    expect(fieldsOfStep(job, 'cut-gap')).toEqual(['gap/12', 'gap/9', 'piece']);
  });
  it('says each thing once: what was passed shut stands with its gate', () => {
    const sign = { entry: 'e', role: 'qc' as const, by, statement: '', good: false, changed: ['place'] };
    const job = view({
      gates: [gate('place', 'shut', { missing: ['qc'], signs: [sign], passed_shut: true }), gate('test', 'open', { passed_shut: true })],
      wanted: [want('signature', 1, 0, { gate: 'place', role: 'qc' }), want('passed-shut', 1, 0, { gate: 'place' }), want('passed-shut', 11, 0, { gate: 'test' }), want('missing', 2)],
    });
    expect(unsigned(job).map((g) => g.gate)).toEqual(['place']);
    expect(withStale(job).map((g) => g.gate)).toEqual(['place']);
    expect(otherWanted(job).map((w) => [w.what, w.step])).toEqual([['passed-shut', 11], ['missing', 2]]);
  });
});

describe('measured again', () => {
  const section = { id: 'fw', rows: 1, elevation_unit: 'ft', tube: { wall: inches(1, 5) } } as unknown as Section;
  const plan = { procedures: [{ id: 'WPS-1' }] } as unknown as SitePlan;
  const filled = (more: Partial<AgainEntry>): AgainEntry => ({ ...structuredClone(NOTHING), ...more });
  it('gives no body before every part stands', () => {
    const form = againForm([answer('gap', {}), answer('gap', {})], section, plan);
    if (!form) throw new Error('no form');
    expect(missing(form, NOTHING)).toHaveLength(1);
    expect(bodyOf(form, NOTHING)).toBeNull();
    const body = bodyOf(form, filled({ figures: { gap: { entry: { digits: '20', part: 9, half: false }, chosen: 0 } } }));
    expect(body).toEqual({ gap: { typed: '20 9/16', value: [329, 16], unit: 'in', mark: [1, 16] }, instrument: '' });
  });
  it('takes nothing over from either answer but what is beyond question', () => {
    const form = againForm([answer('check', { check: 'gas', saw: 'O2 20.9', result: 'good' }), answer('check', { check: 'gas', saw: 'O2 19', result: 'not-good' })], section, plan);
    expect(form?.fixed).toEqual({ check: 'gas' });
    const place = againForm([answer('place', { tube: 47, side: 'fire' }), answer('place', { tube: 48, side: 'fire' })], section, plan);
    expect(place?.fixed).toEqual({ section: 'fw', row: 1 });
    if (!place) throw new Error('no form');
    expect(missing(place, NOTHING)).toHaveLength(3);
  });
  it('only chooses where it has no form, or where the answers are of different kinds', () => {
    expect(againForm([answer('failure', {}), answer('failure', {})], section, plan)).toBeNull();
    expect(againForm([answer('gap', {}), answer('piece', {})], section, plan)).toBeNull();
    expect(againForm([answer('gap', {})], section, null)).toBeNull();
  });
});

describe('words', () => {
  beforeEach(() => setLang('en'));
  it('says a silent tablet with the time it was heard, and one never heard without', () => {
    const part = (since_ms: string) => sentencePart({ code: 'b-silent', with: { tablet: 'K1', since_ms }, words: 'tablet K1 is silent' });
    expect(part('')).toBe('tablet K1 never heard');
    expect(part(String(Date.UTC(2026, 2, 3, 6, 12)))).toMatch(/^tablet K1 silent since \d\d:\d\d$/);
    setLang('es');
    expect(part('')).toBe('tableta K1 nunca oída');
    expect(sentencePart({ code: 'b-two-answers', with: { n: '1' }, words: '' })).toBe('1 dato con dos respuestas');
  });
  it('has its own words for every part of the sentence that the trailer can send', () => {
    const rust = readFileSync(join(import.meta.dirname, '../../../crates/job/src/board.rs'), 'utf8');
    const codes = new Set([...rust.matchAll(/(?:Say::new\(|count_say\()"([a-z-]+)"/g)].map((m) => m[1] ?? ''));
    console.log([...codes].join(', '));
    expect(codes.size).toBeGreaterThan(8);
    setLang('es');
    for (const code of codes) expect(sentencePart({ code, with: { n: '2', tablet: 'K1', since_ms: '1' }, words: 'ENGLISH' }), code).not.toContain('ENGLISH');
  });
  it('keeps a fault that has no Spanish as the server said it', () => {
    setLang('es');
    expect(localized({ code: 'slow-down', with: { wait_s: '30' }, words: 'wait', faults: [] }).words).toContain('30 segundos');
    expect(localized({ code: 'quite-new', words: 'Something new.', faults: [] }).words).toBe('Something new.');
  });
  it('has Spanish for every refusal of the routes that the board asks', () => {
    const src = join(import.meta.dirname, '../../../server/src');
    const seen = ['board.rs', 'fault.rs', 'web.rs', 'state.rs', 'trailer.rs'].filter((f) => readdirSync(src).includes(f));
    const codes = new Set(seen.flatMap((f) => [...readFileSync(join(src, f), 'utf8').matchAll(/Fault::new\(\s*\d{3},\s*"([a-z-]+)"/g)].map((m) => m[1] ?? '')));
    // Said on the command line or to tablets only.
    const notHere = /^(no-folder|photo-too-long|bad-key|not-paired|too-many-tablets|in-use|one-at-a-time)$/;
    const lacking = [...codes].filter((c) => !notHere.test(c) && !(c in boardSays) && !(c in says));
    console.log(`${codes.size} codes, ${Object.keys(boardSays).length} sentences`);
    expect(codes.size).toBeGreaterThan(15);
    expect(lacking).toEqual([]);
  });
});
