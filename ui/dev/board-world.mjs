// A made-up trailer for looking at the board without the server. Used by dev/board.mjs only, never built into dist.
import { readFileSync } from 'node:fs';
import { createServer } from 'node:http';
import { extname, join, normalize } from 'node:path';
import { apart, fresh, ID, rows, seriesRoute } from './series-world.mjs';
import { by, JOB, m, one, plan as file, view } from './steps-world.mjs';

const root = join(import.meta.dirname, '..');
const PINS = Object.fromEntries(file.people.map((p) => [p.id, p.pin_plain]));
const plan = { ...file, people: file.people.map(({ id, name, roles, lang }) => ({ id, name, roles, lang })) };
const NAMES = ['place', 'failure', 'readings', 'plan', 'before-work', 'material', 'cut-gap', 'fit-up', 'weld', 'examination', 'test', 'close-out'];
const T0 = Date.UTC(2026, 2, 3, 13, 10);
const NOW = T0 + 3 * 3600_000;
const say = (code, words, w) => ({ code, words, ...(w ? { with: w } : {}) });
const ft = (feet, inches) => m(inches ? `${feet} ${inches}/12` : String(feet), feet * 12 + inches, 12, 'ft', [1, 12]);
const want = (what, step, words, more = {}) => ({ what, step, say: say(more.code ?? `want-${what}`, words, more.with), since_ms: NOW - (more.min ?? 90) * 60000, ...(more.gate ? { gate: more.gate } : {}), ...(more.role ? { role: more.role } : {}), ...(more.field ? { field: more.field } : {}) });
const signature = (gate, role, step, min) => want('signature', step, `${role} has not signed at ${gate}.`, { code: 'signature', gate, role, min, with: { gate, role } });

/** A job beside the one with everything: states by step, gates shut, what is wanted. */
function job(n, section, tube, elevation, level, states, o = {}) {
  const shut = o.shut ?? [];
  return {
    job: `${n}`.padStart(32, '0'), number: `K${o.tablet ?? 2}-0${n}`, section, tube, elevation, side: 'fire', opened: by('ana-r', -200), level, stands_at: Math.min(12, level + 1), full: level === 12,
    steps: NAMES.map((name, i) => ({ step: i + 1, name, state: i < level ? 'proved' : (states[i] ?? 'not-begun'), above_level: i >= level && !!states[i], wants: [], summary: [] })),
    gates: plan.hold_points.map((h) => {
      const state = shut.includes(h.id) ? 'shut' : h.after_step <= level ? 'open' : 'not-due';
      return { gate: h.id, after_step: h.after_step, state, roles: h.roles, missing: state === 'shut' ? h.roles : [], signs: [], stale: false, passed_shut: false, blocked: [], covers: [] };
    }),
    fields: { place: one('place', { section, row: 1, tube, elevation, side: 'fire', landmark: '' }, 'ana-r', -199) },
    lists: {}, sums: { count: { first: tube, second: null, tubes: 120, state: 'not-counted' }, wall: null, cut: null },
    wanted: o.wanted ?? [], tablets: o.tablets ?? ['K2'], entries: 12,
  };
}
const full = NAMES.map(() => 'recorded');

function settled(field) {
  const [a, b] = field.answers;
  const c = { ...a, entries: ['f'.repeat(64)], body: { gap: m('20 9/16', 329, 16, 'in', [1, 16]), instrument: 'T-12' }, by: [{ ...by('m-diaz', 170), device: 'd-trailer', tablet: 'trailer' }], settled: 'measured again by both, together' };
  return { state: 'agreed', answers: [c], past: [a, b], basis: c.entries };
}

