// Names of what the site plan names, in the language of the screen.
import { words } from './i18n/index.svelte';
import type { SitePlan } from './types';

/** The hold point by its name; by its identifier where the plan is not here or does not know it. */
export function gateName(plan: SitePlan | null, id: string): string {
  const point = plan?.hold_points.find((h) => h.id === id);
  return point ? words(point.name) : id;
}
