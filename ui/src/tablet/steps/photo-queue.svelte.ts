import { asFault, backend, type BackendFault, type Saved } from '../../lib/backend';
import type { JobView, PhotoMeta, Say } from '../../lib/types';

/** What the tablet says of a stored photo beside the record. */
interface Stored extends Saved {
  hash?: string;
  look?: { blurred?: boolean; dark?: boolean; not_known?: boolean };
  note?: Say;
}

export type Look = 'sharp' | 'blurred' | 'dark' | 'not-known';
export type View = PhotoMeta['view'];

interface Waiting {
  view: View;
  caption: string;
  bytes: Blob;
  name?: string;
}

/** Largest file taken: what the tablet decodes without running out of memory. */
const LARGEST = 64e6;

/**
 * Photos go to the tablet's disk one after the other, in the background: the camera stays open and the screen alive.
 * The bytes travel as they are, never as text.
 */
export class PhotoQueue {
  waiting = $state.raw<readonly Waiting[]>([]);
  /** How each photo looked, by its hash, as long as this screen is open. */
  looks = $state<Record<string, Look>>({});
  fault = $state.raw<BackendFault | null>(null);
  /** A file that was not taken, as a key of the words. */
  refused = $state<'too-big' | 'not-image' | null>(null);
  saved = $state(0);
  #running = false;
  readonly #job: string;
  readonly #took: (view: JobView) => void;

  constructor(job: string, took: (view: JobView) => void) {
    this.#job = job;
    this.#took = took;
  }

  /** The photo that is being saved, or none. */
  get current(): Waiting | null {
    return this.waiting[0] ?? null;
  }

  add(photo: Waiting): void {
    this.refused = null;
    if (photo.bytes.size > LARGEST) {
      this.refused = 'too-big';
      return;
    }
    if (photo.bytes.type !== '' && !/^image\/(jpeg|png)$/.test(photo.bytes.type)) {
      this.refused = 'not-image';
      return;
    }
    this.waiting = [...this.waiting, photo];
    void this.#run();
  }

  /** Tries again after a fault; nothing that waits was thrown away. */
  again(): void {
    this.fault = null;
    void this.#run();
  }

  /** Gives up the photo that could not be saved. */
  drop(): void {
    this.waiting = this.waiting.slice(1);
    this.again();
  }

  async #run(): Promise<void> {
    if (this.#running) return;
    this.#running = true;
    try {
      for (let photo = this.current; photo; photo = this.current) {
        const meta: PhotoMeta = { job: this.#job, view: photo.view, caption: photo.caption, ...(photo.name ? { name: photo.name } : {}) };
        const stored = (await backend.photoPut(meta, photo.bytes)) as Stored;
        const hash = stored.hash ?? newest(stored);
        if (hash) this.looks[hash] = lookOf(stored);
        this.waiting = this.waiting.slice(1);
        this.saved += 1;
        this.#took(stored.view);
      }
    } catch (raw) {
      this.fault = asFault(raw, 500);
    } finally {
      this.#running = false;
    }
  }
}

function newest(stored: Stored): string | undefined {
  const item = stored.view.lists.photos?.find((i) => stored.saved.includes(i.entry));
  return typeof item?.body.hash === 'string' ? item.body.hash : undefined;
}

function lookOf(stored: Stored): Look {
  const look = stored.look;
  if (!look || look.not_known) return 'not-known';
  return look.dark ? 'dark' : look.blurred ? 'blurred' : 'sharp';
}
