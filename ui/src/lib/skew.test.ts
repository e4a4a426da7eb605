import { describe, expect, it, vi } from 'vitest';

vi.stubGlobal('document', { documentElement: { lang: 'en' } });
const { setLang } = await import('./i18n/index.svelte');
const { clockApart, notCompared, ofTrailer, span } = await import('./skew');
const MIN = 60_000;
const HOUR = 60 * MIN;

describe('how far a clock was off', () => {
  it('is said from one minute on, with its direction', () => {
    for (const quiet of [undefined, null, 0, 59_999, -59_999, NaN]) expect(clockApart(quiet)).toBeNull();
    expect(clockApart(MIN)).toBe('tablet’s clock 1 min ahead of the trailer’s');
    expect(clockApart(-(2 * HOUR + 3 * MIN + 40_000))).toBe('tablet’s clock 2\u00a0h\u00a003\u00a0min behind the trailer’s');
    setLang('es');
    expect(clockApart(-4 * MIN)).toBe('reloj de la tableta 4 min atrasado al del tráiler');
    setLang('en');
  });
  it('never says more than it was', () => {
    const said = [MIN, 119_999, 59 * MIN + 59_999, HOUR, 25 * HOUR, 47 * HOUR + 59 * MIN, 48 * HOUR, 400 * 24 * HOUR + 5 * HOUR].map((ms) => span(ms));
    console.log(said.join(' · '));
    expect(said).toEqual(['1 min', '1 min', '59 min', '1\u00a0h\u00a000\u00a0min', '25\u00a0h\u00a000\u00a0min', '47\u00a0h\u00a059\u00a0min', '2 days 0 h', '400 days 5 h']);
    expect(span(-HOUR)).toBe(span(HOUR));
  });
  it('is not known where the clocks were never compared, but for the trailer’s own', () => {
    expect(notCompared({ tablet: 'K4' })).toBe(true);
    expect(notCompared({ tablet: 'K4', skew_ms: null })).toBe(true);
    expect(notCompared({ tablet: 'K4', skew_ms: 0 })).toBe(false);
    expect(notCompared({ tablet: 'trailer' })).toBe(false);
    expect(ofTrailer({ tablet: 'K4' })).toBe(false);
  });
});

describe('the time of an entry', () => {
  it('is written in one place only', async () => {
    const { readdirSync, readFileSync } = await import('node:fs');
    const { join } = await import('node:path');
    const src = join(import.meta.dirname, '..');
    const all = readdirSync(src, { recursive: true, encoding: 'utf8' }).filter((f) => /\.(svelte|ts)$/.test(f) && !/\.test\.ts$/.test(f));
    const uses = all.filter((f) => /\bwhen\([^)]*wall_ms/.test(readFileSync(join(src, f), 'utf8')));
    console.log(`${all.length} files looked through`);
    expect(uses).toEqual(['lib/ui/ByLine.svelte']);
    const bare = all.filter((f) => /st\.by(-trailer)?'/.test(readFileSync(join(src, f), 'utf8')) && !f.includes('i18n/'));
    expect(bare).toEqual(['lib/ui/ByLine.svelte']);
  });
});
