// The JSON shapes of the board's routes, as crates/job/src/board.rs and docs/architecture.md give them.
import type { JobView, Measure, Person, Say, StepState, Wanted } from '../lib/types';

export type Heard = 'nothing-waiting' | 'waiting' | 'silent' | 'taken-off';

/** One tablet, as the trailer knows it. */
export interface TabletOnBoard {
  name: string;
  /** When it was last heard, ms on the server's clock; null if never since pairing. */
  heard_ms: number | null;
  entries_waiting: number;
  photos_waiting: number;
  /** Up to which of its entries it said that nothing is waiting. */
  waiting_as_of: number;
  /** Its clock less the server's at the last sync, ms. */
  skew_ms: number;
  heard: Heard;
  /** True once it was taken off: it may not sync, and its records count up to `counts_to`. */
  revoked?: boolean;
  /** The physical tablet. */
  device?: string;
  /** The series it was paired with. */
  incarnation?: string;
  /** Its entries up to this one count; null where all do. */
  counts_to?: number | null;
  /** How many of its entries in the trailer are kept apart. */
  apart?: number;
  /** When it was paired, where the trailer says so. */
  paired_ms?: number | null;
}

export type ApartWhy = 'unknown' | 'cut' | 'refused';

/** Records of one series that are in the trailer and count for nothing. */
export interface Apart {
  incarnation: string;
  name: string;
  why: ApartWhy;
  n: number;
  /** True where somebody with the role has looked at all of them and said what shall be. */
  looked: boolean;
}

/** How the trailer's backups stand. */
export interface Backup {
  /** When the last good one was begun; null where there was none yet. */
  last_ms: number | null;
  /** How often one is to be made, ms. */
  every_ms: number;
  late: boolean;
  problem?: Say | null;
}

/** One job as it stands on the wall. */
export interface JobOnBoard {
  job: string;
  number: string;
  section: string;
  tube: number | null;
  elevation: Measure | null;
  side: 'fire' | 'cold' | null;
  level: number;
  stands_at: number;
  full: boolean;
  steps: StepState[];
  above_level: number[];
  /** Hold points that are shut: identifier and step. */
  shut: [string, number][];
  wanted: Wanted[];
  two_answers: string[];
  opened_ms: number;
  photos_away: number;
  silent_tablets: string[];
}

export interface Counts {
  jobs: number;
  full: number;
  signatures: number;
  two_answers: number;
  stale: number;
  other: number;
  photos_away: number;
  silent: number;
  waiting: number;
  apart?: number;
  unread?: number;
  damaged?: number;
  taken_off?: number;
}

export interface BoardView {
  plant: string;
  unit: string;
  outage: string;
  ready: boolean;
  sentence: Say[];
  counts: Counts;
  by_role: Record<string, number>;
  jobs: JobOnBoard[];
  tablets: TabletOnBoard[];
  /** Records that are kept apart, by series. */
  apart?: Apart[];
  /** Absent where this server makes no backups itself. */
  backup?: Backup | null;
  /** Server time of this board. */
  now_ms: number;
}

/** A one-time code with everything a tablet needs. */
export interface Invitation {
  text: string;
  address: string;
  code: string;
  fingerprint: string;
  expires_ms: number;
  svg: string;
}

export type BoardPerson = Pick<Person, 'id' | 'name' | 'roles' | 'lang'>;

export interface Settlement {
  job: string;
  field: string;
  body: Record<string, unknown>;
  reason: string;
  basis: string[];
  pin: string;
}

export interface Settled {
  saved: string[];
  view: JobView;
}

/** A series of records and how it stands. */
export interface SeriesOnBoard {
  incarnation: string;
  device: string;
  name: string;
  role: string;
  standing: 'own' | 'counts' | 'cut' | 'unknown';
  /** Its last entry here. */
  head: number;
  /** Entries up to this one count; null where all do. */
  counts_to: number | null;
  /** How many entries are here and do not count. */
  apart: number;
  /** How many were refused and are kept beside it. */
  refused: number;
  looked: boolean;
  reason: string;
  /** The statements that stand: sent back with a change. */
  said: string[];
  /** True where a paired tablet writes it. */
  paired: boolean;
}

/** One entry that is kept apart, as far as it can be read. */
export interface ApartEntry {
  seq: number;
  hash: string;
  kind?: string;
  version?: number;
  subject?: string;
  person?: string;
  /** Name from the roster, where it is on it. */
  name?: string | null;
  wall_ms?: number;
  skew_ms?: number | null;
  body?: Record<string, unknown>;
  /** Why it was not taken in. */
  refused?: string;
}

export interface ApartPage {
  series: SeriesOnBoard;
  entries: ApartEntry[];
  refused: ApartEntry[];
  /** Where to ask on from; null at the end. */
  next: number | null;
}
