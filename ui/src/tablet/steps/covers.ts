// What a signature covers, in the order of the steps, each with what stands. Nothing is folded away.
import { STEPS, type Answer, type By, type Covered, type ItemView, type JobView } from '../../lib/types';

export interface CoveredLine {
  field: string;
  kind: string;
  body: Answer['body'];
  by: By[];
  settled: string | null;
  struck: string | null;
}

/** Order in which the fields of a job are read, by the first part of their path. */
const ORDER = ['place', 'second-count', 'failure', 'photos', 'gauge', 'readings', 'plan', 'before-work', 'material', 'filler', 'procedure', 'gap', 'piece', 'joint', 'test', 'hand-over'];

function rank(field: string): number {
  const at = ORDER.indexOf(field.split('/')[0] ?? '');
  return at < 0 ? ORDER.length : at;
}

function ofAnswer(field: string, a: Answer): CoveredLine {
  return { field, kind: a.kind, body: a.body, by: a.by, settled: a.settled ?? null, struck: null };
}
function ofItem(field: string, i: ItemView): CoveredLine {
  return { field, kind: i.kind, body: i.body, by: [i.by], settled: null, struck: i.struck ?? null };
}

/** One line for each covered entry's answer or item; a field of which nothing stands gives none. */
export function coveredLines(job: JobView, covers: readonly Covered[]): CoveredLine[] {
  return [...covers]
    .sort((a, b) => rank(a.field) - rank(b.field) || a.field.localeCompare(b.field, 'en', { numeric: true }))
    .flatMap(({ field, entries }) => {
      const single = job.fields[field]?.answers.filter((a) => a.entries.some((e) => entries.includes(e))) ?? [];
      const items = job.lists[field]?.filter((i) => entries.includes(i.entry)) ?? [];
      return [...single.map((a) => ofAnswer(field, a)), ...items.map((i) => ofItem(field, i))];
    });
}

/** Steps that the gate covers and in which something is still wanted. */
export function openSteps(job: JobView, steps: readonly number[]): (typeof STEPS)[number][] {
  return steps.flatMap((n) => {
    const step = job.steps.find((s) => s.step === n);
    return step && step.wants.length > 0 ? [step.name] : [];
  });
}
