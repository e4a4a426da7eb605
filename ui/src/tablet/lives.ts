import { t } from '../lib/i18n/index.svelte';
import type { Lives } from '../lib/types';

/** "14 records and 3 photos". */
export function livesCount(lives: Lives): string {
  const records = t('lives.records', { n: lives.entries_here });
  const photos = t('lives.photos', { n: lives.photos_here });
  if (lives.photos_here === 0) return records;
  return lives.entries_here === 0 ? photos : t('lives.and', { records, photos });
}
