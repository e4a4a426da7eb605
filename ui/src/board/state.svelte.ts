// What every part of the board knows: who is signed in, what the trailer last said and when, and whether it still answers.
import { asFault, BackendFault } from '../lib/backend/backend';
import { namePlan, setLang } from '../lib/i18n/index.svelte';
import { size } from '../lib/size.svelte';
import type { JobView, Lang, Section, SitePlan } from '../lib/types';
import { api } from './api';
import { isOld } from './order';
import type { BoardPerson, BoardView } from './types';

type Mode = 'daylight' | 'furnace';

/** How often the board asks, ms. */
export const EVERY = 4_000;
/** CSS pixels in one millimetre of a desk screen or phone (96 in an inch): the same sizes as the tablet's, read from nearer. */
const DESK_MM = 96 / 25.4;

function remember(key: string, value: string): void {
  try {
    localStorage.setItem(key, value);
  } catch {
    // a browser without storage forgets the choice
  }
}
function recall(key: string): string | null {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

class Board {
  /** False until the first answer on whether somebody is signed in. */
  begun = $state(false);
  person = $state.raw<BoardPerson | null>(null);
  plan = $state.raw<SitePlan | null>(null);
  view = $state.raw<BoardView | null>(null);
  /** The open job as it was read with the board that is shown. */
  job = $state.raw<JobView | null>(null);
  jobFault = $state.raw<BackendFault | null>(null);
  /** Why the last question was not answered; null after an answer. */
  lost = $state.raw<BackendFault | null>(null);
  /** Why the person is back at the sign-in: the session ended under the hand. */
  ended = $state.raw<BackendFault | null>(null);
  /** This machine's clock when the last answer came. */
  answered = $state(0);
  /** This machine's clock, once a second. */
  now = $state(Date.now());
  mode = $state<Mode>('daylight');
  language = $state<Lang>('en');

  #open: string | null = null;
  #timer: ReturnType<typeof setTimeout> | null = null;
  #asking = false;

  /** True while what is shown is what the server says now: the only time at which anything may be called ready. */
  get live(): boolean {
    return this.view !== null && this.lost === null && !isOld(this.answered, this.now, EVERY);
  }
  /** The server's clock now, reckoned from its last answer. */
  get serverNow(): number {
    return (this.view?.now_ms ?? this.now) + Math.max(0, this.now - this.answered);
  }
  /** Sections of the plan; those that only jobs name come after. */
  get sections(): Section[] {
    return this.plan?.sections ?? [];
  }
  sectionOf(id: string): Section | null {
    return this.sections.find((s) => s.id === id) ?? null;
  }
  get settles(): boolean {
    return this.person?.roles.some((r) => r === 'supervisor' || r === 'qc') ?? false;
  }
  get supervises(): boolean {
    return this.person?.roles.includes('supervisor') ?? false;
  }

  /** Begins: who is signed in here, then the board. Gives the way to stop. */
  start(): () => void {
    const clock = setInterval(() => (this.now = Date.now()), 1_000);
    const seen = () => {
      if (document.visibilityState !== 'visible') return;
      this.now = Date.now();
      void this.poll();
    };
    document.addEventListener('visibilitychange', seen);
    void this.#first();
    return () => {
      clearInterval(clock);
      document.removeEventListener('visibilitychange', seen);
      if (this.#timer !== null) clearTimeout(this.#timer);
    };
  }

  async #first(): Promise<void> {
    try {
      this.person = (await api.who()).person;
      this.lost = null;
    } catch (raw) {
      const fault = asFault(raw, 500);
      if (fault.status !== 401) this.lost = fault;
    }
    this.begun = true;
    if (this.person) await this.poll();
    else if (this.lost) this.#later(() => this.#first());
  }

  #later(what: () => Promise<void>): void {
    if (this.#timer !== null) clearTimeout(this.#timer);
    this.#timer = setTimeout(() => void what(), EVERY);
  }

  /** Asks once and plans the next question. Never two at once. */
  async poll(): Promise<void> {
    if (!this.person || this.#asking) return;
    this.#asking = true;
    try {
      await this.#ask();
    } finally {
      this.#asking = false;
    }
    if (this.person) this.#later(() => this.poll());
  }

  async #ask(): Promise<void> {
    try {
      const view = await api.board();
      this.plan ??= await this.#plan();
      this.view = view;
      this.answered = this.now = Date.now();
      this.lost = null;
    } catch (raw) {
      this.#failed(asFault(raw, 500));
      return;
    }
    await this.#readJob();
  }

  /** Names for what the board gives by identifiers. Without them the identifiers are shown, and it is asked for again. */
  async #plan(): Promise<SitePlan | null> {
    try {
      const plan = await api.plan();
      namePlan(plan.hold_points, plan.checks);
      return plan;
    } catch (raw) {
      const fault = asFault(raw, 500);
      if (fault.status === 401) throw fault;
      return null;
    }
  }

  #failed(fault: BackendFault): void {
    if (fault.status !== 401) {
      this.lost = fault;
      return;
    }
    this.#forget();
    this.ended = fault;
  }

  #forget(): void {
    this.person = null;
    this.view = null;
    this.job = null;
    this.lost = null;
    this.plan = null;
  }

  /** Opens a job, or none. */
  async open(id: string | null): Promise<void> {
    if (this.#open !== id) {
      this.job = null;
      this.jobFault = null;
    }
    this.#open = id;
    if (this.person) await this.#readJob();
  }

  async #readJob(): Promise<void> {
    const id = this.#open;
    if (!id) return;
    try {
      const job = await api.job(id);
      if (this.#open !== id) return;
      this.job = job;
      this.jobFault = null;
    } catch (raw) {
      if (this.#open !== id) return;
      const fault = asFault(raw, 500);
      if (fault.status === 401) this.#failed(fault);
      else if (fault.status < 500) this.jobFault = fault;
      else this.lost = fault;
    }
  }

  /** A settlement brought the job's new view along. */
  took(job: JobView): void {
    if (this.#open === job.job) this.job = job;
    void this.poll();
  }

  async signIn(person: string, pin: string): Promise<BackendFault | null> {
    try {
      const answer = await api.signIn(person, pin);
      this.person = answer.person;
      this.ended = null;
      this.setLanguage(answer.person.lang);
    } catch (raw) {
      return asFault(raw, 500);
    }
    await this.poll();
    return null;
  }

  async signOut(): Promise<void> {
    try {
      await api.signOut();
      this.#forget();
      this.ended = null;
    } catch (raw) {
      this.#failed(asFault(raw, 500));
    }
  }

  setMode(mode: Mode): void {
    this.mode = mode;
    document.documentElement.dataset.mode = mode;
    remember('mode', mode);
  }

  setLanguage(lang: Lang): void {
    this.language = lang;
    setLang(lang);
    remember('lang', lang);
  }

  /** Language and light as this browser was left; sizes for a screen on a desk. */
  restore(): void {
    size.mm = DESK_MM;
    document.documentElement.style.setProperty('--mm', DESK_MM.toFixed(3));
    this.setMode(recall('mode') === 'furnace' ? 'furnace' : 'daylight');
    const lang = recall('lang') ?? (navigator.language.startsWith('es') ? 'es' : 'en');
    this.setLanguage(lang === 'es' ? 'es' : 'en');
  }
}

export const board = new Board();
