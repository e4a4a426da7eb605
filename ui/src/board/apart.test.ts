import { beforeEach, describe, expect, it, vi } from 'vitest';
import type { ApartEntry, BoardView, JobOnBoard, SeriesOnBoard, TabletOnBoard } from './types';

vi.stubGlobal('document', { documentElement: { lang: 'en' } });
const { setLang } = await import('../lib/i18n/index.svelte');
const { about, apartParts, endings, lookedAt, numbersOf, sameDevice, says, subjectOf } = await import('./apart');
const { sentencePart } = await import('./words');
const { clockWords, counts, itsClock } = await import('./tablet-words');

const series = (name: string, device: string, more: Partial<SeriesOnBoard> = {}): SeriesOnBoard => ({
  incarnation: `i-${name}`, device, name, role: 'tablet', standing: 'counts', head: 10, counts_to: null, apart: 0, refused: 0, looked: true, reason: '', said: [], paired: true, ...more,
});
const tablet = (name: string, device: string, more: Partial<TabletOnBoard> = {}): TabletOnBoard => ({
  name, device, incarnation: `i-${name}`, heard_ms: 1, entries_waiting: 0, photos_waiting: 0, waiting_as_of: 10, skew_ms: 0, heard: 'nothing-waiting', counts_to: null, apart: 0, ...more,
});
beforeEach(() => setLang('en'));

describe('taking a tablet off', () => {
  const rows = [series('K4', 'd4', { head: 212 }), series('K4-7F2', 'd4', { head: 31 }), series('K1', 'd1', { head: 214, counts_to: 200, standing: 'cut', apart: 14 }), series('trailer', 'd4', { standing: 'own', role: 'server' })];
  const all = [tablet('K4', 'd4'), tablet('K4-7F2', 'd4'), tablet('K1', 'd1'), tablet('K6', 'd6', { heard_ms: null })];
  const of = (name: string) => all.find((x) => x.name === name) ?? tablet(name, '?');
  it('ends each series where the trailer’s copy ends, never further than it counted', () => {
    expect(endings(of('K4'), rows, all, true)).toEqual([{ name: 'K4', to: 212, apart: 0 }, { name: 'K4-7F2', to: 31, apart: 0 }]);
    expect(endings(of('K4'), rows, all, false)).toEqual([{ name: 'K4', to: 212, apart: 0 }]);
    expect(endings(of('K1'), rows, all, true)).toEqual([{ name: 'K1', to: 200, apart: 14 }]);
  });
  it('says that nothing counts of one that never came', () => expect(endings(of('K6'), rows, all, true)).toEqual([{ name: 'K6', to: 0, apart: 0 }]));
  it('lets nothing in of a series nobody took in', () => {
    const unknown = [series('K9', 'd9', { standing: 'unknown', head: 5, counts_to: 0, apart: 5 })];
    expect(endings(tablet('K9', 'd9'), unknown, [], true)).toEqual([{ name: 'K9', to: 0, apart: 5 }]);
  });
  it('knows a tablet that stands here under two names', () => {
    expect(sameDevice(of('K4'), all).map((x) => x.name)).toEqual(['K4', 'K4-7F2']);
    expect(sameDevice({ ...of('K4'), device: undefined } as unknown as TabletOnBoard, all)).toEqual([]);
  });
});

