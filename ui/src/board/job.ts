// What of one job belongs where on the board's job panel. Pure.
import type { FieldView, GateView, JobView, StepName, Wanted } from '../lib/types';

/** Step of each field by the first part of its path; of joints by the last. See crates/job/src/kinds.rs. */
const STEP_OF: Record<string, StepName> = {
  place: 'place', 'second-count': 'place', failure: 'failure', photos: 'failure', gauge: 'readings', readings: 'readings', plan: 'plan',
  'before-work': 'before-work', material: 'material', filler: 'material', procedure: 'material', gap: 'cut-gap', piece: 'cut-gap',
  'fit-up': 'fit-up', welds: 'weld', visual: 'examination', test: 'test', 'hand-over': 'close-out',
};

export function stepOf(field: string): StepName | null {
  const parts = field.split('/');
  return STEP_OF[(parts[0] === 'joint' ? parts[parts.length - 1] : parts[0]) ?? ''] ?? null;
}

/** The order in which clock positions and joints are read. */
const WITHIN = ['12', '3', '6', '9', 'upper', 'lower', 'patch'];

function inOrder(a: string, b: string): number {
  const rank = (field: string) => {
    const parts = field.split('/');
    const first = Object.keys(STEP_OF).indexOf(parts[0] === 'joint' ? (parts[2] ?? '') : (parts[0] ?? ''));
    return first * 100 + Math.max(0, WITHIN.indexOf(parts[1] ?? ''));
  };
  return rank(a) - rank(b) || a.localeCompare(b, 'en', { numeric: true });
}

/** Single fields of a step in which something stands or stood. */
export function fieldsOfStep(job: JobView, step: StepName): string[] {
  return Object.keys(job.fields).filter((f) => stepOf(f) === step).sort(inOrder);
}

/** Lists of a step with anything in them, photos apart: they are shown as pictures. */
export function listsOfStep(job: JobView, step: StepName): string[] {
  return Object.keys(job.lists).filter((f) => f !== 'photos' && stepOf(f) === step && (job.lists[f] ?? []).length > 0).sort(inOrder);
}

/** Fields with two answers, lowest step first. */
export function twoAnswers(job: JobView): [string, FieldView][] {
  return Object.entries(job.fields).filter(([, f]) => f.state === 'two-answers').sort(([a], [b]) => inOrder(a, b));
}

/** Fields that were settled by a person and stand so: both answers stay readable beside the settlement. */
export function settledFields(job: JobView): [string, FieldView][] {
  return Object.entries(job.fields).filter(([, f]) => f.state === 'agreed' && f.answers.some((a) => a.settled)).sort(([a], [b]) => inOrder(a, b));
}

/** Gates at which a signature is missing now. */
export function unsigned(job: JobView): GateView[] {
  return job.gates.filter((g) => g.state === 'shut' && g.missing.length > 0);
}

/** Gates with a signature that no longer counts. */
export function withStale(job: JobView): GateView[] {
  return job.gates.filter((g) => g.signs.some((s) => !s.good));
}

/** What is wanted besides what has its own part of the panel: signatures, with what was passed while they were missing, and answers. */
export function otherWanted(job: JobView): Wanted[] {
  const said = new Set(unsigned(job).map((g) => g.gate));
  return job.wanted.filter((w) => !['signature', 'stale', 'two-answers'].includes(w.what) && !(w.what === 'passed-shut' && said.has(w.gate ?? '')));
}
