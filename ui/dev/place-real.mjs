// Plays pairing, sign-in, a new failure with its two counts, and sync, through the screens against the real tablet and trailer
// programs on loopback, and checks after each what the tablet's journal says.
// `UI_DIST=... SERVER=.../tubewright-server node dev/place-real.mjs [--out DIR]`
import { spawn } from 'node:child_process';
import { mkdirSync, mkdtempSync, readFileSync } from 'node:fs';
import { createServer } from 'node:net';
import { tmpdir } from 'node:os';
import { join } from 'node:path';
import { chromium } from 'playwright-core';

const root = join(import.meta.dirname, '../..');
const at = process.argv.indexOf('--out');
const out = at > 0 ? process.argv[at + 1] : '/tmp/tubewright-place-real';
mkdirSync(out, { recursive: true });
const server = process.env.SERVER ?? join(root, 'target/debug/tubewright-server');
const ui = process.env.UI_DIST ?? join(root, 'ui/dist');
const plan = JSON.parse(readFileSync(join(root, 'server/demo/outage.json'), 'utf8'));
const pin = (id) => plan.people.find((p) => p.id === id).pin_plain;
const name = (id) => plan.people.find((p) => p.id === id).name;
const dir = mkdtempSync(join(tmpdir(), 'tubewright-'));

const free = () => new Promise((ok) => { const s = createServer(); s.listen(0, '127.0.0.1', () => { const { port } = s.address(); s.close(() => ok(port)); }); });
const children = [];
function start(...args) {
  const child = spawn(server, args, { stdio: ['ignore', 'pipe', 'pipe'] });
  children.push(child);
  let said = '';
  child.stdout.on('data', (d) => (said += d));
  child.stderr.on('data', (d) => (said += d));
  return { child, said: () => said, done: new Promise((ok) => child.on('exit', ok)) };
}
async function post(url, body, headers = {}) {
  const response = await fetch(url, { method: 'POST', headers: { 'content-type': 'application/json', ...headers }, body: JSON.stringify(body) });
  const text = await response.text();
  return { status: response.status, json: text ? JSON.parse(text) : null, cookie: response.headers.get('set-cookie')?.split(';')[0] };
}
async function until(what, test) {
  for (let i = 0; i < 300; i += 1) {
    const got = await Promise.resolve().then(test).catch(() => null);
    if (got) return got;
    await new Promise((ok) => setTimeout(ok, 100));
  }
  throw new Error(`waited in vain for ${what}`);
}
let failed = 0;
function check(what, ok, more = '') {
  if (!ok) failed += 1;
  console.log(`${ok ? 'ok  ' : 'BAD '} ${what}${ok ? '' : ` ${typeof more === 'string' ? more : JSON.stringify(more)?.slice(0, 700)}`}`);
}

