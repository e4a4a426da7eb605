// Every body in one line of words, for what a signature covers and for "what stands". Nothing is left out because it is long.
import { text as show } from '../../lib/measure';
import { t, tCode, type Key } from '../../lib/i18n/index.svelte';
import type { Body, Measure } from '../../lib/types';

const text = (body: Body, key: string): string => (typeof body[key] === 'string' ? body[key] : '');
const figure = (body: Body, key: string): string => (isMeasure(body[key]) ? show(body[key]) : '—');

export function isMeasure(value: unknown): value is Measure {
  return typeof value === 'object' && value !== null && 'typed' in value && 'unit' in value;
}

function plan(body: Body): string {
  const method = tCode('st.method', text(body, 'method'));
  const why = text(body, 'why');
  return isMeasure(body.upper_cut) || isMeasure(body.lower_cut)
    ? t('st.v.plan-cuts', { method, why, upper: figure(body, 'upper_cut'), lower: figure(body, 'lower_cut') })
    : t('st.v.plan', { method, why });
}

function failure(body: Body): string {
  const signs = Array.isArray(body.signs) ? body.signs.map((s) => tCode('st.sign', String(s))) : [];
  const line = t('st.v.failure', {
    opening: tCode('st.fail', text(body, 'opening')),
    signs: signs.length > 0 ? signs.join(', ') : t('st.fail.no-signs'),
    first: tCode('st.fail', text(body, 'first')),
  });
  return text(body, 'note') ? `${line}. ${text(body, 'note')}` : line;
}

/** Bytes as MB with one place: what a person compares with the camera's own figure. */
export function megabytes(bytes: unknown): string {
  return typeof bytes === 'number' ? (bytes / 1e6).toFixed(1) : '?';
}

const twice = (body: Body): string => (body.read_twice === true ? ` (${t('st.read-twice')})` : '');

const WORDS: Record<string, (body: Body) => string> = {
  place: (b) => t('st.v.place', { tube: String(b.tube), elevation: figure(b, 'elevation'), side: tCode('st.read', text(b, 'side')) }),
  'second-count': (b) => t('st.v.count', { n: String(b.tube) }),
  failure,
  photo: (b) => t('st.v.photo', { view: tCode('st.photo', text(b, 'view')), mb: megabytes(b.bytes), caption: text(b, 'caption') }).trim(),
  gauge: (b) =>
    t('st.v.gauge', { gauge: text(b, 'gauge'), block: text(b, 'block'), n: Array.isArray(b.steps) ? b.steps.length : 0, surface: figure(b, 'surface') }),
  reading: (b) =>
    t('st.v.reading', { wall: figure(b, 'wall'), elevation: figure(b, 'elevation'), clock: String(b.clock), gauge: text(b, 'gauge') }) + twice(b),
  plan,
  check: (b) => t('st.v.check', { result: tCode('st.check', text(b, 'result')), saw: text(b, 'saw') }),
  material: (b) =>
    t('st.v.material', {
      grade: text(b, 'grade'), od: figure(b, 'od'), wall: figure(b, 'wall'), heat: text(b, 'heat'),
      certificate: text(b, 'certificate'), pmi: tCode('st.mat.pmi', text(b, 'pmi')),
    }),
  filler: (b) => t('st.v.filler', { class: text(b, 'class'), lot: text(b, 'lot') }),
  procedure: (b) => text(b, 'procedure'),
  gap: (b) => figure(b, 'gap') + twice(b),
  piece: (b) => figure(b, 'length') + twice(b),
  'fit-up': (b) => t('st.fit.value', { root: figure(b, 'root'), hilo: figure(b, 'misalignment'), stamp: text(b, 'stamp') }),
  weld: (b) => t('st.weld.value', { pass: tCode('st.pass', text(b, 'pass')), process: text(b, 'process'), stamp: text(b, 'stamp'), lot: text(b, 'lot') }),
  visual: (b) => t('st.v.visual', { result: tCode('st.vis', text(b, 'result')), saw: text(b, 'saw') }),
  'pressure-test': (b) =>
    t('st.v.test', {
      result: tCode('st.test', text(b, 'result')), pressure: figure(b, 'pressure'), min: String(b.hold_min),
      water: figure(b, 'water'), gauge: text(b, 'gauge'), saw: text(b, 'saw'),
    }).trim(),
  'hand-over': (b) => text(b, 'note'),
  note: (b) => text(b, 'text'),
};

/** A body in words; what this program does not know is shown as it was written, never dropped. */
export function inWords(kind: string, body: Body): string {
  const words = WORDS[kind];
  return words ? words(body) : JSON.stringify(body);
}

/** The name of a field, e.g. `gap/6` or `joint/upper/fit-up`. */
export function fieldName(field: string, checkName: (id: string) => string = (id) => id): string {
  const parts = field.split('/');
  const last = parts[parts.length - 1] ?? field;
  if (parts[0] === 'joint') return t(`st.field.${last}` as Key, { part: tCode('st.joint', parts[1] ?? '') });
  if (parts[0] === 'before-work') return t('st.field.before-work', { part: checkName(parts[1] ?? '') });
  if (parts[0] === 'gap') return t('st.field.gap', { part: parts[1] ?? '' });
  return tCode('st.field', field);
}

/** The measure of a body that a pad enters, for setting two answers apart. */
export function mainMeasure(kind: string, body: Body): Measure | null {
  const key = { gap: 'gap', piece: 'length', 'fit-up': 'root', place: 'elevation', 'pressure-test': 'pressure' }[kind];
  const value = key === undefined ? undefined : body[key];
  return isMeasure(value) ? value : null;
}
