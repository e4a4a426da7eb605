import type {
  Body, CheckState, Covered, Exported, Fault, Imported, JobBrief, JobView, Lang, PhotoMeta, PhotoSize, Person, Place, Role, Say, SeriesHere, SitePlan, SyncState, TabletState,
} from '../types';

export interface Saved {
  saved: string[];
  view: JobView;
}

/** What a stored picture looks like to the machine. */
export interface PhotoSaved extends Saved {
  hash: string;
  look?: { blurred?: boolean; dark?: boolean; not_known?: boolean };
  /** True where these very bytes were stored before. */
  already?: boolean;
  /** Something the person should know, e.g. that no small picture could be made. */
  note?: Say | null;
}

/** Every call of the tablet seam: what goes in and what comes back. See docs/architecture.md. */
export interface Calls {
  state: { args: Record<string, never>; answer: TabletState };
  people: { args: Record<string, never>; answer: Person[] };
  sign_in: { args: { person: string; pin: string }; answer: { person: Person } };
  sign_out: { args: Record<string, never>; answer: Record<string, never> };
  plan: { args: Record<string, never>; answer: SitePlan };
  pair: { args: { text: string } | { address: string; code: string; name?: string }; answer: { site: string; plant: string; tablet: string } };
  jobs: { args: { section?: string }; answer: JobBrief[] };
  job: { args: { job: string; hide?: string[] }; answer: JobView };
  open_job: { args: { section: string; place: Place }; answer: { job: string; number: string } };
  record: { args: { job: string; field: string; body: Body; basis: string[] }; answer: Saved };
  settle: { args: { job: string; field: string; body: Body; reason: string; basis: string[]; pin: string }; answer: Saved };
  strike: { args: { job: string; field: string; entry: string; reason: string }; answer: Saved };
  may_sign: {
    args: { job: string; gate: string; lang?: Lang };
    answer: { roles: { role: Role; may: boolean; why?: Say | null }[]; statement: { en: string; es: string } | string; covers: Covered[]; waive?: Role[] };
  };
  sign: { args: { job: string; gate: string; role: Role; pin: string; lang: Lang; covers: Covered[] }; answer: Saved };
  waive: { args: { job: string; gate: string; role: Role; pin: string; lang: Lang; reason: string; covers?: Covered[] }; answer: Saved };
  sum: { args: { name: string } & Record<string, unknown>; answer: unknown };
  draft_set: { args: { key: string; value: unknown }; answer: Record<string, never> };
  draft_get: { args: { key: string }; answer: unknown };
  sync_start: { args: Record<string, never>; answer: { started: boolean } };
  sync_state: { args: Record<string, never>; answer: SyncState };
  set_address: { args: { address: string }; answer: { address: string } };
  series: { args: Record<string, never>; answer: SeriesHere };
  /** Begins a check unless one runs. */
  check_store: { args: Record<string, never>; answer: CheckState };
  check_state: { args: Record<string, never>; answer: CheckState };
  export_store: { args: { to?: string }; answer: Exported };
  import_store: { args: { path: string }; answer: Imported };
  set_section: { args: { section: string }; answer: Record<string, never> };
  set_mm: { args: { mm: string }; answer: Record<string, never> };
}

export type CallName = keyof Calls;

/** What the screens know of the world. `tauri.ts` and `http.ts` are its two forms. */
export interface Backend {
  readonly kind: string;
  /** Rejects with a `BackendFault`, never with anything else. */
  call<C extends CallName>(name: C, args: Calls[C]['args']): Promise<Calls[C]['answer']>;
  /** Stores the untouched bytes of one picture and its entry; resolves once both are durable. */
  photoPut(meta: PhotoMeta, bytes: Blob): Promise<PhotoSaved>;
  /** Address of a stored picture. */
  photoUrl(hash: string, size: PhotoSize): string;
}

/** The one error that leaves the seam. */
export class BackendFault extends Error implements Fault {
  readonly code: string;
  readonly with: Record<string, string>;
  readonly words: string;
  readonly status: number;
  readonly faults: Say[];
  readonly wait_s: number | undefined;

  constructor(fault: Fault) {
    super(fault.words);
    this.name = 'BackendFault';
    this.code = fault.code;
    this.with = fault.with ?? {};
    this.words = fault.words;
    this.status = fault.status;
    this.faults = fault.faults ?? [];
    const wait = fault.wait_s ?? Number(fault.with?.wait_s);
    this.wait_s = Number.isFinite(wait) ? wait : undefined;
  }

  /** True where the same value may be sent again with `read_twice` after the person looked once more. */
  get asks(): boolean {
    return this.code.startsWith('ask-') || (this.faults.length > 0 && this.faults.every((f) => f.code.startsWith('ask-')));
  }
}

/** Makes a fault of whatever came back, so that the screens see one shape only. */
export function asFault(raw: unknown, status: number): BackendFault {
  if (raw instanceof BackendFault) return raw;
  let value = raw;
  if (typeof value === 'string') {
    try {
      value = JSON.parse(value) as unknown;
    } catch {
      // plain words from below the seam
    }
  }
  if (typeof value === 'object' && value !== null && 'code' in value && 'words' in value) {
    const fault = value as Fault;
    return new BackendFault({ ...fault, status: fault.status || status });
  }
  return new BackendFault({
    code: 'seam-broken',
    words: 'The program behind the screen did not answer as it should. What was saved before is safe on this tablet. Try once more; if it happens again, close the program and open it.',
    with: { detail: typeof value === 'string' ? value : value instanceof Error ? value.message : '' },
    status,
  });
}
