// What a signature covers, in the order of the steps, each with what stands. Nothing is folded away.
import type { Answer, By, Covered, ItemView, JobView, SitePlan } from '../../lib/types';

export interface CoveredLine {
  field: string;
  kind: string;
  body: Answer['body'];
  by: By[];
  settled: string | null;
  struck: string | null;
  /** Recorded as not good, rejected, leaking or not known: seen at once among the rest. */
  bad: boolean;
}

/** Order in which the fields of a job are read, by the first part of their path. */
const ORDER = ['place', 'second-count', 'failure', 'photos', 'gauge', 'readings', 'plan', 'before-work', 'material', 'filler', 'procedure', 'gap', 'piece', 'joint', 'test', 'hand-over'];

/** Clock positions and joints as they are read on the tube; checks as the plan has them. */
function rank(field: string, plan: SitePlan): number {
  const [first = '', part = ''] = field.split('/');
  const at = ORDER.indexOf(first);
  const within = [...plan.checks.map((c) => c.id), '12', '3', '6', '9', 'upper', 'lower', 'patch'].indexOf(part);
  return (at < 0 ? ORDER.length : at) * 1000 + Math.max(0, within);
}

function isBad(kind: string, body: Answer['body']): boolean {
  const bad: Record<string, readonly unknown[]> = { check: ['not-good'], visual: ['reject'], 'pressure-test': ['leak'], material: ['differs', 'not-known'] };
  return bad[kind]?.includes(kind === 'material' ? body.pmi : body.result) ?? false;
}

function ofAnswer(field: string, a: Answer): CoveredLine {
  return { field, kind: a.kind, body: a.body, by: a.by, settled: a.settled ?? null, struck: null, bad: isBad(a.kind, a.body) };
}
function ofItem(field: string, i: ItemView): CoveredLine {
  return { field, kind: i.kind, body: i.body, by: [i.by], settled: null, struck: i.struck ?? null, bad: isBad(i.kind, i.body) };
}

/** One line for each covered entry's answer or item; a field of which nothing stands gives none. */
export function coveredLines(job: JobView, covers: readonly Covered[], plan: SitePlan): CoveredLine[] {
  return [...covers]
    .sort((a, b) => rank(a.field, plan) - rank(b.field, plan) || a.field.localeCompare(b.field, 'en', { numeric: true }))
    .flatMap(({ field, entries }) => {
      const single = job.fields[field]?.answers.filter((a) => a.entries.some((e) => entries.includes(e))) ?? [];
      const items = job.lists[field]?.filter((i) => entries.includes(i.entry)) ?? [];
      return [...single.map((a) => ofAnswer(field, a)), ...items.map((i) => ofItem(field, i))];
    });
}
