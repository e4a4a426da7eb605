// Made-up series of records for the board's place of the tablets: some count, one is not known, one was cut off, one was
// changed by somebody. Taking off and letting in work as the server does them (server/src/say.rs, series.rs).
import { JOB, m } from './steps-world.mjs';

const inc = (n) => n.toString(16).padStart(2, '0').repeat(16);
const hash = (n) => n.toString(16).padStart(4, '0').repeat(16);
const T0 = Date.UTC(2026, 2, 3, 13, 10);
/** Physical tablets and series by name; K4 was copied, so that it stands here twice. */
export const ID = Object.fromEntries([['K1', 1, 1], ['K2', 2, 2], ['K3', 3, 3], ['K4', 4, 4], ['K4-7F2', 4, 0x7f], ['K6', 6, 6], ['K7', 7, 7], ['K9', 9, 9], ['trailer', 0xee, 0xee]].map(([name, d, i]) => [name, { device: inc(d), incarnation: inc(i) }]));

/** What the trailer says of series, to begin with. */
export const fresh = () => ({ heads: { K1: 214, K2: 305, K3: 212, K4: 212, 'K4-7F2': 31, trailer: 40, K9: 5 }, to: { K9: 0 }, reasons: {}, unknown: new Set(['K9']), looked: new Set(), refused: { K3: 2 }, said: [] });

const entry = (seq, kind, subject, body, person, min, more = {}) => ({ seq, hash: hash(seq + 7), kind, version: 1, subject, person, name: { 'm-soto': 'M. Soto', 'ana-r': 'Ana R.' }[person] ?? null, wall_ms: T0 + min * 60000, body, ...more });
const other = `job/${'9'.padStart(32, 'c')}`;
const gap = (typed, n, d) => ({ gap: m(typed, n, d, 'in', [1, 16]), instrument: 'T-12', read_twice: false });

function entries(name) {
  if (name === 'K9') {
    return [
      entry(1, 'series-begin', 'device/d9', { key: 'ab'.repeat(32), name: 'K9', role: 'tablet' }, 'nobody', -30),
      entry(2, 'open', `${other}/open`, { number: 'K9-004', section: 'rear-wall' }, 'm-soto', -20),
      entry(3, 'place', `${other}/place`, { section: 'rear-wall', row: 1, tube: 88, elevation: m('61 6/12', 123, 2, 'ft', [1, 12]), side: 'fire', landmark: '' }, 'm-soto', -20),
      entry(4, 'gap', `${other}/gap/6`, gap('20 5/8', 165, 8), 'x-unknown', -5),
      entry(5, 'humidity', `${other}/air`, { percent: 61 }, 'm-soto', 4),
    ];
  }
  return [
    entry(213, 'gap', `job/${JOB}/gap/9`, gap('20 9/16', 329, 16), 'm-soto', 190),
    entry(214, 'sign', `job/${JOB}/gate/gap`, { gate: 'gap', role: 'welder', statement: '', lang: 'en', root: '', covers: [] }, 'm-soto', 191),
  ];
}
const REFUSED = [
  entry(101, 'material', `job/${JOB}/material`, { grade: 'SA-210 A-1', od: m('2.500', 5, 2, 'in'), wall: m('0.203', 203, 1000, 'in'), heat: 'H98412', certificate: 'MC-2231', pmi: 'agrees' }, 'ana-r', 50, { refused: 'two different entries stand at place 101 of this series' }),
  { seq: 102, hash: hash(102), refused: 'its signature does not fit' },
];

/** The rows of `GET /api/board/series`. */
export function rows(w) {
  return Object.entries(w.heads).map(([name, head]) => {
    const to = w.to[name] ?? null;
    const [apart, refused] = [to === null ? 0 : Math.max(0, head - to), w.refused[name] ?? 0];
    const standing = name === 'trailer' ? 'own' : w.unknown.has(name) ? 'unknown' : to === null ? 'counts' : 'cut';
    return { ...ID[name], name, role: name === 'trailer' ? 'server' : 'tablet', standing, head, counts_to: to, apart, refused, looked: apart + refused === 0 || w.looked.has(name), reason: w.reasons[name] ?? '', said: standing === 'unknown' ? [] : [hash(name.length * 99 + w.said.length)], paired: !['K9', 'trailer'].includes(name) };
  });
}

/** `apart` of the board. */
export const apart = (w) => rows(w).flatMap((r) => {
  const of = (why, n) => (n > 0 ? [{ incarnation: r.incarnation, name: r.name, why, n, looked: r.looked }] : []);
  return [...of(r.standing === 'unknown' ? 'unknown' : 'cut', r.apart), ...of('refused', r.refused)];
});

const fault = (status, code, words, w) => ({ status, json: { code, words, status, ...(w ? { with: w } : {}) } });

/** The routes about series; null where it is none of them. `me` is who is signed in. */
export function seriesRoute(w, me, method, path, body) {
  const may = me.roles.some((r) => r === 'supervisor' || r === 'qc');
  const page = /^\/api\/board\/series\/(\w+)\/apart$/.exec(path);
  if (path === '/api/board/series' && method === 'GET') return { json: rows(w) };
  if (!page && path !== '/api/board/series' && path !== '/api/board/tablet/take-off') return null;
  if (!may) return fault(403, 'role-only', `Only a supervisor or QC may do that, and ${me.name} is none. Nothing was changed. Ask one to sign in here.`, { name: me.name });
  if (page) {
    const row = rows(w).find((r) => r.incarnation === page[1]);
    if (!row) return fault(404, 'no-series', 'The trailer has no such series of records. Nothing was changed. Go back to the board.');
    return { json: { series: row, entries: row.apart > 0 ? entries(row.name).filter((e) => e.seq > (row.counts_to ?? 0)) : [], refused: row.refused > 0 ? REFUSED : [], next: null } };
  }
  w.said.push(body);
  if (path.endsWith('take-off')) {
    const off = rows(w).filter((r) => r.device === body.device && (!body.incarnation || body.incarnation === r.incarnation));
    // K1 had two entries on the way that were cut off by the loss.
    for (const r of off) [w.to[r.name], w.reasons[r.name]] = [r.head, body.reason];
    return { json: { series: rows(w), tablets: [] } };
  }
  const row = rows(w).find((r) => r.incarnation === body.incarnation);
  if (row.name === 'K9' && body.to === 2) return fault(400, 'within-transaction', 'Entry 2 was saved with one tap together with those up to 3: they count all or not at all. Nothing was changed. Choose 3, or an entry before that tap.', { end: '3' });
  if (w.changed) return fault(409, 'stands-changed', 'What is said of this series is no longer what was on your screen: somebody was quicker. Nothing was changed and nothing is lost. Look at what stands now, then say it again if it is still needed.');
  w.to[row.name] = body.to;
  w.unknown.delete(row.name);
  w.looked.add(row.name);
  w.reasons[row.name] = body.reason;
  return { json: { series: rows(w).find((r) => r.incarnation === body.incarnation) } };
}
