import { board } from './board';
import { core } from './core';
import { says } from './says';
import { steps } from './steps';

export const en = { ...core, ...says, ...steps, ...board };
