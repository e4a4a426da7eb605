// The JSON shapes of the seam, as crates/job, crates/trade and docs/architecture.md give them.

export type Lang = 'en' | 'es';
/** An exact fraction: numerator and positive denominator. */
export type Ratio = [number, number];
export type Unit = 'in' | 'ft' | 'mm' | 'm' | 'psi' | 'MPa' | 'bar' | 'C' | 'F';

/** One measured value: what was typed, its exact value in `unit`, and the instrument's smallest mark. */
export interface Measure {
  typed: string;
  value: Ratio;
  unit: Unit;
  mark?: Ratio | null;
}

/** A sentence for a person: translated by `code` and `with`; `words` is the English fallback. */
export interface Say {
  code: string;
  with?: Record<string, string>;
  words: string;
}

/** A refused or failed call. */
export interface Fault extends Say {
  status: number;
  /** Further sentences, one for each refused part of the input. */
  faults?: Say[];
  /** Seconds to wait before another try (status 429). */
  wait_s?: number;
}

export interface Words {
  en: string;
  es: string;
}

export type Role = 'helper' | 'welder' | 'supervisor' | 'qc' | 'engineer' | 'inspector' | 'operations';

export interface Person {
  id: string;
  name: string;
  roles: Role[];
  lang: Lang;
  stamp?: string | null;
}

export interface Landmark {
  name: string;
  tube?: number | null;
  elevation: Measure;
  platform?: boolean;
}

export interface TubeSpec {
  od: Measure;
  wall: Measure;
  grade: string;
  design_pressure: Measure;
  metal_temperature: Measure;
  allowable: Measure;
  allowable_source: string;
  expanded?: boolean;
}

export type End = 'left' | 'right';

export interface Section {
  id: string;
  name: Words;
  short: string;
  tubes: number;
  rows: number;
  count_from: End;
  seen_from: 'inside' | 'outside';
  corner_shared: boolean;
  start: Words;
  other_end: Words;
  elevation_unit: Unit;
  low: Measure;
  high: Measure;
  clock: Words;
  landmarks: Landmark[];
  tube: TubeSpec;
}

export interface HoldPoint {
  id: string;
  after_step: number;
  name: Words;
  statement: Words;
  roles: Role[];
  covers: number[];
}

export interface Check {
  id: string;
  name: Words;
  answer: Words;
  caution: Words;
  source: string;
}

export interface Procedure {
  id: string;
  root_min: Measure;
  root: Measure;
  root_max: Measure;
  misalignment_max: Measure;
  land: Measure;
  bevel_tenths: number;
  fillers: string[];
}

export interface SitePlan {
  site: string;
  plant: string;
  unit: string;
  outage: string;
  code_of_record: string;
  silent_after_min: number;
  sections: Section[];
  people: Person[];
  hold_points: HoldPoint[];
  checks: Check[];
  procedures: Procedure[];
}

export interface By {
  person: string;
  name: string;
  device: string;
  tablet: string;
  wall_ms: number;
  /** That clock less the trailer's, ms, as nearly as is known; absent where they were never compared in that run of the tablet. */
  skew_ms?: number | null;
  counter: number;
}

/** A body as crates/job/src/kinds.rs describes it; which one is told by `kind`. */
export type Body = Record<string, unknown>;

export interface Answer<B = Body> {
  entries: string[];
  kind: string;
  body: B;
  by: By[];
  settled?: string | null;
}

export interface FieldView<B = Body> {
  state: 'agreed' | 'two-answers' | 'not-understood';
  answers: Answer<B>[];
  past: Answer<B>[];
  basis: string[];
  governs?: number | null;
  apart?: Say | null;
}

export interface ItemView<B = Body> {
  entry: string;
  kind: string;
  body: B;
  by: By;
  struck?: string | null;
}

export type StepName =
  | 'place' | 'failure' | 'readings' | 'plan' | 'before-work' | 'material'
  | 'cut-gap' | 'fit-up' | 'weld' | 'examination' | 'test' | 'close-out';

/** The twelve steps in their order, first at the foot of the tube. */
export const STEPS: readonly StepName[] = [
  'place', 'failure', 'readings', 'plan', 'before-work', 'material',
  'cut-gap', 'fit-up', 'weld', 'examination', 'test', 'close-out',
];

export type StepState = 'not-begun' | 'in-hand' | 'recorded' | 'proved' | 'two-answers' | 'not-known' | 'reject';

export interface StepView {
  step: number;
  name: StepName;
  state: StepState;
  above_level: boolean;
  wants: Say[];
  summary: Say[];
}

export type GateState = 'not-due' | 'shut' | 'open' | 'waived';

export interface SignView {
  entry: string;
  role: Role;
  by: By;
  statement: string;
  good: boolean;
  not_good?: Say | null;
  waived?: string | null;
  changed: string[];
}

export interface Covered {
  field: string;
  entries: string[];
}

export interface GateView {
  gate: string;
  after_step: number;
  state: GateState;
  roles: Role[];
  missing: Role[];
  signs: SignView[];
  stale: boolean;
  passed_shut: boolean;
  blocked: Say[];
  covers: Covered[];
}

export interface TraceInput {
  symbol: string;
  name: string;
  value: string;
}

/** The working of one sum. */
export interface Trace {
  rule: string;
  formula: string;
  inputs: TraceInput[];
  result: string;
  source: string;
  edition: string;
  range: string;
  cautions: string[];
}

export interface CountSum {
  first: number;
  second: number | null;
  tubes: number;
  state: 'not-counted' | 'meets' | 'does-not-meet' | 'same-person';
}

