// A made-up tablet for looking at the screens without the program behind them. Used by dev/look.mjs only, never built into dist.
import { readFileSync } from 'node:fs';
import { createServer } from 'node:http';
import { extname, join, normalize } from 'node:path';

const root = join(import.meta.dirname, '..');
const plan = JSON.parse(readFileSync(join(root, '../server/demo/outage.json'), 'utf8'));
const PINS = Object.fromEntries(plan.people.map((p) => [p.id, p.pin_plain]));
plan.people = plan.people.map((p) => ({ stamp: null, ...p, pin_plain: undefined }));

const STEPS = ['place', 'failure', 'readings', 'plan', 'before-work', 'material', 'cut-gap', 'fit-up', 'weld', 'examination', 'test', 'close-out'];
const T0 = Date.UTC(2026, 2, 3, 13, 10);
const say = (code, words, w) => ({ code, words, ...(w ? { with: w } : {}) });
const by = (id, min, counter = 1) => ({ person: id, name: plan.people.find((p) => p.id === id)?.name ?? id, device: 'd4', tablet: 'K4', wall_ms: T0 + min * 60000, counter });
const hash = (n) => String(n).padStart(64, 'a');
const one = (kind, body, who, min, n) => ({ state: 'agreed', answers: [{ entries: [hash(n)], kind, body, by: [by(who, min)] }], past: [], basis: [hash(n)] });
const ft = (feet, inches) => ({ typed: inches ? `${feet} ${inches}/12` : String(feet), value: [feet * 12 + inches, 12], unit: 'ft', mark: [1, 12] });

/** One job: states by step, what stands, what is wanted. */
function job(n, tube, elevation, level, states, o = {}) {
  const place = { section: 'front-wall', row: 1, tube, elevation, side: 'fire', landmark: 'wall blower 12, 3 left of it' };
  const view = {
    job: `${n}`.padStart(32, '0'), number: `K4-0${n}`, section: 'front-wall', tube, elevation, side: 'fire', opened: by('ana-r', -100), level, stands_at: Math.min(12, level + 1), full: level === 12,
    steps: STEPS.map((name, i) => ({ step: i + 1, name, state: states[i] ?? 'not-begun', above_level: i >= level && !!states[i], wants: o.wants?.[i] ?? [], summary: o.summary?.[i] ?? [] })),
    gates: plan.hold_points.map((h) => {
      const state = h.after_step <= level ? 'open' : (o.gates?.[h.id] ?? 'not-due');
      return { gate: h.id, after_step: h.after_step, state, roles: h.roles, missing: state === 'open' ? [] : h.roles, signs: state === 'open' ? [{ entry: hash(900 + n), role: h.roles[0], by: by('l-vega', 30), statement: h.statement.en, good: true, changed: [] }] : [], stale: o.stale === h.id, passed_shut: o.passed === h.id, blocked: [], covers: [] };
    }),
    fields: { open: one('open', { number: `K4-0${n}`, section: 'front-wall' }, 'ana-r', -100, n), place: one('place', place, 'ana-r', -99, n + 1000), ...(o.fields ?? {}) },
    lists: {}, sums: { count: { first: tube, second: null, tubes: 120, state: 'not-counted' }, wall: null, cut: null },
    wanted: o.wanted ?? [], tablets: ['K4'], entries: 9, lives: { entries_here: o.here ?? 0, photos_here: 0, last_receipt_seq: 40, last_receipt_ms: T0 - 3600000, state: o.here ? 'only-here' : 'in-trailer' },
  };
  if (o.second) {
    view.fields['second-count'] = one('second-count', { tube: o.second }, 'j-ortiz', -90, n + 2000);
    view.sums.count = { first: tube, second: o.second, tubes: 120, state: tube + o.second === 121 ? 'meets' : 'does-not-meet' };
  }
  return view;
}
const want = (what, step, role, gate, field) => ({ what, step, role, gate, field, since_ms: T0, say: say(`want-${what}`, `${what} wanted`) });

const jobs = [
  job(71, 47, ft(54, 6), 5, ['proved', 'proved', 'proved', 'proved', 'proved', 'in-hand', 'recorded'], {
    second: 74, here: 6, gates: { material: 'shut' }, passed: 'gap-piece',
    summary: [[say('x', 'counted twice, 47 + 74 = 121')], [say('x', '3 photos, leaked first')], [say('x', '8 readings, thinnest 0.112 in')], [say('x', 'Dutchman, 20 in')], [say('x', '4 of 4 checks good')], [], [say('x', 'gap 20 1/2 to 20 9/16 in')]],
    wants: [[], [], [], [], [], [say('x', 'PMI of the new tube is not known')]],
    wanted: [want('not-known', 6, null, null, 'material'), want('signature', 6, 'qc', 'material')],
  }),
  job(66, 31, ft(51, 8), 3, ['proved', 'proved', 'proved', 'two-answers'], { second: 90, wanted: [want('two-answers', 4, 'supervisor', null, 'plan')] }),
  job(64, 14, ft(65, 0), 0, ['reject', 'recorded'], { second: 105, here: 2, wanted: [want('reject', 1, null, null, 'place')] }),
  job(73, 60, ft(40, 3), 0, ['in-hand'], { here: 3, wanted: [want('missing', 1, null, null, 'second-count')] }),
  job(60, 6, ft(46, 2), 12, STEPS.map(() => 'proved'), { second: 115 }),
];
export const JOB = Object.fromEntries(jobs.map((j) => [j.number, j.job]));

