// Contrast of the tokens, from the style sheet itself: text 7:1, edges and marks 4:1, in both modes.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';

const css = readFileSync(join(import.meta.dirname, 'tokens.css'), 'utf8');

function colours(block: string): Record<string, string> {
  return Object.fromEntries([...block.matchAll(/--([\w-]+):\s*(#[0-9a-f]{6});/gi)].map((m) => [m[1] ?? '', m[2] ?? '']));
}
const [day = '', furnace = ''] = css.split(":root[data-mode='furnace']");
const modes = { daylight: colours(day), furnace: colours(furnace) };

/** Relative luminance and contrast as WCAG 2.2 defines them. */
function luminance(hex: string): number {
  const [r = 0, g = 0, b = 0] = [1, 3, 5].map((i) => {
    const v = parseInt(hex.slice(i, i + 2), 16) / 255;
    return v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4;
  });
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}
function contrast(a: string, b: string): number {
  const [x, y] = [luminance(a), luminance(b)].sort((p, q) => p - q) as [number, number];
  return (y + 0.05) / (x + 0.05);
}

describe('tokens', () => {
  for (const [mode, c] of Object.entries(modes)) {
    it(`keeps its contrast in ${mode} mode`, () => {
      const grounds = ['ground', 'plate', 'well'];
      const get = (name: string) => {
        const value = c[name];
        if (!value) throw new Error(`no token ${name} in ${mode}`);
        return value;
      };
      for (const text of ['chalk', 'chalk-2', 'water', 'ember']) {
        const worst = Math.min(...grounds.map((g) => contrast(get(text), get(g))));
        console.log(`${mode} ${text} ${worst.toFixed(1)}:1`);
        expect(worst, text).toBeGreaterThanOrEqual(7);
      }
      expect(Math.min(...grounds.map((g) => contrast(get('line'), get(g))))).toBeGreaterThanOrEqual(4);
      expect(contrast(get('on-water'), get('water'))).toBeGreaterThanOrEqual(7);
      expect(contrast(get('on-ember'), get('ember'))).toBeGreaterThanOrEqual(7);
    });
  }
});
