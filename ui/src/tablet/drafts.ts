// Half-typed values live below the seam, so that they survive a kill of the program. A draft is never a record.
import { backend } from '../lib/backend';

const waiting = new Map<string, { value: unknown; timer: ReturnType<typeof setTimeout> }>();

function send(key: string, value: unknown): void {
  // A draft that could not be kept is no loss of a record; the disk's own fault comes with the next save.
  backend.call('draft_set', { key, value }).catch(() => undefined);
}

/** Keeps a half-typed value a moment after the last key. `null` forgets it. */
export function saveDraft(key: string, value: unknown): void {
  const old = waiting.get(key);
  if (old) clearTimeout(old.timer);
  if (value === null) {
    waiting.delete(key);
    send(key, null);
    return;
  }
  const copy: unknown = JSON.parse(JSON.stringify(value));
  const timer = setTimeout(() => {
    waiting.delete(key);
    send(key, copy);
  }, 200);
  waiting.set(key, { value: copy, timer });
}

/** What was half typed, or null. */
export async function loadDraft<T>(key: string): Promise<T | null> {
  const pending = waiting.get(key);
  if (pending) return pending.value as T;
  try {
    const raw = await backend.call('draft_get', { key });
    // The answer is the value itself, or stands under `value`.
    const value = typeof raw === 'object' && raw !== null && 'value' in raw && Object.keys(raw).length === 1 ? raw.value : raw;
    return (value ?? null) as T | null;
  } catch {
    return null;
  }
}

function flush(): void {
  for (const [key, { value, timer }] of waiting) {
    clearTimeout(timer);
    send(key, value);
  }
  waiting.clear();
}

document.addEventListener('visibilitychange', () => {
  if (document.visibilityState === 'hidden') flush();
});
window.addEventListener('pagehide', flush);