const fresh = () => ({ paired: true, who: null, mm: '5.886', drafts: {}, misses: 0, sync: { running: false, phase: '', done: 0, total: 0, error: null }, lives: { entries_here: 14, photos_here: 3, last_receipt_seq: 40, last_receipt_ms: T0 - 7200000, state: 'only-here' } });
let world = fresh();
const fault = (status, code, words, more) => ({ status, json: { code, words, status, ...more } });

/** A tablet that was copied: it writes under a new name until it is paired again. */
export const COPIED = { must_pair: true, note: say('series-copied', "This tablet's folder was copied or put back from a copy. So its old series of records has ended here and a new one begins. Nothing that is here is lost: all of it can be read and still goes to the trailer. It goes on recording as K4-7F2. Pair it again at the trailer, with a new code from the board.", { old: 'K4', new: 'K4-7F2' }) };
const own = (name, current, head, receipt_seq, more = {}) => ({ series: name.padEnd(32, '0'), name, current, head, receipt_seq, waiting: head - receipt_seq, counts_to: null, known: true, reason: '', ...more });
const checked = (faults) => ({ good: faults.length === 0, at_ms: T0 + 40 * 60000, entries: 1204, series: 5, photos: 86, photos_missing: 12, refused: 0, apart: faults.length > 0 ? 5 : 0, faults, say: say('check-good', 'All is as it was saved.') });
export const FAULTS = [
  { ...say('photo-damaged-only-here', 'A photo on this tablet is not what was saved.'), what: `photo ${'e3'.repeat(32)} has other bytes than its name says`, photo: 'e3'.repeat(32), in_trailer: false },
  { ...say('record-damaged-here', 'A record on this tablet is not what was saved.'), what: 'entry 171 of series 9f02…: its bytes do not fit its hash' },
];
/** The calls of the screen "keeping safe". */
const keeping = {
  series: () => ({ own: world.note ? [own('K4', false, 212, 212, { counts_to: world.cut ?? null }), own('K4-7F2', true, 14, 0)] : world.paired ? [own('K4', true, 54, 40)] : [], others: world.paired ? [{ series: 'a', name: 'K2', role: 'tablet', head: 305, known: true, counts_to: null, apart: 0, reason: '' }, { series: 'b', name: 'trailer', role: 'server', head: 31, known: true, counts_to: null, apart: 0, reason: '' }, ...(world.faults ? [{ series: 'c', name: 'K9', role: 'tablet', head: 5, known: false, counts_to: 0, apart: 5, reason: '' }] : [])] : [], note: world.note ?? null, key_home: world.key_home ?? 'file' }),
  check_state: () => world.check ?? { running: false, phase: '', done: 0, total: 0, result: null, error: null },
  check_store: () => (world.check = world.slow ? { running: true, phase: 'photos', done: 120e6, total: 355e6, result: null, error: null } : { running: false, phase: '', done: 0, total: 0, result: checked(world.faults ?? []), error: null }),
  export_store: ({ to }) => (to === '/nowhere' ? fault(404, 'no-folder', 'There is no such folder, so nothing was written and nothing was changed. Put the stick in, or leave the folder out.') : { path: `${to ?? '/home/tablet/.local/share/tubewright/exports'}/tubewright-K4-20260303-131000.tar`, name: 'tubewright-K4-20260303-131000.tar', bytes: 361_400_000, entries: 1204, photos: 86, damaged: world.faults ? 1 : 0, photos_damaged: world.faults ? ['e3'] : [], say: say('export-whole', 'All that is on this tablet is in one file now.') }),
  import_store: ({ path }) => (/\.tar$/.test(path) ? { stored: 212, known: 40, healed: 0, refused: 0, unreadable: 0, apart: world.paired ? 5 : 212, photos_new: 31, photos_known: 4, whole: !world.cutFile, complete: !world.cutFile, missing: [], photos_missing: world.cutFile ? ['e3', 'e4'] : [], faults: [], say: say('import-whole', 'Brought in.') } : fault(404, 'no-file', 'There is no such file. Nothing was changed. Look for it again: its name ends in .tar.')),
  set_address: ({ address }) => (/^[\w.]+:\d+$/.test(address) ? { address } : fault(400, 'bad-address', `"${address}" is not an address such as 192.168.4.2:8443. Nothing was sent; read it from the board again.`, { with: { address } })),
};

