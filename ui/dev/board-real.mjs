// Plays the board in a browser against the real server and two real tablets on loopback: pairing by the code on the board, two
// crews that disagree, settling, signatures that go stale, a tablet that falls silent, a server that goes away.
// `UI_DIST=... SERVER=.../tubewright-server node dev/board-real.mjs [--out DIR]`. Exits 1 where something is wrong.
import { spawn } from 'node:child_process';
import { mkdirSync, mkdtempSync, readFileSync, writeFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { chromium } from 'playwright-core';
import { wrongs } from './audit.mjs';
import { m, plan } from './steps-world.mjs';

const arg = (name, other) => (process.argv.includes(name) ? process.argv[process.argv.indexOf(name) + 1] : other);
const root = join(import.meta.dirname, '../..');
const out = arg('--out', '/tmp/tubewright-board-real');
mkdirSync(out, { recursive: true });
const server = process.env.SERVER ?? join(root, 'target/debug/tubewright-server');
const ui = process.env.UI_DIST ?? join(root, 'ui/dist');
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const dir = mkdtempSync(join(tmpdir(), 'tubewright-'));
const pin = (id) => plan.people.find((p) => p.id === id).pin_plain;
const children = [];
function start(...args) {
  const child = spawn(server, args, { stdio: ['ignore', 'pipe', 'pipe'] });
  children.push(child);
  let said = '';
  child.stdout.on('data', (d) => (said += d));
  child.stderr.on('data', (d) => (said += d));
  return { child, said: () => said, done: new Promise((ok) => child.on('exit', ok)) };
}
async function until(what, test, tries = 600) {
  for (let i = 0; i < tries; i += 1) {
    const got = await Promise.resolve().then(test).catch(() => null);
    if (got) return got;
    await new Promise((ok) => setTimeout(ok, 100));
  }
  throw new Error(`waited in vain for ${what}`);
}
let failed = 0;
const check = (what, ok, more = '') => {
  if (!ok) failed += 1;
  console.log(`${ok ? 'ok  ' : 'BAD '} ${what}${ok ? '' : ` ${typeof more === 'string' ? more : JSON.stringify(more)?.slice(0, 600)}`}`);
};

/** One real tablet behind its loopback address. */
function tablet(name, port) {
  const url = `http://127.0.0.1:${port}`;
  const run = start('tablet', '--data', join(dir, name), '--local', `127.0.0.1:${port}`, '--ui', ui);
  const call = async (what, args = {}) => {
    const response = await fetch(`${url}/tablet/api/${what}`, { method: 'POST', headers: { 'content-type': 'application/json' }, body: JSON.stringify(args) });
    const json = await response.json();
    if (!response.ok) throw new Error(`${name} ${what}: ${JSON.stringify(json).slice(0, 400)}`);
    return json;
  };
  const as = async (person) => call('sign_in', { person, pin: pin(person) });
  const record = async (job, field, body, basis = []) => call('record', { job, field, body, basis });
  const photo = async (meta, bytes) => {
    const response = await fetch(`${url}/tablet/photo`, { method: 'POST', headers: { 'content-type': 'application/octet-stream', 'x-meta': encodeURIComponent(JSON.stringify(meta)) }, body: bytes });
    if (!response.ok) throw new Error(await response.text());
  };
  const sync = async () => {
    await call('sync_start');
    const state = await until(`${name}'s sync`, async () => {
      const s = await call('sync_state');
      return s.running ? null : s;
    });
    if (state.error) throw new Error(`${name}: ${state.error.words}`);
  };
  return { name, run, call, as, record, photo, sync, up: () => until(name, () => call('state')) };
}

const gap = (typed, num, den, instrument) => ({ gap: m(typed, num, den, 'in', [1, 16]), instrument, read_twice: false });
const ft = (feet, inches) => m(`${feet}' ${inches}"`, feet * 12 + inches, 12, 'ft', [1, 12]);
const place = { section: 'front-wall', row: 1, tube: 47, elevation: ft(54, 6), side: 'fire', landmark: 'wall blower 12, 3 left of it' };

async function crews(page, k1, k2) {
  await k1.as('ana-r');
  const { job, number } = await k1.call('open_job', { section: 'front-wall', place });
  // Three different pictures: the same bytes twice would be one photo.
  for (const [i, view] of ['overview', 'middle', 'close'].entries()) {
    const jpeg = await page.screenshot({ type: 'jpeg', quality: 60, clip: { x: 0, y: 0, width: 1280 - 160 * i, height: 800 } });
    await k1.photo({ job, view, caption: `${view} of ${number}`, name: `${view}.jpg` }, jpeg);
  }
  await k1.as('j-ortiz');
  await k1.record(job, 'second-count', { tube: 74 });
  await k1.as('ana-r');
  await k1.record(job, 'failure', { opening: 'rupture', signs: ['bulge', 'thin-lip'], first: 'leaked-first', note: '' });
  await k1.as('m-soto');
  for (const clock of ['12', '3', '6', '9']) await k1.record(job, `gap/${clock}`, gap('20 1/2', 41, 2, 'T-12'));
  await k1.sync();
  await k2.sync();
  await k2.as('d-kerr');
  await k2.record(job, 'gap/6', gap('20 5/8', 165, 8, 'T-07'));
  await k2.sync();
  return { job, number };
}

/** A lost tablet is taken off, goes on recording, is checked and carried out by hand, and is taken in again. */
async function lost(page, context, k1, job, shot) {
  await page.goto('http://127.0.0.1:18890/#/tablets');
  await page.locator('[data-place-tablet="K1"]').waitFor();
  await page.locator('[data-place-tablet="K2"]').filter({ hasText: 'all its records count' }).waitFor();
  await shot('10-tablets');
  await page.locator('[data-take-off="K1"] button').click();
  await page.locator('[data-reasons] button').first().click();
  await page.locator('[data-off-next]').click();
  await page.locator('[data-off-will]').filter({ hasText: /Entries 1 to \d+ of K1/ }).waitFor();
  await shot('11-take-off');
  await page.locator('[data-off-now]').click();
  await page.locator('[data-off-done]').waitFor();
  check('K1 is taken off, and the sentence says to which entry it counts', true);
  await page.locator('[data-sentence]').filter({ hasText: /K1 was taken off: its records count to entry \d+/ }).waitFor();

  await k1.as('ana-r');
  const saved = await k1.record(job, 'hand-over', { note: 'written after the tablet was taken off' });
  check('it goes on recording', saved.saved.length === 1, saved);
  await k1.sync().catch(() => undefined);
  const state = await until('the sync that is refused', async () => { const s = await k1.call('sync_state'); return s.running ? null : s; });
  check('its sync is refused and says why', state.error?.code === 'tablet-revoked', state);
  const tablet = await context.newPage();
  tablet.setDefaultTimeout(30_000);
  await tablet.goto('http://127.0.0.1:18891/#/');
  await tablet.locator('[data-notice="tablet-revoked"]').filter({ hasText: 'Bring it to the supervisor' }).waitFor();
  check('the tablet says so on its wall, in both languages', (await tablet.locator('[data-notice] p[lang="es"]').count()) === 1);
  await tablet.goto('http://127.0.0.1:18891/#/keep');
  await tablet.locator('footer .main').click();
  await tablet.locator('[data-check="good"]').waitFor();
  await tablet.locator('[data-export] button').click();
  const made = tablet.locator('[data-exported]');
  await made.waitFor();
  const path = await made.getAttribute('data-exported');
  check('the check is good and all is in one file', /\.tar$/.test(path ?? ''), path);
  await tablet.screenshot({ path: join(out, '12-keeping-safe.png'), fullPage: true });
  await tablet.locator('[data-import]').waitFor();
  await tablet.getByRole('textbox').last().fill(path);
  await tablet.locator('[data-import] button').click();
  await tablet.locator('[data-imported="whole"]').waitFor();
  check('the file is brought in whole: all of it was here already', /records: 0 new/.test(await tablet.locator('[data-imported]').innerText()), await tablet.locator('[data-imported]').innerText());
  await tablet.close();

  await page.goto('http://127.0.0.1:18890/#/tablets');
  await page.locator('[data-take-back="K1"] button').click();
  await page.locator('[data-say-all] button').click();
  await page.locator('[data-reasons] button').first().click();
  await shot('13-take-in-again');
  await page.locator('[data-say-now]').click();
  await page.locator('[data-say-done]').waitFor();
  await k1.sync();
  const again = await until('K1 in the trailer', async () => { const s = await k1.call('sync_state'); return s.lives.entries_here === 0 ? s : null; });
  check('taken in again, it syncs and its record counts', !again.error, again);
  await page.goto(`http://127.0.0.1:18890/#/job/${job}`);
}

async function main() {
  const init = start('init', '--data', join(dir, 'trailer'), '--plan', join(root, 'server/demo/outage.json'));
  check('the plan is loaded', (await init.done) === 0, init.said());
  const B = 'http://127.0.0.1:18890';
  const serve = () => start('serve', '--data', join(dir, 'trailer'), '--listen', '127.0.0.1:18943', '--local', '127.0.0.1:18890', '--no-mdns', '--ui', ui);
  let trailer = serve();
  await until('the trailer', async () => (await fetch(`${B}/api/board/people`)).ok);
  const [k1, k2] = [tablet('K1', 18891), tablet('K2', 18892)];
  await Promise.all([k1.up(), k2.up()]);

  const browser = await chromium.launch({ executablePath: '/usr/bin/chromium', args: ['--no-sandbox', '--disable-dev-shm-usage', '--disable-gpu', '--disable-quic'] });
  const context = await browser.newContext({ viewport: { width: 1440, height: 900 }, locale: 'en', timezoneId: 'UTC', reducedMotion: 'reduce' });
  const page = await context.newPage();
  page.setDefaultTimeout(20_000);
  const told = [];
  page.on('console', (x) => x.type() === 'error' && !/Failed to load resource/.test(x.text()) && told.push(x.text()));
  page.on('pageerror', (e) => told.push(String(e)));
  const shot = async (name) => {
    await page.waitForTimeout(300);
    await page.screenshot({ path: join(out, `${name}.png`), fullPage: true });
    const bad = await wrongs(page, axe);
    check(`${name}: nothing wrong to axe and the house's measures`, bad.length === 0, bad.slice(0, 4).join(' | '));
  };
  const keys = async (text) => {
    for (const k of text) {
      await page.keyboard.press(k);
      await page.waitForTimeout(260);
    }
  };
  const sentence = () => page.locator('[data-sentence]').innerText();

  await page.goto(B);
  await page.locator('[data-person="m-diaz"]').click();
  await keys(pin('m-diaz'));
  await page.keyboard.press('Enter');
  await page.locator('[data-heard]').waitFor();
  check('an empty board is not ready', /NOT READY.*no job.*no tablet/s.test(await sentence()), await sentence());
  await shot('1-empty');

  for (const k of [k1, k2]) {
    await page.locator('[data-pair]').click();
    await page.locator('[data-pair-make]').click();
    const code = await page.locator('[data-pair-code]').innerText();
    const address = await page.locator('[data-pair-address]').innerText();
    if (k === k1) {
      await shot('2-pair');
      await k.call('pair', { address, code, name: k.name });
    } else await k.call('pair', { text: (await page.locator('[data-pair-text]').textContent()).trim(), name: k.name });
    await page.getByText(`${k.name} is paired`).waitFor();
    check(`${k.name} is paired ${k === k1 ? 'by hand' : 'by the text of the picture'}, and the board says so`, true);
    await page.goto(`${B}/#/`);
  }

  const { job } = await crews(page, k1, k2);
  await page.locator(`.wall [data-job="${job}"]`).waitFor();
  await until('the disagreement on the board', async () => /1 place with two answers/.test(await sentence()));
  check('the sentence names what is missing', /NOT READY/.test(await sentence()), await sentence());
  await shot('3-board');
  await page.locator('[data-wanted="two-answers"]').click();
  await page.locator('[data-two-answers="gap/6"]').waitFor();
  await until('three pictures', () => page.evaluate(() => [...document.querySelectorAll('[data-photo] img')].filter((i) => i.naturalWidth > 0).length === 3)).catch(async (error) => {
    await shot('wrong-photos');
    throw new Error(`${error.message}: ${await page.locator('[data-photo]').evaluateAll((all) => all.map((f) => f.outerHTML).join(' '))}`);
  });
  check('three photos are shown from the trailer', true);
  const boxes = await page.locator('[data-two-answers="gap/6"] [data-answer]').evaluateAll((all) => all.map((b) => { const r = b.getBoundingClientRect(); return { w: Math.round(r.width), h: Math.round(r.height), text: b.innerText }; }));
  check('equal boxes, K1 first, neither chosen', boxes.length === 2 && boxes[0].w === boxes[1].w && boxes[0].h === boxes[1].h && /K1/.test(boxes[0].text) && /K2/.test(boxes[1].text), boxes);
  await shot('4-job');

  await page.locator('[data-settle-open="gap/6"] button').click();
  await page.locator('[data-settle-again] button').click();
  await page.locator('[data-settle-value] .pad').waitFor();
  await keys('20');
  const tab = page.locator('[data-settle-value] .tab').nth(1);
  if (await tab.count()) await tab.click();
  await page.locator('[data-settle-value] .parts button').nth(9).click();
  await page.locator('[data-settle-reason]').fill('measured again by both crews together');
  await shot('5-settle');
  await page.locator('[data-settle-next]').click();
  await page.getByText('20 9/16 in').first().waitFor();
  await keys(pin('m-diaz'));
  await shot('6-settle-pin');
  await page.locator('[data-settle-save]').click();
  await page.locator('[data-settle-done="gap/6"]').waitFor();
  await until('the sentence without two answers', async () => !/two answers/.test(await sentence()));
  check('settled: the sentence no longer counts it', true);
  check('both answers and the settlement stay readable', (await page.locator('[data-two-answers="gap/6"] [data-answer]').count()) === 3);
  await shot('7-settled');
  for (const k of [k1, k2]) {
    await k.sync();
    const field = (await k.call('job', { job })).fields['gap/6'];
    check(`${k.name} has the settlement`, field.state === 'agreed' && field.answers[0].settled === 'measured again by both crews together' && field.past.length === 2, field);
  }

  // Signed, then changed: the signature must be seen as stale with what changed.
  await k2.as('l-vega');
  const may = await k2.call('may_sign', { job, gate: 'place' });
  const role = may.roles.find((r) => r.may)?.role;
  if (role) {
    await k2.call('sign', { job, gate: 'place', role, pin: pin('l-vega'), lang: 'en', covers: may.covers });
    const { fields } = await k2.call('job', { job });
    await k2.as('ana-r');
    await k2.record(job, 'place', { ...place, landmark: 'wall blower 12, 2 left of it' }, fields.place.basis);
    await k2.sync();
    await page.locator('[data-stale="place"]').filter({ hasText: 'place' }).waitFor();
    check('a stale signature is shown with what changed', /changed? in place|change in place/.test(await page.locator('[data-stale="place"]').innerText()), await page.locator('[data-stale="place"]').innerText());
  } else check('somebody may sign the place', false, may);

  await page.locator('[data-lang="es"]').click();
  await page.locator('[data-mode-key]').click();
  await shot('8-job-es');
  await page.locator('[data-lang="en"]').click();
  await lost(page, context, k1, job, shot);

  // The server goes away and comes back.
  trailer.child.kill('SIGTERM');
  await trailer.done;
  await page.locator('main.old').waitFor();
  check('a server that does not answer is said, with the time', /has not answered since \d\d:\d\d:\d\d/.test(await sentence()), await sentence());
  await shot('9-lost');
  trailer = serve();
  await page.locator('[data-person="m-diaz"], [data-heard]').first().waitFor();
  check('it comes back by itself', true);
  check('nothing was told on the console', told.length === 0, told.join(' | '));
  await browser.close();
  writeFileSync(join(out, 'trailer.log'), trailer.said());
}

try {
  await main();
} catch (error) {
  check('the play went to its end', false, String(error.stack ?? error));
}
for (const child of children) child.kill('SIGTERM');
console.log(`${failed} things wrong; pictures in ${out}`);
process.exit(failed ? 1 : 0);
