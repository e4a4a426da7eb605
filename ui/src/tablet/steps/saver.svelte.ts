import { asFault, type BackendFault, type Saved } from '../../lib/backend';
import type { Outcome } from '../contract';

/** How long a save may take before the screen says so, ms. */
const SAY_SAVING_AFTER = 100;

/** One screen's saves: never two at once; a refusal stays until it is answered; "saved" only after the disk has it. */
export class Saver {
  /** True from the tap on, so that a second tap can't save twice. */
  busy = $state(false);
  /** True once it has taken long enough to be said. */
  slow = $state(false);
  saved = $state(false);
  fault = $state.raw<BackendFault | null>(null);

  async run(work: () => Promise<Outcome>): Promise<Outcome | null> {
    if (this.busy) return null;
    this.busy = true;
    this.saved = false;
    this.fault = null;
    const timer = setTimeout(() => (this.slow = true), SAY_SAVING_AFTER);
    try {
      const outcome = await work();
      this.saved = outcome.ok;
      this.fault = outcome.ok ? null : outcome.fault;
      return outcome;
    } finally {
      clearTimeout(timer);
      this.slow = false;
      this.busy = false;
    }
  }

  /** Something was typed: the old "saved" no longer speaks of what is on the screen. */
  touched(): void {
    this.saved = false;
    if (this.fault && !this.fault.asks) this.fault = null;
  }
}

/** A call of the seam as an outcome: nothing is thrown past the screens. */
export async function attempt(call: Promise<Saved>): Promise<Outcome> {
  try {
    const { saved, view } = await call;
    return { ok: true, saved, view };
  } catch (raw) {
    const fault = asFault(raw, 500);
    return { ok: false, ask: fault.asks, fault };
  }
}

/**
 * The "read it once more" of one figure. The first unlikely figure is asked about and the pad emptied; the same figure
 * entered anew is sent with `read_twice`, another one is taken as a new first figure.
 */
export class AskAgain {
  /** What was asked about, as text; null where nothing is asked. */
  asked = $state<string | null>(null);
  /** True where the second figure was not the first. */
  differs = $state(false);

  /** True if this figure is the same one entered a second time. */
  twice(figure: string): boolean {
    return this.asked !== null && this.asked === figure;
  }

  /** To be told of each outcome; true where it asks. */
  heard(outcome: Outcome | null, figure: string): boolean {
    if (outcome?.ok !== false || !outcome.ask) {
      if (outcome?.ok) this.forget();
      return false;
    }
    this.differs = this.asked !== null && this.asked !== figure;
    this.asked = figure;
    return true;
  }

  forget(): void {
    this.asked = null;
    this.differs = false;
  }
}