function jobs(world) {
  const main = view();
  delete main.lives;
  main.lists.photos.push({ ...main.lists.photos[0], entry: '9'.repeat(64), body: { ...main.lists.photos[0].body, hash: 'e'.repeat(64), view: 'close', caption: 'the opening' }, by: by('m-soto', -60) });
  if (world.settled) {
    main.fields['gap/6'] = settled(main.fields['gap/6']);
    main.wanted = main.wanted.filter((w) => w.what !== 'two-answers');
  }
  if (world.two === 'material') {
    const a = main.fields.material.answers[0];
    main.fields.material = { state: 'two-answers', answers: [a, { ...a, entries: ['c'.repeat(64)], body: { ...a.body, heat: 'H88421' }, by: [by('m-soto', 55)] }], past: [], basis: [...a.entries, 'c'.repeat(64)] };
    if (world.third) {
      main.fields.material.answers.push({ ...a, entries: ['d'.repeat(64)], body: { ...a.body, heat: 'H98412' }, by: [by('d-kerr', 56)] });
      main.fields.material.basis.push('d'.repeat(64));
    }
  }
  const fw = (n, tube, e, level, states, o) => job(n, 'front-wall', tube, e, level, states, o);
  return [
    main,
    fw(60, 6, ft(46, 2), 7, { 7: 'recorded', 8: 'recorded' }, { shut: ['fit-up'], wanted: [signature('fit-up', 'qc', 8, 40)] }),
    fw(64, 14, ft(65, 0), 3, {}, { shut: ['before-work'], wanted: [signature('before-work', 'supervisor', 5, 180)] }),
    fw(66, 31, ft(51, 8), 5, { 5: 'not-known', 6: 'recorded' }, { wanted: [want('not-known', 6, 'The material check (PMI) is not known.', { code: 'pmi-not-known', min: 130 })] }),
    fw(67, 38, ft(51, 8), 12, full, {}),
    fw(70, 52, ft(33, 0), 8, { 8: 'in-hand' }, { wanted: [want('missing', 9, 'The cap pass of the upper joint is missing.', { min: 20 })] }),
    fw(73, 60, ft(40, 3), 0, { 0: 'in-hand' }, { tablet: 1, tablets: ['K1'], wanted: [want('missing', 1, 'The second count is missing.', { min: 300 })] }),
    job(81, 'rear-wall', 12, ft(74, 0), 4, { 4: 'recorded', 5: 'recorded' }, { shut: ['before-work'], wanted: [want('stale', 5, 'L. Vega signed before a change: plan.', { code: 'stale', gate: 'before-work', role: 'supervisor', with: { name: 'M. Diaz', gate: 'before-work', fields: 'plan' }, min: 60 })] }),
    job(82, 'rear-wall', 12, ft(61, 6), 2, { 2: 'reject' }, { wanted: [want('reject', 3, 'The gauge check is out: set the gauge and check it again.', { min: 15 })] }),
    job(83, 'rear-wall', 77, ft(61, 6), 6, { 6: 'in-hand' }, { wanted: [want('missing', 7, 'The gap at 9 is missing.', { min: 12 })] }),
  ];
}

const tablet = (name, min, o = {}) => ({ name, ...ID[name], counts_to: null, apart: 0, revoked: false, heard_ms: min === null ? null : NOW - min * 60000, entries_waiting: 0, photos_waiting: 0, waiting_as_of: 212, skew_ms: 800, heard: 'nothing-waiting', ...o });

/** A tablet that was taken off in the made-up trailer. */
function off(x, series) {
  const row = rows(series).find((r) => r.incarnation === x.incarnation);
  return row?.standing === 'cut' ? { ...x, heard: 'taken-off', revoked: true, counts_to: row.counts_to, apart: row.apart } : x;
}
/** The sentence of the server on what is kept apart, on tablets taken off and on backups. */
function beside(series, tablets, backup) {
  const n = apart(series).filter((a) => !a.looked).reduce((sum, a) => sum + a.n, 0);
  return [
    ...(n > 0 ? [say('b-apart', `${n} records kept apart that nobody has looked at`, { n: String(n) })] : []),
    ...tablets.filter((x) => x.heard === 'taken-off').map((x) => say('b-taken-off', `tablet ${x.name} was taken off: its records count to entry ${x.counts_to}`, { tablet: x.name, to: String(x.counts_to), apart: String(x.apart), entries: String(x.entries_waiting), photos: String(x.photos_waiting) })),
    ...(backup?.late ? [say('b-backup-late', 'the trailer has no fresh backup', { since_ms: backup.last_ms === null ? '' : String(backup.last_ms) })] : []),
  ];
}
const HOUR = 3600_000;
const BACKUPS = { good: { last_ms: NOW - 2 * HOUR, every_ms: 6 * HOUR, late: false }, late: { last_ms: NOW - 29 * HOUR, every_ms: 6 * HOUR, late: true, problem: say('backup-failed', 'The last try failed: the disk for backups is not there. Nothing in the trailer is lost by that. Put the disk in; it is tried again by itself.') }, never: { last_ms: null, every_ms: 6 * HOUR, late: true } };

