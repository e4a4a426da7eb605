// A made-up job in the middle of everything, for looking at the step screens without the program behind them.
import { readFileSync } from 'node:fs';
import { join } from 'node:path';

export const plan = JSON.parse(readFileSync(join(import.meta.dirname, '../../server/demo/outage.json'), 'utf8'));
const T0 = Date.UTC(2026, 2, 3, 13, 10);
export const JOB = '71'.padStart(32, '0');
const TABLETS = { 'ana-r': 'K4', 'j-ortiz': 'K4', 'm-soto': 'K2', 'd-kerr': 'K4' };
let n = 100;
const hash = () => (n += 1).toString(16).padStart(64, '0');
const nameOf = (id) => plan.people.find((p) => p.id === id)?.name ?? id;
/** A clock two hours behind, one four minutes ahead, some that agree; those not named here were never compared. */
const SKEW = { 'd-kerr': -123 * 60000 - 20000, 'l-vega': 4 * 60000, 'ana-r': 800, 'j-ortiz': 800 };
export const by = (id, min) => ({ ...(id in SKEW ? { skew_ms: SKEW[id] } : {}), person: id, name: nameOf(id), device: `d-${TABLETS[id] ?? 'K2'}`, tablet: TABLETS[id] ?? 'K2', wall_ms: T0 + min * 60000, counter: min + 500 });
const answer = (kind, body, who, min, more = {}) => ({ entries: [hash()], kind, body, by: [by(who, min)], ...more });
export const one = (kind, body, who, min) => {
  const a = answer(kind, body, who, min);
  return { state: 'agreed', answers: [a], past: [], basis: a.entries };
};
const two = (a, b, more = {}) => ({ state: 'two-answers', answers: [a, b], past: [], basis: [...a.entries, ...b.entries], ...more });
const item = (kind, body, who, min, struck) => ({ entry: hash(), kind, body, by: by(who, min), ...(struck ? { struck } : {}) });
export const m = (typed, num, den, unit, mark) => ({ typed, value: [num, den], unit, ...(mark ? { mark } : {}) });
const mil = (k) => m(`0.${String(k).padStart(3, '0')}`, k, 1000, 'in', [1, 1000]);
const ft = (feet, inches) => m(inches ? `${feet} ${inches}/12` : String(feet), feet * 12 + inches, 12, 'ft', [1, 12]);
const tape = (typed, num, den) => m(typed, num, den, 'in', [1, 16]);
const reading = (elevation, clock, k, who, min, struck) => item('reading', { elevation, clock, wall: mil(k), gauge: 'UT-3', read_twice: false }, who, min, struck);
const trace = (rule, formula, inputs, result, source) => ({ rule, formula, inputs, result, source, edition: 'from memory', range: 'tubes up to 5 in outside diameter', cautions: [] });
const photo = (view, caption, who, min) => item('photo', { hash: hash(), bytes: 4100000, view, caption, width: 4000, height: 3000, mime: 'image/jpeg' }, who, min);
const say = (code, words, w) => ({ code, words, ...(w ? { with: w } : {}) });

function fields() {
  const checks = Object.fromEntries(plan.checks.slice(0, 5).map((c, i) => [`before-work/${c.id}`, one('check', { check: c.id, saw: i === 2 ? 'O2 20.9 %, CO 4 ppm, LFL 0 %, 06:30' : 'box 14, locks 31 and 32, drain 7 open', result: i === 4 ? 'not-good' : 'good' }, 'j-ortiz', 20 + i)]));
  return {
    open: one('open', { number: 'K4-071', section: 'front-wall' }, 'ana-r', -100),
    place: one('place', { section: 'front-wall', row: 1, tube: 47, elevation: ft(54, 6), side: 'fire', landmark: 'wall blower 12' }, 'ana-r', -99),
    'second-count': one('second-count', { tube: 74 }, 'j-ortiz', -80),
    failure: one('failure', { opening: 'rupture', signs: ['bulge', 'thin-lip', 'cracking'], first: 'leaked-first', note: '' }, 'ana-r', -70),
    gauge: one('gauge', { gauge: 'UT-3', block: 'B-11', steps: [{ nominal: mil(100), read: mil(100) }, { nominal: mil(300), read: mil(301) }], surface: m('88', 88, 1, 'F') }, 'ana-r', -60),
    plan: one('plan', { method: 'dutchman', why: 'thinned over 14 in, bulged', upper_cut: ft(55, 4), lower_cut: ft(53, 8) }, 'l-vega', -30),
    ...checks,
    material: one('material', { grade: 'SA-210 A-1', od: m('2.500', 5, 2, 'in', [1, 1000]), wall: mil(203), heat: 'H88412', certificate: 'MC-2231', pmi: 'not-known' }, 'j-ortiz', 40),
    procedure: one('procedure', { procedure: plan.procedures[0].id }, 'l-vega', 41),
    filler: one('filler', { class: 'ER70S-2', lot: 'L-5520' }, 'm-soto', 42),
    'gap/12': one('gap', { gap: tape('20 9/16', 329, 16), instrument: 'T-12', read_twice: false }, 'm-soto', 60),
    'gap/3': one('gap', { gap: tape('20 1/2', 41, 2), instrument: 'T-12', read_twice: false }, 'm-soto', 61),
    'gap/6': two(
      answer('gap', { gap: tape('20 1/2', 41, 2), instrument: 'T-12', read_twice: false }, 'm-soto', 62),
      answer('gap', { gap: tape('20 5/8', 165, 8), instrument: 'T-07', read_twice: true }, 'd-kerr', 81),
      { governs: 1, apart: say('apart', 'They are 1/8 in apart.') },
    ),
    'joint/upper/fit-up': one('fit-up', { root: m('3/32', 3, 32, 'in', [1, 32]), misalignment: m('1/32', 1, 32, 'in', [1, 32]), stamp: 'W-17' }, 'm-soto', 90),
    'joint/upper/visual': one('visual', { result: 'reject', saw: 'undercut 1/32 in at 4 o’clock, 1 in long' }, 'l-vega', 120),
  };
}

