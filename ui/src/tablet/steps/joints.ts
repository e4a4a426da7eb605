import type { JobView } from '../../lib/types';

export type Joint = 'upper' | 'lower' | 'patch';

/** The joints of the planned method: a replaced length has two, any other method a single patch. */
export function jointsOf(job: JobView): readonly Joint[] {
  const method = job.fields.plan?.answers[0]?.body.method;
  return method === 'window' || method === 'pad' || method === 'plug' ? ['patch'] : ['upper', 'lower'];
}

/** The joint asked for in the address. Nothing is chosen by itself where there are two. */
export function jointAsked(asked: string | null, joints: readonly Joint[]): Joint | null {
  if (joints.length === 1) return joints[0] ?? null;
  return joints.find((j) => j === asked) ?? null;
}