try {
  const [tls, board, port] = [await free(), await free(), await free()];
  const T = `http://127.0.0.1:${port}`;
  const B = `http://127.0.0.1:${board}`;
  const call = async (n, args = {}) => (await post(`${T}/tablet/api/${n}`, args)).json;
  const init = start('init', '--data', join(dir, 'trailer'), '--plan', join(root, 'server/demo/outage.json'));
  if ((await init.done) !== 0) throw new Error(init.said());
  const serve = ['serve', '--data', join(dir, 'trailer'), '--listen', `127.0.0.1:${tls}`, '--local', `127.0.0.1:${board}`, '--no-mdns'];
  let trailer = start(...serve);
  start('tablet', '--data', join(dir, 'k4'), '--local', `127.0.0.1:${port}`, '--ui', ui);
  await until('the tablet', () => call('state').then((s) => 'paired' in s));
  const session = await until('the board', () => post(`${B}/api/board/session`, { person: 'm-diaz', pin: pin('m-diaz') }).then((r) => r.status < 300 && r));
  const pairing = await post(`${B}/api/board/pairing`, {}, { cookie: session.cookie, origin: B });
  const code = pairing.json.text.replace(/a=[^&]*/, `a=127.0.0.1:${tls}`);

  const browser = await chromium.launch({ executablePath: '/usr/bin/chromium', args: ['--no-sandbox', '--disable-gpu', '--disable-dev-shm-usage', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'] });
  const context = await browser.newContext({ viewport: { width: 800, height: 1280 }, timezoneId: 'UTC', reducedMotion: 'reduce' });
  await context.addInitScript(() => localStorage.setItem('lang', localStorage.getItem('lang') ?? 'en'));
  const page = await context.newPage();
  const told = [];
  page.on('console', (m) => m.type() === 'error' && !/40[0-9]|429|503/.test(m.text()) && told.push(m.text()));
  page.on('pageerror', (e) => told.push(String(e)));
  let taps = 0;
  await page.exposeFunction('tapped', () => (taps += 1));
  await context.addInitScript(() => window.addEventListener('pointerup', () => window.tapped?.()));
  const shot = (n) => page.screenshot({ path: join(out, `${n}.png`) });
  const main = () => page.locator('footer .main:not([disabled])').click({ timeout: 8000 });
  const said = () => page.locator('body').innerText();
  const digits = async (text) => {
    for (const d of text) {
      await page.locator('.digits').getByRole('button', { name: d, exact: true }).click();
      await page.waitForTimeout(125);
    }
  };
  async function takeUp(id, secret = pin(id)) {
    await page.getByRole('button', { name: name(id) }).click();
    await digits(secret);
    await main();
  }
  const english = async () => { if ((await page.locator('html').getAttribute('lang')) === 'es') await page.getByRole('button', { name: 'EN, English' }).click(); };

  // Pairing through the screen.
  await page.goto(`${T}/`);
  await page.getByLabel('Text of the pairing code').fill('something else');
  await main();
  await page.getByText('not a pairing code').waitFor();
  await shot('pair-wrong');
  check('a text that is no code pairs nothing', !(await call('state')).paired);
  await page.getByLabel('Text of the pairing code').fill(code);
  await page.getByLabel('Name of this tablet', { exact: false }).fill('K4');
  await main();
  await until('pairing', async () => (await call('state')).paired);
  check('paired with its plan', (await until('the plan', async () => (await call('state')).has_plan)) === true, await call('state'));
  await page.getByText(plan.plant).first().waitFor({ timeout: 8000 }).catch(() => undefined);
  await shot('plan');
  check('the plan is shown', (await said()).includes(plan.plant), await said());
  await page.goto(`${T}/#/mm`);
  await page.getByRole('button', { name: 'a hair longer' }).click();
  await main();
  await until('the millimetre', async () => (await call('state')).mm);
  check('a millimetre is kept', Number((await call('state')).mm) > 2, await call('state'));

  // Taking up the tablet.
  await page.goto(`${T}/#/`);
  await page.getByRole('button', { name: name('ana-r') }).waitFor();
  await takeUp('ana-r', '000000');
  await page.getByRole('alert').filter({ hasText: /\w/ }).waitFor();
  await shot('wrong-pin');
  check('a wrong PIN lets nobody in', (await call('state')).person === null);
  await digits(pin('ana-r'));
  await main();
  await until('sign-in', async () => (await call('state')).person?.id === 'ana-r');
  check('the language follows the person', (await until('Spanish', async () => (await page.locator('html').getAttribute('lang')) === 'es')) === true);
  await english();
  await shot('wall-empty');

  // A new failure: 47, 54' 6", fire side, 3 left of a wall blower.
  taps = 0;
  await main();
  await digits('47');
  await page.waitForTimeout(500);
  await page.reload();
  await page.getByText('Elevation').first().waitFor();
  await page.waitForTimeout(300);
  check('a half-typed place survives a reload', (await page.locator('.tile').first().innerText()).includes('47'), await said());
  if ((await page.locator('.tile[aria-current=true]').innerText()).startsWith('Tube')) await main();
  await digits('54');
  await page.locator('.parts button').nth(6).click();
  await shot('elevation');
  await main();
  check('no side is chosen for anybody', (await page.locator('footer .main').isDisabled()) && (await page.locator('main [aria-pressed=true]').count()) === 0);
  await page.getByRole('button', { name: 'fire side' }).click();
  await main();
  await page.getByRole('button', { name: 'wall blower 12', exact: true }).click();
  await page.getByRole('button', { name: 'left of it', exact: true }).click();
  await digits('3');
  await shot('landmark');
  await main();
  await shot('check');
  await main();
  await page.getByText('is open and saved').waitFor({ timeout: 8000 });
  await shot('write');
  const jobs = await call('jobs');
  const job = jobs[0]?.job;
  const view = () => call('job', { job });
  const place = (await view()).fields.place?.answers[0].body;
  check('the place is in the journal', place?.tube === 47 && place.elevation.value.join('/') === '109/2' && place.side === 'fire' && /^wall blower 12, 3/.test(place.landmark), place);
  check(`opened in ${taps} taps (budget 15 of the 56)`, taps > 0 && taps <= 20, String(taps));
  await main();
  await page.locator('ol li').first().waitFor();
  await shot('tube');

  // The second count: blind, wrong, stopped; both count again; they meet.
  await page.locator('button[data-step="1"]').click();
  await page.getByText('Second count').first().waitFor();
  await main();
  await page.getByRole('button', { name: name('j-ortiz') }).waitFor();
  check('handed over', (await call('state')).person === null);
  await takeUp('j-ortiz');
  await page.getByText(/Find the tube marked|Busque el tubo/).waitFor();
  await english();
  const html = await page.content();
  check('the first figure is nowhere in the page', !/\b47\b/.test(await said()) && !/>\s*47\s*</.test(html), await said());
  await digits('75');
  await shot('count');
  await main();
  await page.getByText('STOP', { exact: false }).first().waitFor({ timeout: 8000 });
  await shot('stop');
  check('counts that do not meet stop the job', (await view()).sums.count.state === 'does-not-meet' && (await page.locator('footer .main').innerText()) === 'Count again');
  await main();
  await digits('74');
  await main();
  await page.getByText('The counts meet', { exact: false }).waitFor({ timeout: 8000 });
  await shot('meets');
  const now = await view();
  check('the counts meet', now.sums.count.state === 'meets' && now.fields['second-count'].past.length === 1, now.fields['second-count']);

  // To the trailer; then again without it.
  await page.goto(`${T}/#/sync`);
  await page.getByRole('button', { name: 'Send now' }).waitFor();
  check('it says what is only here', /\d+ records/.test(await said()) && (await call('state')).lives.entries_here > 0);
  await main();
  await page.getByText('has given its receipt').waitFor({ timeout: 15000 });
  await shot('synced');
  check('the trailer holds it', (await call('state')).lives.state === 'in-trailer', (await call('state')).lives);
  await call('record', { job, field: 'notes', body: { text: 'chalk is wet' }, basis: [] });
  trailer.child.kill();
  await trailer.done;
  await main();
  await page.getByText('It did not go through').waitFor({ timeout: 30000 });
  await shot('sync-failed');
  const words = await said();
  check('a failed sync says what is safe and what to do', /Nothing is lost/.test(words) && /Go nearer/.test(words) && !/All that this tablet holds is in the trailer/.test(words), words);
  trailer = start(...serve);
  await until('the trailer again', () => fetch(`${B}/api/board/people`).then((r) => r.ok));
  await main();
  await page.getByText('has given its receipt').waitFor({ timeout: 15000 });
  check('and goes on where it stopped', (await call('state')).lives.entries_here === 0, (await call('state')).lives);

  await page.goto(`${T}/#/`);
  await page.locator('.jobs button').first().waitFor();
  await shot('wall');
  await main().catch(() => undefined);
  check('no errors in the console', told.length === 0, told);
  await browser.close();
} catch (error) {
  failed += 1;
  console.log(`BAD  stopped: ${String(error?.stack ?? error).slice(0, 900)}`);
} finally {
  for (const child of children) child.kill();
}
console.log(failed ? `${failed} things wrong` : 'all as it should be', `; pictures in ${out}`);
process.exit(failed ? 1 : 0);
