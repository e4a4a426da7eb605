// What a step says beside its mark.
import type { Say, StepView } from './types';

/**
 * What is wrong or missing comes first, then all that stands. Nothing that stands is left out: that a wall is below its
 * minimum, or a tube is not the specified one, has to be read on the tube itself.
 */
export function stepLines(step: StepView): Say[] {
  if (step.state === 'not-begun') return [];
  const wrong = step.state === 'recorded' || step.state === 'proved' ? [] : step.wants.slice(0, 1);
  return [...wrong, ...step.summary];
}