const calls = {
  ...keeping,
  state: () => ({ paired: world.paired, site: world.paired ? plan.site : null, plant: plan.plant, unit: plan.unit, has_plan: world.paired, tablet: world.note ? 'K4-7F2' : world.paired ? 'K4' : '', must_pair: !!world.must_pair, person: plan.people.find((p) => p.id === world.who) ?? null, section: null, lives: { ...world.lives, note: world.note ?? undefined, key_home: world.key_home ?? 'file' }, mm: world.mm, storage: { full: false } }),
  people: () => plan.people,
  plan: () => plan,
  sign_in({ person, pin }) {
    if (PINS[person] === pin) {
      world.who = person;
      world.misses = 0;
      return { person: plan.people.find((p) => p.id === person) };
    }
    world.misses += 1;
    return world.misses > 4 ? fault(429, 'slow-down', 'Too many wrong PINs: wait 30 seconds.', { wait_s: 30 }) : fault(401, 'wrong-pin', 'That is not the PIN. Nothing was changed. Type the six figures again.');
  },
  sign_out: () => ((world.who = null), {}),
  pair: () => ((world.paired = true), { site: plan.site, plant: plan.plant, tablet: 'K4' }),
  jobs: () => jobs.map((j) => ({ ...j, steps: j.steps.map((s) => s.state) })),
  job({ job: id, hide }) {
    const j = jobs.find((x) => x.job === id);
    if (!j) return fault(404, 'no-job', 'That job is not on this tablet.');
    if (!hide?.length) return j;
    return { ...j, tube: null, fields: Object.fromEntries(Object.entries(j.fields).filter(([f]) => !hide.includes(f))), sums: { ...j.sums, count: null }, steps: j.steps.map((s) => ({ ...s, summary: [] })) };
  },
  open_job({ place }) {
    const j = job(75, place.tube, place.elevation, 0, ['in-hand'], { here: 2 });
    jobs.push(j);
    return { job: j.job, number: j.number };
  },
  record({ job: id, field, body }) {
    const j = jobs.find((x) => x.job === id);
    j.fields[field] = one(field, body, world.who, 0, 5000);
    if (field === 'second-count') j.sums.count = { ...j.sums.count, second: body.tube, state: j.tube + body.tube === 121 ? 'meets' : 'does-not-meet' };
    return { saved: [hash(5000)], view: j };
  },
  draft_set: ({ key, value }) => ((world.drafts[key] = value), {}),
  draft_get: ({ key }) => ({ value: world.drafts[key] ?? null }),
  sync_start: () => ((world.sync = { running: true, phase: 'photos', done: 1, total: 3, error: null }), { started: true }),
  sync_state: () => ({ ...world.sync, lives: { ...world.lives, note: world.note ?? undefined } }),
  set_mm: ({ mm }) => ((world.mm = mm), {}),
  set_section: () => ({}),
  may_sign: () => ({ roles: [], statement: { en: '', es: '' }, covers: [] }),
};

const MIME = { '.html': 'text/html; charset=utf-8', '.js': 'text/javascript', '.css': 'text/css', '.svg': 'image/svg+xml', '.woff2': 'font/woff2', '.woff': 'font/woff' };
const CSP = "default-src 'self'; img-src 'self' blob: data:; style-src 'self'; connect-src 'self'; script-src 'self'; object-src 'none'; base-uri 'none'";

/** Serves ui/dist and the made-up tablet on loopback; `set` changes the made-up world. */
export function serve() {
  const server = createServer(async (request, response) => {
    const url = new URL(request.url, 'http://localhost');
    const send = (status, type, body) => response.writeHead(status, { 'content-type': type, 'content-security-policy': CSP }).end(body);
    if (url.pathname.startsWith('/tablet/api/')) {
      let text = '';
      for await (const chunk of request) text += chunk;
      const name = url.pathname.slice('/tablet/api/'.length);
      const call = calls[name];
      world.sent = { ...world.sent, [name]: text ? JSON.parse(text) : {} };
      const out = call ? call(world.sent[name]) : fault(400, 'not-understood', 'no such call');
      return send(out?.json ? out.status : 200, 'application/json', JSON.stringify(out?.json ?? out));
    }
    const path = normalize(url.pathname === '/' ? '/tablet.html' : url.pathname);
    try {
      return send(200, MIME[extname(path)] ?? 'application/octet-stream', readFileSync(join(process.env.UI_DIST ?? join(root, 'dist'), path)));
    } catch {
      return send(404, 'text/plain', 'not there');
    }
  });
  return new Promise((done) => server.listen(0, '127.0.0.1', () => done({ server, url: `http://127.0.0.1:${server.address().port}`, reset: (o = {}) => (world = { ...fresh(), ...o }), world: () => world })));
}
