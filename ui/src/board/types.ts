// The JSON shapes of the board's routes, as crates/job/src/board.rs and docs/architecture.md give them.
import type { JobView, Measure, Person, Say, StepState, Wanted } from '../lib/types';

export type Heard = 'nothing-waiting' | 'waiting' | 'silent';

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
