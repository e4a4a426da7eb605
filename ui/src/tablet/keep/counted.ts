import { t } from '../../lib/i18n/index.svelte';

/** Records and photos as words, each with its own plural, for a sentence that names both. */
export function counted(records: number, photos: number): { records: string; photos: string } {
  return { records: t('lives.records', { n: records }), photos: t('lives.photos', { n: photos }) };
}
