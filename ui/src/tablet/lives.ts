import { lang, tIn } from '../lib/i18n/index.svelte';
import type { Lang, Lives } from '../lib/types';

/** "14 records and 3 photos". */
export function livesCount(lives: Lives, which: Lang = lang()): string {
  const records = tIn(which, 'lives.records', { n: lives.entries_here });
  const photos = tIn(which, 'lives.photos', { n: lives.photos_here });
  if (lives.photos_here === 0) return records;
  return lives.entries_here === 0 ? photos : tIn(which, 'lives.and', { records, photos });
}
