// Plays one whole repair through the step screens in a browser, against the real tablet and trailer programs on loopback, and
// checks after each screen what the tablet's journal says now.
// `UI_DIST=... SERVER=.../tubewright-server node dev/steps-real.mjs [--out DIR]`
import { spawn } from 'node:child_process';
import { mkdirSync, mkdtempSync } from 'node:fs';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { chromium } from 'playwright-core';
import { plan } from './steps-world.mjs';

const arg = (name, other) => (process.argv.includes(name) ? process.argv[process.argv.indexOf(name) + 1] : other);
const root = join(import.meta.dirname, '../..');
const out = arg('--out', '/tmp/tubewright-steps-real');
mkdirSync(out, { recursive: true });
const server = process.env.SERVER ?? join(root, 'target/debug/tubewright-server');
const ui = process.env.UI_DIST ?? join(root, 'ui/dist');
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
const post = async (url, body, headers = {}) => {
  const response = await fetch(url, { method: 'POST', headers: { 'content-type': 'application/json', ...headers }, body: JSON.stringify(body) });
  const text = await response.text();
  return { status: response.status, json: text ? JSON.parse(text) : null, cookie: response.headers.get('set-cookie')?.split(';')[0] };
};
async function until(what, test) {
  for (let i = 0; i < 600; i += 1) {
    const got = await Promise.resolve(test()).catch(() => null);
    if (got) return got;
    await new Promise((ok) => setTimeout(ok, 100));
  }
  throw new Error(`waited in vain for ${what}`);
}

let page;
let job;
let failed = 0;
const T = 'http://127.0.0.1:18790';
const call = async (name, args = {}) => (await post(`${T}/tablet/api/${name}`, args)).json;
const check = (what, ok, more = '') => {
  if (!ok) failed += 1;
  console.log(`${ok ? 'ok  ' : 'BAD '} ${what}${ok ? '' : ` ${typeof more === 'string' ? more : JSON.stringify(more)?.slice(0, 600)}`}`);
};
const view = () => call('job', { job });
const field = async (name) => (await view()).fields[name];
const shot = (name) => page.screenshot({ path: join(out, `${name}.png`), fullPage: false });
const main = async () => {
  await page.locator('footer .main:not([disabled])').click({ timeout: 8000 });
  await page.waitForTimeout(350);
};
const keys = async (text) => {
  await page.evaluate(() => document.activeElement?.blur());
  for (const k of text) {
    await page.keyboard.press(k);
    await page.waitForTimeout(135);
  }
};
const part = (n) => page.locator('.parts button').nth(n).click();
const button = (text) => page.getByRole('button', { name: text, exact: true }).first().click();
const group = (n, i) => page.locator('main fieldset').nth(n).getByRole('button').nth(i).click();
const fill = (label, text) => page.getByLabel(label).first().fill(text);
async function go(...path) {
  await page.goto(`${T}/#/${['job', job, ...path].map(encodeURIComponent).join('/')}`);
  await page.locator('footer .keys').waitFor();
  await page.waitForTimeout(300);
}
async function as(person) {
  await call('sign_out');
  const got = await call('sign_in', { person, pin: pin(person) });
  if (!got.person) throw new Error(JSON.stringify(got));
  await page.goto('about:blank');
}