const STEPS = ['place', 'failure', 'readings', 'plan', 'before-work', 'material', 'cut-gap', 'fit-up', 'weld', 'examination', 'test', 'close-out'];
export function view() {
  n = 100;
  const f = fields();
  const gaps = { 12: tape('20 9/16', 329, 16), 3: tape('20 1/2', 41, 2), 6: tape('20 5/8', 165, 8) };
  const lists = {
    photos: [photo('overview', 'front wall, blower 12', 'ana-r', -75), photo('middle', 'mark K4-071', 'ana-r', -74)],
    readings: [
      reading(ft(55, 0), 10, 198, 'ana-r', -59), reading(ft(55, 0), 12, 187, 'ana-r', -58), reading(ft(55, 0), 2, 196, 'ana-r', -57),
      reading(ft(54, 6), 10, 171, 'ana-r', -56), reading(ft(54, 6), 12, 112, 'ana-r', -55), reading(ft(54, 6), 2, 99, 'ana-r', -54, 'slip of the finger'),
      reading(ft(54, 0), 10, 194, 'ana-r', -53), reading(ft(54, 0), 12, 181, 'ana-r', -52), reading(ft(54, 0), 12, 183, 'ana-r', -51),
    ],
    'joint/upper/welds': [
      item('weld', { pass: 'tack', process: 'GTAW', stamp: 'W-17', lot: 'L-5520' }, 'm-soto', 95), item('weld', { pass: 'root', process: 'GTAW', stamp: 'W-17', lot: 'L-5520' }, 'm-soto', 99),
      item('weld', { pass: 'cap', process: 'GTAW', stamp: 'W-17', lot: 'L-5520' }, 'm-soto', 100, 'wrong place'),
    ],
  };
  const covers = (names) => names.flatMap((name) => (f[name] ? [{ field: name, entries: f[name].basis }] : lists[name] ? [{ field: name, entries: lists[name].map((i) => i.entry) }] : []));
  const beforeWork = covers(['plan', ...Object.keys(f).filter((k) => k.startsWith('before-work/'))]);
  return {
    job: JOB, number: 'K4-071', section: 'front-wall', tube: 47, elevation: ft(54, 6), side: 'fire', opened: by('ana-r', -100), level: 4, stands_at: 5, full: false,
    steps: STEPS.map((name, i) => ({ step: i + 1, name, state: ['proved', 'proved', 'proved', 'proved', 'reject', 'not-known', 'two-answers', 'in-hand', 'in-hand', 'reject'][i] ?? 'not-begun', above_level: i > 4 && i < 10, wants: [], summary: [] })),
    gates: plan.hold_points.map((h) => ({
      gate: h.id, after_step: h.after_step, state: h.after_step === 1 ? 'open' : h.after_step <= 7 ? 'shut' : 'not-due', roles: h.roles, missing: h.after_step === 1 ? [] : h.roles,
      signs: h.id === 'before-work' ? [{ entry: hash(), role: 'supervisor', by: by('m-diaz', 25), statement: h.statement.en, good: false, not_good: say('stale', 'Signed before a change: plan.', { fields: 'plan' }), changed: ['plan'] }] : [],
      stale: h.id === 'before-work', passed_shut: h.id === 'before-work', blocked: h.id === 'gap' ? [say('two-answers-block', 'Two answers stand for gap/6: settle them or measure again.', { field: 'gap/6' })] : [],
      covers: h.id === 'before-work' ? beforeWork : h.id === 'place' ? covers(['place', 'second-count', 'photos']) : covers(['gap/12', 'gap/3', 'gap/6']),
    })),
    fields: f, lists,
    sums: {
      count: { first: 47, second: 74, tubes: 120, state: 'meets' },
      wall: {
        required: mil(149), least: mil(112), least_entry: lists.readings[4].entry, verdict: 'below', gauge_check: 'good', thickness_cannot_clear: true, no_number: null,
        warnings: [say('thickness-cannot-clear', 'Cracking or inside attack was seen: no thickness reading can clear this tube.')],
        trace: trace('wall.pg-27.2.1', 't = P D / (2 S + P) + 0.005 D + e', [{ symbol: 'P', name: 'maximum allowable working pressure', value: '2000 psi' }, { symbol: 'D', name: 'outside diameter', value: '2.5 in' }, { symbol: 'S', name: 'allowable stress', value: '15600 psi' }, { symbol: 'e', name: 'expanded end allowance', value: '0 in' }], '0.149 in', 'ASME BPVC Section I, PG-27.2.1'),
      },
      cut: {
        missing: ['9'], gaps, spread: m('1/8', 1, 8, 'in'), length: null, trace: null, no_number: null,
        shrinkage: [m('0.045', 9, 200, 'in'), m('0.112', 14, 125, 'in')], shrinkage_trace: trace('cut.shrinkage', 'S = 0.2 Aw / t + 0.05 d, and the band of the other forms', [{ symbol: 'd', name: 'root opening', value: '3/32 in' }], '0.045 to 0.112 in', 'Blodgett; from memory'),
        openings: {}, openings_trace: null, warnings: [say('gap-two-answers', "Two answers stand for the gap at 6 o'clock: the larger is used.", { clock: '6' })],
      },
    },
    wanted: [
      { what: 'reject', step: 5, say: say('check-not-good', 'NOT GOOD: Hot work and fire watch. Nobody works until it is put right.', { check: plan.checks[4].id }), since_ms: T0 },
      { what: 'two-answers', step: 7, field: 'gap/6', say: say('two-answers', 'Two answers: gap/6.', { field: 'gap/6' }), since_ms: T0 },
      { what: 'stale', step: 5, gate: 'before-work', role: 'supervisor', say: say('stale', 'M. Diaz signed before a change: plan.', { fields: 'plan' }), since_ms: T0 },
    ],
    tablets: ['K2', 'K4'], entries: 60, lives: { entries_here: 6, photos_here: 1, last_receipt_seq: 40, last_receipt_ms: T0 - 3600000, state: 'only-here' },
  };
}