function boardView(world) {
  if (world.empty) return { plant: plan.plant, unit: plan.unit, outage: plan.outage, ready: false, sentence: [say('not-ready', 'NOT READY'), say('b-no-jobs', 'no job has been recorded'), say('b-no-tablets', 'no tablet is paired')], counts: { jobs: 0, full: 0, signatures: 0, two_answers: 0, stale: 0, other: 0, photos_away: 0, silent: 0, waiting: 0 }, by_role: {}, jobs: [], tablets: [], now_ms: NOW };
  let all = jobs(world);
  if (world.ready) all = [job(67, 'front-wall', 38, ft(51, 8), 12, full, {})];
  const briefs = all.map((j) => ({
    job: j.job, number: j.number, section: j.section, tube: j.tube, elevation: j.elevation, side: j.side, level: j.level, stands_at: j.stands_at, full: j.full,
    steps: j.steps.map((s) => s.state), above_level: j.steps.filter((s) => s.above_level).map((s) => s.step), shut: j.gates.filter((g) => g.state === 'shut').map((g) => [g.gate, g.after_step]),
    wanted: j.wanted, two_answers: Object.entries(j.fields).filter(([, f]) => f.state === 'two-answers').map(([p]) => p), opened_ms: j.opened.wall_ms,
    photos_away: j.job === JOB && !world.photosIn ? 1 : 0, silent_tablets: world.ready ? [] : j.tablets.filter((t) => t === 'K1'),
  }));
  const count = (what) => briefs.flatMap((j) => j.wanted).filter((w) => what.includes(w.what)).length;
  const counts = { jobs: briefs.length, full: briefs.filter((j) => j.full).length, signatures: count(['signature']), two_answers: briefs.reduce((n, j) => n + j.two_answers.length, 0), stale: count(['stale']), other: count(['missing', 'not-known', 'reject']), photos_away: 1, silent: 1, waiting: 1 };
  const by_role = {};
  for (const w of briefs.flatMap((j) => j.wanted)) if (w.what === 'signature') by_role[w.role] = (by_role[w.role] ?? 0) + 1;
  const series = world.series;
  const backup = BACKUPS[world.backup ?? 'good'] ?? null;
  const known = world.ready ? [tablet('K2', 3), tablet('K4', 1)] : [tablet('K1', 298, { heard: 'silent', entries_waiting: 4 }), tablet('K2', 3), tablet('K3', 1, { heard: 'waiting', photos_waiting: 2, skew_ms: -4 * 60000 }), tablet('K4', 5), ...(series ? [tablet('K4-7F2', 2, { waiting_as_of: 31, skew_ms: 2 * HOUR + 3 * 60000 })] : []), ...(world.paired ? [tablet('K7', 0, { waiting_as_of: 0 })] : []), tablet('K6', null, { heard: 'silent', waiting_as_of: 0 })];
  const tablets = known.map((x) => (series ? off(x, series) : x));
  const n = (code, k, words) => (k > 0 ? [say(code, `${k} ${words}`, { n: String(k) })] : []);
  const sentence = world.ready ? [say('ready', 'Ready as far as this board can know: every hold point is signed and every tablet was heard.')] : [
    say('not-ready', 'NOT READY'), ...n('b-signatures', counts.signatures, 'signatures missing'), ...n('b-two-answers', counts.two_answers, 'place with two answers'), ...n('b-stale', counts.stale, 'stale signatures'), ...n('b-other', counts.other, 'other things wanted'), ...n('b-photos', 1, 'photo still only on a tablet'),
    say('b-silent', 'tablet K1 is silent', { tablet: 'K1', since_ms: String(NOW - 298 * 60000) }), say('b-waiting', 'tablet K3 still holds records or photos', { tablet: 'K3' }), say('b-silent', 'tablet K6 is silent', { tablet: 'K6', since_ms: '' }),
  ].filter((s) => s.with?.tablet !== 'K1' || tablets.some((x) => x.name === 'K1' && x.heard === 'silent'));
  sentence.push(...(series ? beside(series, tablets, backup) : []));
  return { plant: plan.plant, unit: plan.unit, outage: plan.outage, ready: !!world.ready, sentence, counts: world.ready ? { ...counts, jobs: 1, full: 1 } : counts, by_role, jobs: briefs.sort((a, b) => plan.sections.findIndex((s) => s.id === a.section) - plan.sections.findIndex((s) => s.id === b.section) || a.tube - b.tube), tablets, apart: series ? apart(series) : [], ...(backup ? { backup } : {}), now_ms: NOW };
}

const fault = (status, code, words, more) => ({ status, json: { code, words, status, ...more } });
const QR = '<?xml version="1.0" standalone="yes"?><svg xmlns="http://www.w3.org/2000/svg" version="1.1" width="330" height="330" viewBox="0 0 330 330"><path d="M0 0h330v330H0z" fill="#fff"/><path fill="#000" d="M40 40h70v70h-70zM220 40h70v70h-70zM40 220h70v70h-70zM130 130h20v20h-20zM170 150h30v30h-30zM150 200h50v20h-50zM230 180h40v40h-40zM130 60h20v40h-20z"/></svg>';
const PIC = '<svg xmlns="http://www.w3.org/2000/svg" width="256" height="192"><path d="M0 0h256v192H0z" fill="#777"/><path d="M90 0h76v192H90z" fill="#aaa"/><path d="M112 80l30-14 8 40-26 14z" fill="#222"/></svg>';
const SLOW = { code: 'slow-down', words: 'Too many wrong PINs: wait 30 seconds. Nothing is lost.', with: { wait_s: '30' }, wait_s: 30, status: 429 };

