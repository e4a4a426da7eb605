import { board } from './board';
import { core } from './core';
import { keep } from './keep';
import { series } from './series';
import { steps } from './steps';
import type { en } from '../en';
import type { Message } from '../index.svelte';

export const es: Record<keyof typeof en, Message> = { ...core, ...steps, ...keep, ...board, ...series };
