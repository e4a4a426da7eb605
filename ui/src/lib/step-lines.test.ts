import { describe, expect, it } from 'vitest';
import { stepLines } from './step-lines';
import type { StepView } from './types';

const say = (code: string) => ({ code, words: code });
const step = (state: StepView['state']): StepView => ({ step: 3, name: 'readings', state, above_level: false, wants: [say('readings-few')], summary: [say('readings'), say('wall-below')] });

describe('what a step says beside its mark', () => {
  it('leaves out nothing that stands, and says first what is wrong', () => {
    expect(stepLines(step('recorded')).map((s) => s.code)).toEqual(['readings', 'wall-below']);
    expect(stepLines(step('proved')).map((s) => s.code)).toEqual(['readings', 'wall-below']);
    for (const state of ['in-hand', 'reject', 'not-known', 'two-answers'] as const) {
      expect(stepLines(step(state)).map((s) => s.code)).toEqual(['readings-few', 'readings', 'wall-below']);
    }
    expect(stepLines(step('not-begun'))).toEqual([]);
  });
});
