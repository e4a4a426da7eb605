// What this tablet must be told of itself: it began a new series of records, or the trailer has shut it out. Pure.
import type { Key } from '../lib/i18n/index.svelte';
import type { Say, TabletState } from '../lib/types';

/** Why, in few words, by the code behind the seam (crates/tablet/src/series.rs, `Why`). */
const WHY: Record<string, Key> = {
  'series-copied': 'keep.why.copied',
  'series-other-machine': 'keep.why.copied',
  'series-set-back': 'keep.why.copied',
  'series-trailer-ahead': 'keep.why.copied',
  'series-two-versions': 'keep.why.copied',
  'series-key-changed': 'keep.why.key',
  'series-key-lost': 'keep.why.key',
  'series-log-damaged': 'keep.why.damaged',
  'series-shut-out': 'keep.why.cut',
  'series-cut': 'keep.why.cut',
  'series-unknown-there': 'keep.why.unknown',
  'pair-again': 'keep.why.unknown',
  'token-refused': 'keep.why.unknown',
  'tablet-revoked': 'keep.why.off',
};

export interface TabletNotice {
  why: Key;
  /** The name it goes on under, where it has a new one. */
  name: string;
  /** False where pairing again is not the person's to do: it was taken off at the board. */
  pair: boolean;
  /** The whole sentence behind it, where there is one. */
  whole: Say | null;
}

/**
 * The notice for the home screen, or null. `error` is what stopped the last sync: a tablet that was taken off learns it only
 * there. What began a new series outweighs it.
 */
export function noticeOf(tablet: TabletState | null, error: Say | null): TabletNotice | null {
  if (!tablet?.paired) return null;
  const note = tablet.lives.note ?? null;
  if (note) return { why: WHY[note.code] ?? 'keep.why.other', name: note.with?.new ?? '', pair: true, whole: note };
  const why = error ? WHY[error.code] : undefined;
  if (error && why) return { why, name: '', pair: error.code !== 'tablet-revoked', whole: error };
  return tablet.must_pair ? { why: 'keep.why.unknown', name: '', pair: true, whole: null } : null;
}
