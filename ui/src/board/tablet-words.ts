// How a tablet stands, in words: the same in the strip under the wall and in the place of the tablets.
import { t } from '../lib/i18n/index.svelte';
import type { MarkName } from '../lib/marks';
import { clockApart, span } from '../lib/skew';
import type { Heard, TabletOnBoard } from './types';
import { moment } from './words';

export const TABLET_MARK: Record<Heard, MarkName> = { 'nothing-waiting': 'in-trailer', waiting: 'part-in', silent: 'silent', 'taken-off': 'reject' };

export function heardAt(x: TabletOnBoard, now: number): string | null {
  return x.heard_ms === null ? null : moment(x.heard_ms, now);
}

/** What it said was still only there, when it was last heard. */
export function waits(x: TabletOnBoard): string {
  const records = x.entries_waiting > 0 ? t('lives.records', { n: x.entries_waiting }) : '';
  const photos = x.photos_waiting > 0 ? t('lives.photos', { n: x.photos_waiting }) : '';
  const what = records && photos ? t('lives.and', { records, photos }) : records || photos;
  return what ? t('bd.tab.still', { what }) : t('bd.tab.nothing', { n: x.waiting_as_of });
}

/** Its clock, where it is off by a minute or more. A tablet that was never heard has no clock to speak of. */
export function itsClock(x: TabletOnBoard): string | null {
  if (x.heard_ms === null || clockApart(x.skew_ms) === null) return null;
  return t(x.skew_ms > 0 ? 'bd.tab.ahead' : 'bd.tab.behind', { time: span(x.skew_ms) });
}

/** Its clock in any case, for the place where all is told. */
export function clockWords(x: TabletOnBoard): string {
  if (x.heard_ms === null) return t('skew.not-compared');
  return itsClock(x) ?? t('bd.tab.clock-right');
}

/** Which of its entries count. */
export function counts(x: TabletOnBoard): string {
  if (x.counts_to === null || x.counts_to === undefined) return t('bd.tab.counts-all');
  const apart = x.apart ?? 0;
  const to = x.counts_to > 0 ? t('bd.tab.counts-to', { n: x.counts_to }) : t('bd.tab.counts-none');
  return apart > 0 ? `${to} ${t('bd.tab.apart', { n: apart })}` : to;
}