try {
  const init = start('init', '--data', join(dir, 'trailer'), '--plan', join(root, 'server/demo/outage.json'));
  if ((await init.done) !== 0) throw new Error(init.said());
  const trailer = start('serve', '--data', join(dir, 'trailer'), '--listen', '127.0.0.1:18743', '--local', '127.0.0.1:18780', '--no-mdns');
  const tablet = start('tablet', '--data', join(dir, 'k4'), '--local', '127.0.0.1:18790', '--ui', ui);
  await until('the tablet', () => call('state').then((s) => 'paired' in s));
  const B = 'http://127.0.0.1:18780';
  const session = await until('the board', () => post(`${B}/api/board/session`, { person: 'm-diaz', pin: pin('m-diaz') }).then((r) => r.status < 300 && r));
  const pairing = await post(`${B}/api/board/pairing`, {}, { cookie: session.cookie, origin: B });
  const text = pairing.json.text?.replace(/a=[^&]*/, 'a=127.0.0.1:18743');
  check('pairing code', !!text, pairing);
  const paired = await call('pair', { text });
  check('paired', !!paired.site, [paired, trailer.said(), tablet.said()]);

  const browser = await chromium.launch({ executablePath: '/usr/bin/chromium', args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'] });
  const context = await browser.newContext({ viewport: { width: 800, height: 1280 }, timezoneId: 'UTC', reducedMotion: 'reduce' });
  await context.addInitScript(() => location.protocol === 'http:' && localStorage.setItem('lang', 'en'));
  page = await context.newPage();
  const told = [];
  page.on('console', (m) => m.type() === 'error' && !/40[0-9]|429/.test(m.text()) && told.push(m.text()));
  page.on('pageerror', (e) => told.push(String(e)));

  // The place is another screen's: opened through the seam here.
  await as('ana-r');
  const ft = (t) => ({ typed: t, unit: 'ft' });
  const opened = await call('open_job', { section: 'front-wall', place: { section: 'front-wall', row: 1, tube: 47, elevation: ft('54 6/12'), side: 'fire', landmark: '' } });
  job = opened.job;
  check('job opened', !!job, opened);
  await as('j-ortiz');
  await call('record', { job, field: 'second-count', body: { tube: plan.sections[0].tubes + 1 - 47 }, basis: [] });
  await as('ana-r');

  await go('step', 'failure');
  const jpeg = await page.screenshot({ type: 'jpeg', quality: 80 });
  await page.locator('input[type=file]').first().waitFor({ state: 'attached', timeout: 9000 });
  for (let i = 0; i < 3; i += 1) {
    await page.locator('input[type=file]').nth(i).setInputFiles({ name: `p${i}.jpg`, mimeType: 'image/jpeg', buffer: Buffer.concat([jpeg, Buffer.from([i])]) });
    await until('a photo', async () => ((await view()).lists.photos ?? []).length === i + 1);
  }
  await page.waitForTimeout(600);
  check('three photos, one of each view', (await view()).lists.photos.map((p) => p.body.view).join() === 'overview,middle,close', (await view()).lists.photos);
  await shot('photos');
  await main();
  await group(0, 0);
  await group(1, 0);
  await group(1, 1);
  await group(2, 0);
  await shot('seen');
  await main();
  check('failure', (await field('failure'))?.answers[0].body.signs.join() === 'bulge,thin-lip', await field('failure'));

  await go('step', 'readings');
  await fill('Gauge number', 'UT-3');
  await fill('Block number', 'B-11');
  await keys('100');
  for (const figures of ['100', '300', '301', '88']) {
    await main();
    await keys(figures);
  }
  await shot('gauge');
  await main();
  check('gauge', (await field('gauge'))?.answers[0].body.steps.length === 2, await page.locator('main').innerText());
  const cells = page.locator('table button');
  await cells.nth(6).click();
  for (const mil of ['171', '165', '112', '168', '173']) {
    if (mil !== '171') await cells.nth(5 + ['171', '165', '112', '168', '173'].indexOf(mil)).click();
    else await cells.nth(5).click();
    await keys(mil);
    await main();
  }
  check('five readings', (await view()).lists.readings?.length === 5, (await view()).lists.readings);
  await cells.nth(0).click();
  await keys('017');
  await main();
  check('a fifth of the wall is asked about', (await view()).lists.readings.length === 5 && (await page.locator('.ask').count()) === 1, await page.locator('main').innerText());
  await shot('ask');
  await keys('017');
  await main();
  check('the same figure twice is taken as read twice', (await view()).lists.readings[5]?.body.read_twice === true, await page.locator('main').innerText());
  await page.locator('.items button').nth(5).click();
  await page.locator('.reason button').first().click();
  await page.getByRole('button', { name: 'Strike it now' }).click();
  await page.waitForTimeout(400);
  check('struck with a reason', (await view()).lists.readings[5]?.struck === 'slip of the finger', (await view()).lists.readings[5]);
  await shot('readings');

  await as('p-lindahl');
  await go('step', 'plan');
  await group(0, 0);
  await fill('Why this method', 'thinned and bulged over 14 in');
  await keys('55');
  await part(4);
  await main();
  await keys('53');
  await part(8);
  await shot('plan');
  await main();
  check('plan', (await field('plan'))?.answers[0].body.upper_cut?.value.join() === '166,3', await field('plan'));

  await as('m-diaz');
  await go('step', 'before-work');
  for (const c of plan.checks) {
    await fill('What you see', `seen: ${c.id}`);
    await group(0, 0);
    if (c === plan.checks[2]) {
      // Half typed, and the page is gone.
      await page.waitForTimeout(500);
      await page.reload();
      await page.locator('footer .keys').waitFor();
      await until('the draft', async () => (await page.getByLabel('What you see').first().inputValue()) === `seen: ${c.id}`);
      check('half-typed check survives', true);
    }
    await main();
    if (c !== plan.checks.at(-1)) await main();
  }
  await shot('before-work');
  check('all checks', plan.checks.length === Object.keys((await view()).fields).filter((f) => f.startsWith('before-work/')).length);

  await go('gate', 'before-work');
  await page.locator('.who fieldset button:not([disabled])').first().click();
  await keys('000000');
  await main();
  check('a wrong PIN signs nothing', (await view()).gates.find((g) => g.gate === 'before-work').signs.length === 0);
  await shot('gate-wrong-pin');
  await keys(pin('m-diaz'));
  await shot('gate');
  await main();
  check('signed', (await view()).gates.find((g) => g.gate === 'before-work').signs[0]?.good === true, await page.locator('main').innerText());

  await go('step', 'material', 'material');
  await fill('Specification', plan.sections[0].tube.grade);
  await fill('Heat number', 'H88412');
  await fill('Certificate', 'MC-2231');
  await group(0, 0);
  await keys('2500');
  await main();
  await keys('203');
  await main();
  check('material', (await field('material'))?.answers[0].body.od.value.join() === '5,2', await page.locator('main').innerText());
  await button('ER70S-2');
  await fill('Lot number', 'L-5520');
  await main();
  check('filler', (await field('filler'))?.answers[0].body.lot === 'L-5520');
  await group(0, 0);
  await shot('procedure');
  await main();
  check('procedure', (await field('procedure'))?.answers[0].body.procedure === plan.procedures[0].id);

  await as('m-soto');
  await go('step', 'cut-gap');
  for (const [whole, n] of [['20', 9], ['20', 8], ['20', 8], ['20', 9]]) {
    await keys(whole);
    await part(n);
    await main();
  }
  await shot('gap');
  check('four gaps', (await view()).sums.cut?.missing.length === 0, (await view()).sums.cut);
  check('cut length', (await view()).sums.cut?.length?.typed !== undefined, (await view()).sums.cut?.no_number);
  await main();
  await keys('20');
  await part(5);
  await main();
  await shot('piece');
  check('piece and openings', Object.keys((await view()).sums.cut?.openings ?? {}).length === 4, [await field('piece'), await page.locator('main').innerText()]);

  await as('d-kerr');
  await go('step', 'cut-gap');
  await page.locator('main .stack button').first().click();
  await page.waitForTimeout(400);
  for (const [whole, n] of [['20', 10], ['20', 9], ['20', 9], ['20', 8]]) {
    const seen = await page.evaluate(() => document.body.innerText);
    if (/\b20\b/.test(seen)) check('first figure hidden', false, seen);
    await keys(whole);
    await part(n);
    await main();
  }
  await page.waitForTimeout(500);
  await shot('gap-two');
  check('after the last blind place all is shown', /Two answers|two answers/.test(await page.locator('main').innerText()), await page.locator('main').innerText());
  check('blind, the same figure agrees and another stands beside it', ['agreed', 'agreed', 'two-answers', 'agreed'].join() === (await Promise.all(['12', '3', '6', '9'].map(async (c) => (await field(`gap/${c}`)).state))).join(), await Promise.all(['12', '3', '6', '9'].map(async (c) => (await field(`gap/${c}`)).state)));
  await go('answers', 'gap/6');
  await shot('answers');
  await as('l-vega');
  await go('answers', 'gap/6');
  await page.locator('footer .keys button').nth(1).click();
  await page.getByRole('button', { name: 'This one stands' }).nth(1).click();
  await fill('Why this one', 'both measured again together: 20 5/8');
  await keys(pin('l-vega'));
  await shot('settle');
  await main();
  check('settled, with the reason', (await field('gap/6')).state === 'agreed' && /measured again/.test((await field('gap/6')).answers[0].settled ?? ''), [await field('gap/6'), await page.locator('main').innerText()]);

  await as('m-soto');
  for (const j of ['upper', 'lower']) {
    await go('step', 'fit-up', j);
    await part(1);
    await page.locator('.parts .half').first().click();
    await main();
    await part(0);
    await page.locator('.parts .half').first().click();
    await group(0, 0);
    await main();
    check(`fit-up ${j}`, (await field(`joint/${j}/fit-up`))?.answers[0].body.root.value.join() === '3,32', await page.locator('main').innerText());
    await shot(`fit-up-${j}`);
    await go('step', 'weld', j);
    for (let p = 0; p < 4; p += 1) {
      await group(0, p);
      if (p === 0) {
        await group(1, 0);
        await group(2, 0);
        await page.getByRole('button', { name: /lot recorded/ }).click();
      }
      await main();
    }
    check(`four passes ${j}`, (await view()).lists[`joint/${j}/welds`]?.length === 4, await page.locator('main').innerText());
  }
  await shot('weld');
  await as('l-vega');
  for (const j of ['upper', 'lower']) {
    await go('step', 'examination', j);
    await fill('What you see', 'even cap, no undercut seen');
    await group(0, 0);
    await main();
    check(`visual ${j}`, (await field(`joint/${j}/visual`))?.answers[0].body.result === 'accept', await page.locator('main').innerText());
  }
  await go('step', 'test');
  await fill('Gauge number', 'PG-9');
  await group(0, 0);
  await keys('3000');
  await main();
  await keys('85');
  await main();
  await keys('30');
  await shot('test');
  await main();
  check('pressure test', (await field('test'))?.answers[0].body.hold_min === 30, await page.locator('main').innerText());
  await as('m-diaz');
  await go('step', 'close-out');
  await fill('What the next crew', 'plugs counted out, fins to be closed by the night crew');
  await main();
  check('closing note', !!(await field('hand-over')), await page.locator('main').innerText());
  await shot('close-out');
  // A change after the signature makes it stale, and the gate says so.
  await as('p-lindahl');
  await go('step', 'plan');
  await group(0, 0);
  await fill('Why this method', 'longer: swelling found up to 55 ft 8');
  await keys('55');
  await part(8);
  await main();
  await keys('53');
  await part(8);
  await main();
  await as('t-brandt');
  await go('gate', 'before-work');
  await shot('gate-stale');
  check('stale, with what changed', /STALE: signed before a change in plan/.test(await page.locator('main').innerText()), await page.locator('main').innerText());
  for (const t of told) check('console', false, t);
  await browser.close();
} catch (error) {
  failed += 1;
  console.log('STOPPED', error.message?.split('\n').slice(0, 6).join('\n'));
  if (page) {
    await shot('stopped').catch(() => undefined);
    console.log(await page.locator('main').innerText().catch(() => ''));
  }
} finally {
  for (const child of children) child.kill('SIGTERM');
}
console.log(failed ? `${failed} things wrong` : 'all as it should be', `pictures in ${out}`);
process.exit(failed ? 1 : 0);
