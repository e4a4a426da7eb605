import { untrack } from 'svelte';
import { loadDraft, saveDraft } from '../drafts';

/**
 * Keeps what is half typed on a screen through a kill of the program. To be called while the component is set up.
 * `read` gives what to keep, or null where nothing is typed; `put` gets back what was kept. Whatever the person has
 * typed before the draft arrived wins over the draft.
 */
export function keepDraft<T>(key: () => string, read: () => T | null, put: (kept: T) => void): void {
  let ready = $state('');
  // A value of its own: the job is a new object after every save, and a draft is to be fetched only when its key is another.
  const k0 = $derived(key());
  $effect(() => {
    const k = k0;
    let alive = true;
    void loadDraft<T>(k).then((kept) => {
      if (!alive) return;
      if (kept !== null && untrack(read) === null) put(kept);
      ready = k;
    });
    return () => (alive = false);
  });
  $effect(() => {
    const k = k0;
    const value = read();
    if (ready === k) saveDraft(k, value);
  });
}
