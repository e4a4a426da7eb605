import type { MarkName } from '../../lib/marks';
import type { JobView } from '../../lib/types';

/** How far a single field is, as a mark. */
export function fieldMark(job: JobView, field: string): MarkName {
  const value = job.fields[field];
  if (!value || value.answers.length === 0) return 'not-begun';
  if (value.state === 'two-answers') return 'two-answers';
  return value.state === 'not-understood' ? 'not-known' : 'recorded';
}

/** How far a list is, as a mark. */
export function listMark(job: JobView, field: string): MarkName {
  return (job.lists[field] ?? []).some((i) => !i.struck) ? 'recorded' : 'not-begun';
}
