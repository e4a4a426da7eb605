// A step with several screens keeps the chosen one in the address: `#/job/<id>/step/<step>/<part>`.
import { router } from '../router.svelte';

/** The part asked for in the address, or null. */
export function partAsked(): string | null {
  return router.path[4] ?? null;
}
