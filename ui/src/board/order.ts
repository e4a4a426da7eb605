// In which order things stand on the board, and what is counted. Pure, so that it can be tested.
import type { Wanted } from '../lib/types';
import type { BoardView, JobOnBoard } from './types';

/** How often the answer may be missing before what is shown is called old. */
const MISSES = 3;

/**
 * True where an answer of `answered` is too old at `now` (both ms of this machine's clock) to be called what stands now.
 * A clock that was set back makes it old too: nobody can say then how old it is.
 */
export function isOld(answered: number, now: number, every: number): boolean {
  return now - answered > MISSES * every || now < answered - every;
}

/** What stops a start-up first, at the same step: what is wrong before what is unsure before what is only not there yet. */
const KINDS: readonly Wanted['what'][] = ['reject', 'two-answers', 'not-known', 'stale', 'signature', 'passed-shut', 'missing'];

function kind(what: Wanted['what']): number {
  const at = KINDS.indexOf(what);
  return at < 0 ? KINDS.length : at;
}

/** One line of the list of what is wanted. */
export interface WantedLine {
  /** Unique among the lines. */
  id: string;
  job: JobOnBoard;
  wanted: Wanted;
}

/** Everything that is wanted: lowest step first, then kind, then what waits longest; never cut off. */
export function wantedLines(jobs: readonly JobOnBoard[]): WantedLine[] {
  const all = jobs.flatMap((job) => job.wanted.map((wanted, i) => ({ id: `${job.job}/${i}`, job, wanted })));
  return all.sort(
    (a, b) =>
      a.wanted.step - b.wanted.step ||
      kind(a.wanted.what) - kind(b.wanted.what) ||
      a.wanted.since_ms - b.wanted.since_ms ||
      a.id.localeCompare(b.id, 'en', { numeric: true }),
  );
}

/** A tube that a silent tablet has worked on: more may be recorded there. */
export interface Unheard {
  job: JobOnBoard;
  tablet: string;
  /** When the tablet was last heard, ms on the server's clock; null if never. */
  since: number | null;
}

export function unheard(view: BoardView): Unheard[] {
  const heard = new Map(view.tablets.map((t) => [t.name, t.heard_ms]));
  return view.jobs.flatMap((job) => job.silent_tablets.map((tablet) => ({ job, tablet, since: heard.get(tablet) ?? null })));
}

/** Roles that a line waits for: the one named, or those who may settle two answers. */
export function rolesOf(wanted: Wanted): readonly NonNullable<Wanted['role']>[] {
  if (wanted.role) return [wanted.role];
  return wanted.what === 'two-answers' ? ['supervisor', 'qc'] : [];
}

/** Identifiers of all sections in the plan's order; those that only jobs name come last, so that no job is out of sight. */
export function sectionIds(planned: readonly { id: string }[], jobs: readonly JobOnBoard[]): string[] {
  return [...new Set([...planned.map((s) => s.id), ...jobs.map((j) => j.section)])];
}

/** Jobs in the order of tube, then elevation, then number; a job without a tube stands last. */
export function byTube(jobs: readonly JobOnBoard[]): JobOnBoard[] {
  const height = (j: JobOnBoard) => (j.elevation ? j.elevation.value[0] / j.elevation.value[1] : 0);
  return [...jobs].sort((a, b) => (a.tube ?? Infinity) - (b.tube ?? Infinity) || height(a) - height(b) || a.number.localeCompare(b.number, 'en', { numeric: true }));
}

/** Cuts a row of tubes into rows of at most `n`. */
export function chunks<T>(all: readonly T[], n: number): T[][] {
  const size = Math.max(1, n);
  return Array.from({ length: Math.ceil(all.length / size) }, (_, i) => all.slice(i * size, (i + 1) * size));
}

/** How one step of a tube is drawn on the wall. */
export type Band = 'wet' | 'two-answers' | 'reject' | 'not-known' | 'hatched' | 'dry';

export function band(job: JobOnBoard, step: number): Band {
  const state = job.steps[step - 1];
  if (step <= job.level) return 'wet';
  if (state === 'two-answers' || state === 'reject' || state === 'not-known') return state;
  return job.above_level.includes(step) ? 'hatched' : 'dry';
}

/** Groups of four, as a long figure is read aloud. */
export function grouped(text: string, by = 4): string[] {
  return text.match(new RegExp(`.{1,${by}}`, 'g')) ?? [];
}

/** Whole minutes and seconds left, never more than there are and never below 0. */
export function left(until: number, now: number): { min: number; s: number; over: boolean } {
  const s = Math.max(0, Math.floor((until - now) / 1000));
  return { min: Math.floor(s / 60), s: s % 60, over: until <= now };
}