export interface WallSum {
  required: Measure | null;
  trace: Trace | null;
  no_number: Say | null;
  least_entry: string | null;
  least: Measure | null;
  verdict: 'not-below' | 'cannot-be-cleared' | 'below' | 'not-known';
  gauge_check: 'good' | 'out' | 'missing';
  thickness_cannot_clear: boolean;
  warnings: Say[];
}

export interface CutSum {
  missing: string[];
  gaps: Record<string, Measure>;
  spread: Measure | null;
  length: Measure | null;
  trace: Trace | null;
  no_number: Say | null;
  shrinkage: [Measure, Measure] | null;
  shrinkage_trace: Trace | null;
  openings: Record<string, Measure>;
  openings_trace: Trace | null;
  warnings: Say[];
}

export interface Sums {
  count: CountSum | null;
  wall: WallSum | null;
  cut: CutSum | null;
}

export interface Wanted {
  what: 'signature' | 'stale' | 'two-answers' | 'missing' | 'not-known' | 'reject' | 'passed-shut';
  step: number;
  gate?: string | null;
  role?: Role | null;
  field?: string | null;
  say: Say;
  since_ms: number;
}

/** Where records live: only on this tablet, or receipted by the trailer. */
export interface Lives {
  entries_here: number;
  photos_here: number;
  last_receipt_ms?: number | null;
  last_receipt_seq: number;
  state: 'only-here' | 'going' | 'in-trailer' | 'not-found';
  /** What the person must know of this tablet's series: it began a new one and must be paired again. Not for single jobs. */
  note?: Say | null;
  /** Where this tablet's key is. Not for single jobs. */
  key_home?: 'keyring' | 'file' | null;
}

export interface JobView {
  job: string;
  number: string;
  section: string;
  tube: number | null;
  elevation: Measure | null;
  side: 'fire' | 'cold' | null;
  opened: By;
  level: number;
  stands_at: number;
  full: boolean;
  steps: StepView[];
  gates: GateView[];
  fields: Record<string, FieldView>;
  lists: Record<string, ItemView[]>;
  sums: Sums;
  wanted: Wanted[];
  tablets: string[];
  entries: number;
  /** Only in answers of `job` and `record`. */
  lives?: Lives;
}

/** One line of the wall's list. */
export interface JobBrief {
  job: string;
  number: string;
  section: string;
  tube: number | null;
  elevation: Measure | null;
  side: 'fire' | 'cold' | null;
  level: number;
  stands_at: number;
  steps: StepState[];
  wanted: Wanted[];
  lives: Lives;
}

export interface TabletState {
  /** It belongs to a site and can record. */
  paired: boolean;
  /** It belongs to a site, but the trailer doesn't know it now: it records, and syncs only after a new pairing. */
  must_pair?: boolean;
  site?: string | null;
  plant?: string | null;
  unit?: string | null;
  /** False where the tablet is paired but the plan has not come over yet. */
  has_plan?: boolean;
  tablet: string;
  person?: Person | null;
  section?: string | null;
  lives: Lives;
  mm?: string | null;
  storage?: unknown;
}

export interface SyncState {
  running: boolean;
  phase: string;
  done: number;
  total: number;
  error?: Say | null;
  lives: Lives;
}

/** A series of records written on this tablet. */
export interface OwnSeries {
  series: string;
  name: string;
  current: boolean;
  head: number;
  counts_to: number | null;
  known: boolean;
  reason: string;
  receipt_seq: number;
  waiting: number;
}

/** A series of another tablet or of a trailer, as far as it is here. */
export interface OtherSeries {
  series: string;
  name: string;
  role: string;
  head: number;
  known: boolean;
  counts_to: number | null;
  apart: number;
  reason: string;
}

export interface SeriesHere {
  own: OwnSeries[];
  others: OtherSeries[];
  note?: Say | null;
  key_home: 'keyring' | 'file';
}

/** One thing that is not as it was saved. */
export interface Found extends Say {
  /** The store's own words for it. */
  what: string;
  photo?: string;
  /** For a photo: true where the trailer has signed for it. */
  in_trailer?: boolean;
}

export interface Checked {
  good: boolean;
  at_ms: number;
  entries: number;
  series: number;
  photos: number;
  /** Named by entries and not on this tablet: on another one, or in the trailer. */
  photos_missing: number;
  refused: number;
  apart: number;
  faults: Found[];
  /** What is no fault, but worth knowing; in the store's own words. */
  notices?: string[];
  say: Say;
}

export interface CheckState {
  running: boolean;
  phase: '' | 'records' | 'photos';
  /** Bytes of photos looked at. */
  done: number;
  total: number;
  result?: Checked | null;
  error?: Say | null;
}

export interface Exported {
  path: string;
  name?: string | null;
  bytes: number;
  entries: number;
  photos: number;
  damaged: number;
  photos_damaged: string[];
  say: Say;
}

export interface Imported {
  stored: number;
  known: number;
  healed: number;
  refused: number;
  unreadable: number;
  apart: number;
  photos_new: number;
  photos_known: number;
  /** False where the file was cut short. */
  whole: boolean;
  complete: boolean;
  missing: { series: string; from: number; to: number }[];
  photos_missing: string[];
  faults: string[];
  say: Say;
}

export interface Place {
  section: string;
  row: number;
  tube: number;
  elevation: Measure;
  side: 'fire' | 'cold';
  landmark: string;
}

export type PhotoSize = '256' | '1600' | 'full';

/** What `photo_put` is told beside the bytes. */
export interface PhotoMeta {
  job: string;
  view: 'overview' | 'middle' | 'close' | 'other';
  caption: string;
  name?: string;
}
