// Which screen shows which step. `place` has its own screen beside this registry.
import type { StepName } from '../../lib/types';
import type { AnswersScreen, GateScreen, StepScreen } from '../contract';

export const stepScreens: Partial<Record<StepName, StepScreen>> = {};
export const gateScreen: GateScreen | null = null;
export const answersScreen: AnswersScreen | null = null;
