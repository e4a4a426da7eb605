import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it, vi } from 'vitest';
import type { TabletState } from '../lib/types';
import { noticeOf } from './notice';

vi.stubGlobal('document', { documentElement: { lang: 'en' } });
const { tIn } = await import('../lib/i18n/index.svelte');
const rust = (path: string) => readFileSync(join(import.meta.dirname, '../../../crates', path), 'utf8');
const lives = { entries_here: 1, photos_here: 0, last_receipt_seq: 0, state: 'only-here' as const };
const tablet = (more: Partial<TabletState> = {}): TabletState => ({ paired: true, tablet: 'K4', lives, ...more });

describe('what a tablet must be told of itself', () => {
  it('is nothing for a tablet in order, for one not paired yet, and for a sync that only failed', () => {
    expect(noticeOf(null, null)).toBeNull();
    expect(noticeOf(tablet(), null)).toBeNull();
    expect(noticeOf(tablet(), { code: 'not-found', words: '' })).toBeNull();
    expect(noticeOf(tablet({ paired: false, must_pair: true }), null)).toBeNull();
  });
  it('names the new name of one that was copied, whatever the last sync said', () => {
    const note = { code: 'series-copied', words: 'long', with: { old: 'K4', new: 'K4-7F2' } };
    const notice = noticeOf(tablet({ must_pair: true, lives: { ...lives, note } }), { code: 'pair-again', words: '' });
    expect(notice).toEqual({ why: 'keep.why.copied', name: 'K4-7F2', pair: true, whole: note });
    expect([tIn('en', 'keep.why.copied'), tIn('en', 'keep.kept'), tIn('en', 'keep.goes-on-as', { name: 'K4-7F2' }), tIn('en', 'keep.pair')].join(' ')).toBe(
      'This tablet’s record was copied or set back. Everything is kept. It goes on as K4-7F2. Pair it again at the trailer.',
    );
  });
  it('sends one that was taken off to the supervisor, not to a pairing', () => {
    expect(noticeOf(tablet(), { code: 'tablet-revoked', words: 'w' })).toMatchObject({ why: 'keep.why.off', pair: false });
    expect(noticeOf(tablet(), { code: 'token-refused', words: 'w' })).toMatchObject({ why: 'keep.why.unknown', pair: true });
    expect(noticeOf(tablet({ must_pair: true }), null)).toMatchObject({ why: 'keep.why.unknown', pair: true, whole: null });
  });
  it('has its own words for every reason that the tablet can give', () => {
    const codes = [...rust('tablet/src/series.rs').matchAll(/=> "(series-[a-z-]+)"/g)].map((m) => m[1] ?? '');
    console.log(codes.join(', '));
    expect(codes.length).toBeGreaterThan(7);
    for (const code of codes) expect(noticeOf(tablet({ lives: { ...lives, note: { code, words: '' } } }), null)?.why, code).not.toBe('keep.why.other');
    for (const code of ['tablet-revoked', 'series-cut', 'pair-again', 'token-refused']) expect(rust('sync/src/error.rs'), code).toContain(`"${code}"`);
  });
});

describe('the faults of a check', () => {
  it('each have three parts in both languages: what, what is safe, what to do', () => {
    const keeping = rust('tablet/src/keeping.rs');
    const from = keeping.indexOf('fn in_words');
    const codes = [...keeping.slice(from, keeping.indexOf('\n}\n', from)).matchAll(/=> "([a-z-]+)",$/gm)].map((m) => m[1] ?? '');
    console.log(codes.join(', '));
    expect(codes.length).toBeGreaterThan(4);
    for (const code of codes) for (const part of ['what', 'safe', 'do']) for (const lang of ['en', 'es'] as const) {
      const key = `keep.fault.${code}.${part}`;
      expect(tIn(lang, key as 'keep.title'), key).not.toBe(key);
    }
  });
});
