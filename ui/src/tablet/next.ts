// What a person does next on a job: the first thing it waits for that this person may do.
import { STEPS, type JobView, type Person, type Wanted } from '../lib/types';

export interface Next {
  wanted: Wanted | null;
  /** True where this person may do it; false where another role is waited for. */
  mine: boolean;
  /** Where the main key goes, below the job. */
  path: string[];
}

/** The place on the screens where a wanted thing is done. */
export function pathOf(wanted: Wanted): string[] {
  if (wanted.what === 'two-answers' && wanted.field) return ['answers', wanted.field];
  if (wanted.gate) return ['gate', wanted.gate];
  return ['step', STEPS[wanted.step - 1] ?? 'close-out'];
}

export function next(job: JobView, person: Person): Next {
  // That work was recorded past a shut gate has to be known; doing something about it is signing the gate.
  const todo = job.wanted.filter((w) => w.what !== 'passed-shut');
  const mine = todo.find((w) => !w.role || person.roles.includes(w.role));
  const wanted = mine ?? todo[0] ?? null;
  const path = wanted ? pathOf(wanted) : ['step', STEPS[job.stands_at - 1] ?? 'close-out'];
  return { wanted, mine: mine !== undefined || wanted === null, path };
}
