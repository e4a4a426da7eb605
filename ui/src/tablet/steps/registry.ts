// Which screen shows which step. `place` has its own screen beside this registry.
import type { StepName } from '../../lib/types';
import type { AnswersScreen, GateScreen, StepScreen } from '../contract';
import Answers from './Answers.svelte';
import BeforeWork from './BeforeWork.svelte';
import CloseOut from './CloseOut.svelte';
import CutStep from './CutStep.svelte';
import FailureStep from './FailureStep.svelte';
import FitUp from './FitUp.svelte';
import Gate from './Gate.svelte';
import MaterialStep from './MaterialStep.svelte';
import PlanStep from './PlanStep.svelte';
import PressureTest from './PressureTest.svelte';
import ReadingsStep from './ReadingsStep.svelte';
import Visual from './Visual.svelte';
import Welds from './Welds.svelte';

export const stepScreens: Partial<Record<StepName, StepScreen>> = {
  failure: FailureStep,
  readings: ReadingsStep,
  plan: PlanStep,
  'before-work': BeforeWork,
  material: MaterialStep,
  'cut-gap': CutStep,
  'fit-up': FitUp,
  weld: Welds,
  examination: Visual,
  test: PressureTest,
  'close-out': CloseOut,
};
export const gateScreen: GateScreen = Gate;
export const answersScreen: AnswersScreen = Answers;
