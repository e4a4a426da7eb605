// How far a tablet's clock was off when it wrote something: said beside every time of an entry, corrects nothing.
import { t } from './i18n/index.svelte';
import type { By } from './types';

/** Clocks that differ by less than this are not spoken of, ms: nobody reads a record by the second. */
const LEAST = 60_000;
const MIN = 60_000;
const HOUR = 60 * MIN;
const DAY = 24 * HOUR;

/** A span of time in words, in the two coarsest units that tell; whole minutes, never rounded up. */
export function span(ms: number): string {
  const all = Math.abs(ms);
  const [days, hours, min] = [Math.floor(all / DAY), Math.floor(all / HOUR), Math.floor(all / MIN)];
  if (hours < 1) return t('time.min', { n: min });
  if (days < 2) return t('time.h-min', { h: hours, min: String(min % 60).padStart(2, '0') });
  return t('time.days-h', { n: days, h: hours % 24 });
}

/** "tablet's clock 2 h 03 min behind the trailer's", or null where they agree to the minute or were never compared. */
export function clockApart(skew_ms: number | null | undefined): string | null {
  if (typeof skew_ms !== 'number' || !Number.isFinite(skew_ms) || Math.abs(skew_ms) < LEAST) return null;
  return t(skew_ms > 0 ? 'skew.ahead' : 'skew.behind', { time: span(skew_ms) });
}

/** True for what was written in the trailer itself: its clock is the one the others are compared with. */
export function ofTrailer(by: Pick<By, 'tablet'>): boolean {
  // The server keeps this name to itself: server/src/identity.rs.
  return by.tablet.toLowerCase() === 'trailer';
}

/** True where nobody can say how far this tablet's clock was off. */
export function notCompared(by: Pick<By, 'tablet' | 'skew_ms'>): boolean {
  return !ofTrailer(by) && typeof by.skew_ms !== 'number';
}