describe('what is kept apart', () => {
  const entry = (kind: string | undefined, subject: string, body: Record<string, unknown> = {}): ApartEntry => ({ seq: 1, hash: 'h', ...(kind ? { kind, subject, body } : {}) });
  const open = entry('open', 'job/aa11/open', { number: 'K9-004' });
  const numbers = numbersOf([{ job: 'bb', number: 'K4-071' } as JobOnBoard], [open]);
  it('is named by job and field, also where the job is opened only in it', () => {
    expect(subjectOf('job/a/joint/upper/fit-up')).toEqual({ job: 'a', field: 'joint/upper/fit-up' });
    expect(subjectOf('site/plan')).toBeNull();
    expect(about(entry('gap', 'job/bb/gap/6'), numbers, null)).toBe('K4-071, gap at 6 o’clock');
    expect(about(entry('place', 'job/aa11/place'), numbers, null)).toBe('K9-004, place');
    expect(about(entry('place', 'job/ffffffffff/place'), numbers, null)).toBe('job ffffff, place');
    expect(about(entry('sign', 'job/bb/gate/gap'), numbers, null)).toBe('K4-071, gap');
    expect(about(entry('standing', 'series/x'), numbers, null)).toBe('which series count');
    expect(about(entry('new-kind', 'x/y'), numbers, null)).toBe('new-kind');
  });
  it('drops nothing of what an entry says', () => {
    expect(says(entry('sign', 'job/bb/gate/gap', { role: 'welder', waived: 'night shift' }))).toBe('signed as welder; waived: night shift');
    expect(says(entry('settle', 'job/bb/piece', { kind: 'hand-over', body: { note: 'done' }, reason: 'both looked' }))).toBe('done (settled: both looked)');
    expect(says(entry('humidity', 'job/bb/air', { percent: 61 }))).toBe('{"percent":61}');
    expect(says(entry(undefined, ''))).toMatch(/can’t read it/);
    expect(says(entry('series-begin', 'device/d', { name: 'K9', role: 'tablet', key: 'x' }))).toBe('K9, a tablet');
  });
  it('is named in the sentence on top by why it is, and only what nobody has looked at', () => {
    const apart: BoardView['apart'] = [
      { incarnation: 'a', name: 'K9', why: 'unknown', n: 4, looked: false }, { incarnation: 'b', name: 'K8', why: 'unknown', n: 1, looked: false },
      { incarnation: 'c', name: 'K1', why: 'cut', n: 1, looked: false }, { incarnation: 'd', name: 'K3', why: 'refused', n: 2, looked: true },
    ];
    expect(apartParts(apart)).toEqual(['5 records of a tablet this trailer does not know', '1 record kept apart from a tablet that was taken off']);
    expect(lookedAt(apart)).toBe(2);
    expect(apartParts([])).toEqual([]);
    setLang('es');
    expect(apartParts(apart)[0]).toBe('5 registros de una tableta que este tráiler no conoce');
  });
});

describe('how a tablet stands', () => {
  it('tells one taken off with what was left there, and a backup that is late', () => {
    const off = (more: Record<string, string>) => sentencePart({ code: 'b-taken-off', words: '', with: { tablet: 'K1', to: '212', apart: '0', entries: '0', photos: '0', ...more } });
    expect(off({})).toBe('tablet K1 was taken off: its records count to entry 212');
    expect(off({ apart: '3', entries: '4', photos: '2' })).toBe('tablet K1 was taken off: its records count to entry 212, 3 later ones are kept apart, when last heard it still held 4 records and 2 photos');
    expect(sentencePart({ code: 'b-backup-late', words: '', with: { since_ms: '' } })).toBe('no backup of the trailer yet');
    expect(sentencePart({ code: 'b-backup-late', words: '', with: { since_ms: String(Date.UTC(2026, 2, 3, 6, 12)) } })).toMatch(/^no backup of the trailer since Mar 3 \d\d:\d\d$/);
  });
  it('says its clock only where it was compared', () => {
    expect(itsClock(tablet('K1', 'd', { skew_ms: -7_400_000 }))).toBe('its clock is 2\u00a0h\u00a003\u00a0min behind the trailer’s');
    expect(itsClock(tablet('K1', 'd', { skew_ms: 59_000 }))).toBeNull();
    expect(clockWords(tablet('K1', 'd', { heard_ms: null }))).toBe('clock not compared');
    expect(clockWords(tablet('K1', 'd'))).toMatch(/within a minute/);
  });
  it('says which of its entries count', () => {
    expect(counts(tablet('K1', 'd'))).toBe('all its records count');
    expect(counts(tablet('K1', 'd', { counts_to: 212, apart: 2 }))).toBe('its records count up to entry 212. 2 later ones are kept apart.');
    expect(counts(tablet('K1', 'd', { counts_to: 0, apart: 1 }))).toBe('none of its records counts. 1 later one is kept apart.');
  });
});
