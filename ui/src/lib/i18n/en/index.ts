import { board } from './board';
import { core } from './core';
import { steps } from './steps';

export const en = { ...core, ...steps, ...board };
