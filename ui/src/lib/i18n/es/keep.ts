// To be read by a boilermaker who speaks Spanish before it is relied on.
import type { keep as en } from '../en/keep';
import type { Message } from '../index.svelte';

export const keep: Record<keyof typeof en, Message> = {
  // Clocks
  'time.h-min': '{h}\u00a0h\u00a0{min}\u00a0min',
  'time.days-h': { one: '{n} día {h} h', other: '{n} días {h} h' },
  'skew.ahead': 'reloj de la tableta {time} adelantado al del tráiler',
  'skew.behind': 'reloj de la tableta {time} atrasado al del tráiler',
  'skew.not-compared': 'reloj sin comparar',
};