function route(world, method, path, body) {
  if (world.gone) return null;
  if (path === '/api/board/people') return { json: plan.people };
  const me = plan.people.find((p) => p.id === world.who);
  if (path === '/api/board/session' && method === 'POST') {
    if (PINS[body.person] === body.pin) {
      world.who = body.person;
      return { json: { person: plan.people.find((p) => p.id === body.person) } };
    }
    world.misses = (world.misses ?? 0) + 1;
    return world.misses > 4 ? { status: 429, json: SLOW } : fault(401, 'wrong-pin', 'That is not the PIN of this person. Nothing was changed. Type the six figures again.');
  }
  if (!me) return fault(401, 'not-signed-in', 'Nobody is signed in on this board. Nothing was changed. Sign in with your name and PIN.');
  if (path === '/api/board/session') {
    if (method === 'DELETE') world.who = null;
    return { json: method === 'DELETE' ? {} : { person: me } };
  }
  if (path === '/api/board') return { json: boardView(world) };
  const about = seriesRoute((world.series ??= fresh()), me, method, path, body);
  if (about) return about;
  if (path === '/api/board/plan') return { json: plan };
  if (path === '/api/board/pairing') return { json: { text: `tubewright:pair?a=192.168.40.2:8443&f=${'3fa90c17'.repeat(8)}&c=7KQ4M2XD`, address: '192.168.40.2:8443', code: '7KQ4-M2XD', fingerprint: '3fa90c17'.repeat(8), expires_ms: NOW + (world.expires ?? 600) * 1000, svg: QR } };
  if (path === '/api/board/settle') {
    const field = jobs(world)[0].fields[body.field];
    if (PINS[me.id] !== body.pin) return fault(401, 'wrong-pin', 'That is not the PIN of this person. Nothing was changed. Type the six figures again.');
    if (field.basis.join() !== body.basis.join()) return fault(409, 'stands-changed', 'What stands here is no longer what was on your screen.');
    world.sent = body;
    if (world.asks && body.body.read_twice !== true) return fault(400, 'ask-gap-far-from-other', 'That is far from the other gaps. Measure once more.', { faults: [say('ask-gap-far-from-other', 'That is far from the other gaps. Measure once more.')] });
    world.settled = true;
    return { json: { saved: ['f'.repeat(64)], view: jobs(world)[0] } };
  }
  const one = /^\/api\/board\/job\/(\w+)$/.exec(path);
  if (one) {
    const found = jobs(world).find((j) => j.job === one[1]);
    return found ? { json: found } : fault(404, 'no-job', 'The trailer has no such job. Nothing was changed.');
  }
  if (path.startsWith('/api/board/photo/')) return path.includes('e'.repeat(64)) && !world.photosIn ? fault(404, 'no-photo', 'This photo has not reached the trailer yet.') : { type: 'image/svg+xml', text: PIC };
  return fault(404, 'no-such-page', 'There is no such page.');
}

const MIME = { '.html': 'text/html; charset=utf-8', '.js': 'text/javascript', '.css': 'text/css', '.svg': 'image/svg+xml', '.woff2': 'font/woff2', '.woff': 'font/woff' };
// As the server sends it.
const CSP = "default-src 'self'; img-src 'self' blob: data:; style-src 'self' 'unsafe-inline'; connect-src 'self'; object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'";

/** Serves the built board and the made-up trailer on loopback; `world` may be changed while it runs. */
export function serve() {
  let world = {};
  const server = createServer(async (request, response) => {
    const url = new URL(request.url, 'http://localhost');
    const send = (status, type, body) => response.writeHead(status, { 'content-type': type, 'content-security-policy': CSP }).end(body);
    if (url.pathname.startsWith('/api/')) {
      let text = '';
      for await (const chunk of request) text += chunk;
      const out = route(world, request.method, url.pathname, text ? JSON.parse(text) : {});
      if (out === null) return response.destroy();
      return send(out.status ?? 200, out.type ?? 'application/json', out.text ?? JSON.stringify(out.json));
    }
    const path = normalize(url.pathname === '/' ? '/board.html' : url.pathname);
    try {
      return send(200, MIME[extname(path)] ?? 'application/octet-stream', readFileSync(join(process.env.UI_DIST ?? join(root, 'dist'), path)));
    } catch {
      return send(404, 'text/plain', 'not there');
    }
  });
  return new Promise((done) =>
    server.listen(0, '127.0.0.1', () =>
      done({ server, url: `http://127.0.0.1:${server.address().port}`, now: NOW, set: (o) => (world = { ...o, ...(o.apart ? { series: fresh() } : {}) }), world: () => world, pin: (id) => PINS[id] })),
  );
}
