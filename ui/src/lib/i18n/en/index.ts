import { board } from './board';
import { core } from './core';
import { keep } from './keep';
import { series } from './series';
import { steps } from './steps';

export const en = { ...core, ...steps, ...keep, ...board, ...series };
