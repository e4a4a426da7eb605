import { board } from './board';
import { core } from './core';
import { steps } from './steps';
import type { en } from '../en';
import type { Message } from '../index.svelte';

export const es: Record<keyof typeof en, Message> = { ...core, ...steps, ...board };
