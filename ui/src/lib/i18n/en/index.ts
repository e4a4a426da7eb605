import { board } from './board';
import { core } from './core';
import { keep } from './keep';
import { steps } from './steps';

export const en = { ...core, ...steps, ...keep, ...board };
