// How a value is measured or looked at again at the board: which figures, choices and words one body is made of.
import { t, tCode, type Key } from '../lib/i18n/index.svelte';
import { PADS } from '../lib/pad';
import type { Answer, Body, Section, SitePlan } from '../lib/types';
import { count, elevationPads, figure, metricFirst, ordered, stands, STEP_PADS, TAPE, type Entries, type FigureField } from '../tablet/steps/figures';

interface Choice {
  id: string;
  legend: string;
  options: { value: string; label: string }[];
}
interface Words {
  id: string;
  label: string;
  /** May stay empty. */
  optional?: boolean;
}

/** The form of one kind of body. */
export interface AgainForm {
  figures: FigureField[];
  choices: Choice[];
  words: Words[];
  /** What the new body takes over unasked because it is not in question: the section of a place, the name of a check. */
  fixed: Body;
}

/** What has been entered. */
export interface AgainEntry {
  figures: Entries;
  choices: Record<string, string | null>;
  words: Record<string, string>;
}

export const NOTHING: AgainEntry = { figures: {}, choices: {}, words: {} };

function options(prefix: string, codes: readonly string[]): Choice['options'] {
  return codes.map((value) => ({ value, label: tCode(prefix, value) }));
}

type Parts = Partial<AgainForm>;
const FORMS: Record<string, (section: Section, plan: SitePlan) => Parts> = {
  gap: (s) => ({ figures: [{ id: 'gap', label: t('st.gap.short'), specs: ordered(TAPE, metricFirst(s)) }], words: [{ id: 'instrument', label: t('st.gap.instrument'), optional: true }] }),
  piece: (s) => ({ figures: [{ id: 'length', label: t('st.piece.length'), specs: ordered(TAPE, metricFirst(s)), code: 'piece' }] }),
  'second-count': () => ({ figures: [{ id: 'tube', label: t('st.field.second-count'), specs: [PADS.count] }] }),
  place: (s) => ({
    figures: [
      { id: 'tube', label: t('plate.tube'), specs: [PADS.count] },
      { id: 'elevation', label: t('place.elevation'), specs: elevationPads(s) },
      ...(s.rows > 1 ? [{ id: 'row', label: t('place.row'), specs: [PADS.count] }] : []),
    ],
    choices: [{ id: 'side', legend: t('place.side'), options: options('side', ['fire', 'cold']) }],
    words: [{ id: 'landmark', label: t('place.landmark'), optional: true }],
    fixed: { section: s.id, ...(s.rows > 1 ? {} : { row: 1 }) },
  }),
  'fit-up': (s) => ({
    figures: [
      { id: 'root', label: t('st.fit.root'), specs: ordered(STEP_PADS.small, metricFirst(s)) },
      { id: 'misalignment', label: t('st.fit.misalign'), specs: ordered(STEP_PADS.small, metricFirst(s)) },
    ],
    words: [{ id: 'stamp', label: t('st.fit.stamp') }],
  }),
  check: () => ({
    choices: [{ id: 'result', legend: t('st.check.result'), options: options('st.check', ['good', 'not-good']) }],
    words: [{ id: 'saw', label: t('st.check.saw') }],
  }),
  visual: () => ({
    choices: [{ id: 'result', legend: t('st.vis.result'), options: options('st.vis', ['accept', 'reject']) }],
    words: [{ id: 'saw', label: t('st.vis.saw') }],
  }),
  'pressure-test': () => ({
    figures: [
      { id: 'pressure', label: t('st.test.pressure'), specs: STEP_PADS.pressure },
      { id: 'water', label: t('st.test.water'), specs: STEP_PADS.surface },
      { id: 'hold_min', label: t('st.test.hold'), specs: STEP_PADS.minutes, code: 'hold' },
    ],
    choices: [{ id: 'result', legend: t('st.test.result'), options: options('st.test', ['tight', 'leak']) }],
    words: [{ id: 'gauge', label: t('st.test.gauge') }, { id: 'saw', label: t('st.test.saw'), optional: true }],
  }),
  material: (s) => ({
    figures: [
      { id: 'od', label: t('st.mat.od'), specs: ordered(STEP_PADS.od, metricFirst(s)) },
      { id: 'wall', label: t('st.mat.wall'), specs: ordered(STEP_PADS.wall, metricFirst(s)) },
    ],
    choices: [{ id: 'pmi', legend: t('st.mat.pmi'), options: options('st.mat.pmi', ['agrees', 'differs', 'not-known']) }],
    words: [{ id: 'grade', label: t('st.mat.grade') }, { id: 'heat', label: t('st.mat.heat') }, { id: 'certificate', label: t('st.mat.cert') }],
  }),
  filler: () => ({ words: [{ id: 'class', label: t('st.fil.class') }, { id: 'lot', label: t('st.fil.lot') }] }),
  procedure: (_, plan) => ({ choices: [{ id: 'procedure', legend: t('st.proc.which'), options: plan.procedures.map((p) => ({ value: p.id, label: p.id })) }] }),
  'hand-over': () => ({ words: [{ id: 'note', label: t('st.close.note') }] }),
};

/** The form for measuring this field again, or null where the board can only choose among the answers. */
export function againForm(answers: readonly Answer[], section: Section | null, plan: SitePlan | null): AgainForm | null {
  const first = answers[0];
  const make = first ? FORMS[first.kind] : undefined;
  if (!first || !make || !section || !plan || answers.some((a) => a.kind !== first.kind)) return null;
  // Of a check only its name is beyond question.
  const fixed = first.kind === 'check' ? { check: first.body.check } : {};
  return { figures: [], choices: [], words: [], fixed, ...make(section, plan) };
}

/** What is still missing, by its label; empty when the whole body stands. */
export function missing(form: AgainForm, entry: AgainEntry): string[] {
  return [
    ...form.figures.filter((f) => !stands(f, entry.figures)).map((f) => f.label),
    ...form.choices.filter((c) => !entry.choices[c.id]).map((c) => c.legend),
    ...form.words.filter((w) => !w.optional && !entry.words[w.id]?.trim()).map((w) => w.label),
  ];
}

/** The body as entered, or null while something is missing. */
export function bodyOf(form: AgainForm, entry: AgainEntry): Body | null {
  if (missing(form, entry).length > 0) return null;
  return {
    ...form.fixed,
    ...Object.fromEntries(form.figures.map((f) => [f.id, figure(f, entry.figures) ?? count(f, entry.figures)])),
    ...Object.fromEntries(form.choices.map((c) => [c.id, entry.choices[c.id]])),
    ...Object.fromEntries(form.words.map((w) => [w.id, (entry.words[w.id] ?? '').trim()])),
  };
}

/** What "again" is called: a figure is measured, all else is looked at. */
export function againLabel(form: AgainForm): Key {
  return form.figures.length > 0 ? 'bd.settle.measured' : 'bd.settle.looked';
}