/** The same job with all four gaps agreed and the piece cut. */
export function cutDone() {
  const v = view();
  const piece = tape('20 5/16', 325, 16);
  v.fields['gap/6'] = one('gap', { gap: tape('20 9/16', 329, 16), instrument: 'T-12', read_twice: false }, 'm-soto', 62);
  v.fields['gap/9'] = one('gap', { gap: tape('20 5/8', 165, 8), instrument: 'T-12', read_twice: true }, 'm-soto', 63);
  v.fields.piece = one('piece', { length: piece, read_twice: false }, 'm-soto', 70);
  const cut = v.sums.cut;
  cut.gaps = { 12: tape('20 9/16', 329, 16), 3: tape('20 1/2', 41, 2), 6: tape('20 9/16', 329, 16), 9: tape('20 5/8', 165, 8) };
  cut.missing = [];
  cut.length = m('20 5/16', 325, 16, 'in');
  cut.trace = trace('cut.length', 'L = least gap - 2 x root opening', [{ symbol: 'g', name: 'least gap', value: '20 1/2 in' }, { symbol: 'r', name: 'root opening', value: '3/32 in' }], '20 5/16 in', 'our own, by geometry');
  cut.openings = { 12: m('1/8', 1, 8, 'in'), 3: m('3/32', 3, 32, 'in'), 6: m('1/8', 1, 8, 'in'), 9: m('5/32', 5, 32, 'in') };
  cut.openings_trace = trace('cut.openings', 'o = (gap - piece) / 2', [], '3/32 to 5/32 in', 'our own, by geometry');
  cut.warnings = [say('opening-too-wide', "At 9 o'clock the piece leaves 5/32 in at each joint: more than the procedure allows.", { clock: '9', opening: '5/32 in' })];
  return v;
}

/** The job with nothing but its place. */
export function bare() {
  const v = view();
  v.fields = { open: v.fields.open, place: v.fields.place };
  v.lists = {};
  v.sums = { count: null, wall: { ...v.sums.wall, least: null, least_entry: null, verdict: 'not-known', gauge_check: 'missing', thickness_cannot_clear: false, warnings: [] }, cut: { ...v.sums.cut, gaps: {}, missing: ['12', '3', '6', '9'], spread: null, shrinkage: null, shrinkage_trace: null, warnings: [], no_number: say('procedure-missing', 'No welding procedure is chosen: its root opening is needed for the cut length.') } };
  v.wanted = [];
  return v;
}
