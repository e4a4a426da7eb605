import type { Key } from './i18n/index.svelte';

export type MarkName =
  | 'not-begun' | 'in-hand' | 'recorded' | 'proved' | 'signed' | 'stale' | 'gate-not-due' | 'gate-shut' | 'gate-open' | 'waived'
  | 'two-answers' | 'reject' | 'not-known' | 'above-level' | 'only-here' | 'part-in' | 'in-trailer' | 'silent';

interface MarkShape {
  /** Outlines, drawn with the stroke. */
  stroke?: string;
  /** Areas, filled. */
  fill?: string;
  /** Dash pattern of the outline. */
  dash?: string;
  /** Colour token: third after shape and word. */
  hue: 'line' | 'chalk' | 'water' | 'ember';
  word: Key;
}

const RING = 'M12 3a9 9 0 1 1 0 18a9 9 0 1 1 0-18z';

/** The marks on a 24 x 24 field, stroke 3.2: told apart in one-bit black and white at 4 mm. */
export const MARKS: Record<MarkName, MarkShape> = {
  'not-begun': { stroke: RING, hue: 'line', word: 'mark.not-begun' },
  'in-hand': { stroke: RING, fill: 'M3 12a9 9 0 0 0 18 0z', hue: 'chalk', word: 'mark.in-hand' },
  recorded: { fill: 'M12 1.5a10.5 10.5 0 1 1 0 21a10.5 10.5 0 1 1 0-21z', hue: 'chalk', word: 'mark.recorded' },
  proved: { stroke: 'M2 1v22M22 1v22', fill: 'M12 5a7 7 0 1 1 0 14a7 7 0 1 1 0-14z', hue: 'water', word: 'mark.proved' },
  signed: { fill: 'M2 2h12l8 8v12H2z', hue: 'water', word: 'mark.signed' },
  stale: { fill: 'M2 2h12l8 7-5-1-4 4-4-3-7 4zM2 18l7-4 4 3 4-4 5 1v8H2z', hue: 'ember', word: 'mark.stale' },
  'gate-not-due': { stroke: 'M2 19V8h20v11', hue: 'line', word: 'mark.gate-not-due' },
  'gate-shut': { fill: 'M0 6h24v14h-4v-6H4v6H0z', hue: 'ember', word: 'mark.gate-shut' },
  'gate-open': { fill: 'M0 9h7v6H0zM17 9h7v6h-7z', hue: 'water', word: 'mark.gate-open' },
  waived: { fill: 'M0 5h24v14H0zM12 8a4 4 0 1 0 0 8a4 4 0 1 0 0-8z', hue: 'ember', word: 'mark.waived' },
  'two-answers': { fill: 'M1 10.5a8.5 8.5 0 0 1 17 0zM6 13.5h17a8.5 8.5 0 0 1-17 0z', hue: 'ember', word: 'mark.two-answers' },
  reject: { stroke: 'M4 4l16 16M20 4L4 20', hue: 'ember', word: 'mark.reject' },
  'not-known': { stroke: RING, dash: '4.7 4.7', hue: 'line', word: 'mark.not-known' },
  'above-level': { stroke: 'M1 8L8 1M1 16L16 1M1 23L23 1M8 23L23 8M16 23l7-7', hue: 'chalk', word: 'mark.above-level' },
  'only-here': { stroke: 'M2.5 4.5h19L12 21z', hue: 'chalk', word: 'mark.only-here' },
  'part-in': { stroke: 'M2.5 4.5h19L12 21z', fill: 'M2.5 4.5h19l-4.6 8H7.1z', hue: 'chalk', word: 'mark.part-in' },
  'in-trailer': { fill: 'M12 1.5L23.5 22H.5z', hue: 'water', word: 'mark.in-trailer' },
  silent: { stroke: 'M12 3.5L21.5 20h-19z', dash: '4 4', hue: 'ember', word: 'mark.silent' },
};
