import type { board as en } from '../en/board';
import type { Message } from '../index.svelte';

export const board: Record<keyof typeof en, Message> = {};
