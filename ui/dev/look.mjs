// Looks at the screens: a picture of each in both lights and languages, axe on each, and the house's own measures.
// `npm run build && npm run look [-- --out DIR] [-- --only NAME]`. Exits 1 where something is wrong.
import { join } from 'node:path';
import { cells, context, launch, told, wrongs } from './audit.mjs';
import { COPIED, FAULTS, JOB, serve } from './fixture.mjs';

const { out, only, quick, axe } = told('/tmp/tubewright-look');

const keys = (text) => async (page) => {
  for (const k of text) await page.keyboard.press(k);
};
const me = { who: 'ana-r' };
/** Each screen: its name, the world, the path and what is done there before it is looked at. */
const SCREENS = [
  { name: 'pair', world: { paired: false }, path: '' },
  { name: 'plan', world: me, path: 'plan' },
  { name: 'true-size', world: me, path: 'mm' },
  { name: 'sign-in', path: '' },
  { name: 'pin', path: '', act: async (page) => { await page.getByRole('button', { name: /Ana R/ }).click(); await keys('481')(page); } },
  { name: 'wall', world: me, path: '' },
  { name: 'tube', world: me, path: `job/${JOB['K4-071']}` },
  { name: 'tube-two', world: me, path: `job/${JOB['K4-066']}` },
  { name: 'new-tube', world: me, path: 'new', act: keys('47') },
  { name: 'new-elevation', world: me, path: 'new', act: async (page) => { await keys('47')(page); await page.locator('footer .main').click(); await keys('54')(page); } },
  { name: 'new-side', world: me, path: 'new', act: async (page) => { await keys('47')(page); await page.locator('footer .main').click(); await keys('54')(page); await page.locator('.tab').nth(1).click({ timeout: 300 }).catch(() => undefined); await page.locator('.parts button').nth(6).click(); await page.locator('footer .main').click(); } },
  { name: 'place-stop', world: me, path: `job/${JOB['K4-064']}/step/place` },
  { name: 'place-first', world: me, path: `job/${JOB['K4-073']}/step/place` },
  { name: 'count', world: { who: 'j-ortiz' }, path: `job/${JOB['K4-073']}/count`, act: keys('61'), blind: '60' },
  { name: 'sync', world: me, path: 'sync' },
  { name: 'sync-going', world: { ...me, sync: { running: true, phase: 'photos', done: 1, total: 3, error: null }, lives: { entries_here: 0, photos_here: 2, last_receipt_seq: 54, last_receipt_ms: Date.UTC(2026, 2, 3, 14, 41), state: 'going' } }, path: 'sync' },
  { name: 'sync-failed', world: { ...me, sync: { running: false, phase: 'hello', done: 0, total: 0, error: { code: 'not-found', words: 'The trailer does not answer.' } }, lives: { entries_here: 14, photos_here: 3, last_receipt_seq: 40, last_receipt_ms: Date.UTC(2026, 2, 3, 12, 12), state: 'not-found' } }, path: 'sync' },
  { name: 'sync-copied', world: { ...me, ...COPIED, sync: { running: false, phase: 'hello', done: 0, total: 0, error: { code: 'pair-again', words: 'The trailer does not know this tablet’s present series of records yet, so nothing was sent. Everything is safe here, and it goes on recording. Pair it again at the trailer, with a new code from the board.' } } }, path: 'sync' },
  { name: 'wall-copied', world: { ...me, ...COPIED }, path: '' },
  { name: 'wall-off', world: { ...me, sync: { running: false, phase: 'hello', done: 0, total: 0, error: { code: 'tablet-revoked', words: 'This tablet was shut out at the trailer: nothing was taken. Its records are kept on it; bring it to the supervisor.' } } }, path: '' },
  { name: 'sign-in-copied', world: COPIED, path: '' },
  { name: 'pair-copied', world: { ...me, ...COPIED }, path: 'pair' },
  { name: 'keep', world: { ...me, key_home: 'keyring' }, path: 'keep' },
  { name: 'keep-unpaired', world: { paired: false, lives: { entries_here: 0, photos_here: 0, last_receipt_seq: 0, last_receipt_ms: null, state: 'only-here' } }, path: 'keep' },
  { name: 'keep-nobody', world: {}, path: 'keep' },
  { name: 'keep-copied', world: { ...me, ...COPIED }, path: 'keep' },
  { name: 'keep-checking', world: { ...me, slow: true }, path: 'keep', act: async (page) => { await page.locator('footer .main').click(); await page.locator('progress').waitFor(); } },
  { name: 'keep-good', world: me, path: 'keep', act: async (page) => { await page.locator('footer .main').click(); await page.locator('[data-check="good"]').waitFor(); await page.locator('[data-export] button').click(); await page.locator('[data-exported]').waitFor(); } },
  { name: 'keep-faults', world: { ...me, faults: FAULTS }, path: 'keep', act: async (page) => { await page.locator('footer .main').click(); await page.locator('[data-check="faults"]').waitFor(); await page.locator('[data-export] button').click(); await page.locator('[data-exported]').waitFor(); } },
  { name: 'keep-brought', world: { ...me, cutFile: true }, path: 'keep', act: async (page) => { await page.getByRole('textbox').last().fill('/media/STICK/tubewright-K2-20260303-061200.tar'); await page.locator('[data-import] button').click(); await page.locator('[data-imported]').waitFor(); } },
].filter((s) => s.name.includes(only));

const SIZES = [
  { name: '10in', width: 800, height: 1280, modes: ['daylight', 'furnace'], langs: ['en', 'es'] },
  { name: '360', width: 360, height: 640, modes: ['daylight'], langs: ['es'] },
  { name: 'zoom', width: 400, height: 640, modes: ['furnace'], langs: ['es'] },
];

const browser = await launch();
const tablet = await serve();
let wrong = 0;
let seen = 0;

async function look(place, screen, { size, mode, lang }) {
  tablet.reset(screen.world);
  const page = await place.newPage();
  const heard = [];
  page.on('console', (m) => m.type() === 'error' && heard.push(m.text()));
  page.on('pageerror', (e) => heard.push(String(e)));
  const say = (what) => { wrong += 1; console.log(`${screen.name} ${size.name} ${mode} ${lang}: ${what}`); };
  try {
    await page.goto(`${tablet.url}/#/${screen.path}`);
    await page.locator('h1').first().waitFor();
    await page.waitForTimeout(150);
    if (screen.act) await screen.act(page);
    await page.waitForTimeout(100);
    if (screen.blind && new RegExp(`\\b${screen.blind}\\b`).test(await page.evaluate(() => document.body.innerText))) say(`the first figure ${screen.blind} is on the page`);
    // Unrolled, so that no target is half under the foot of the page, which always stays in sight.
    const tall = await page.evaluate(() => document.documentElement.scrollHeight);
    await page.setViewportSize({ width: size.width, height: Math.max(size.height, tall) });
    await page.screenshot({ path: join(out, `${screen.name}-${size.name}-${mode}-${lang}.png`) });
    for (const bad of await wrongs(page, axe)) say(bad);
    for (const h of heard) say(`console: ${h}`);
    seen += 1;
  } catch (error) {
    say(`did not get there: ${String(error).split('\n')[0]}`);
  }
  await page.close();
}

for (const cell of cells(SIZES, quick)) {
  const place = await context(browser, cell.size, cell.mode, cell.lang);
  for (const screen of SCREENS) await look(place, screen, cell);
  await place.close();
}

/** What must not go wrong. */
const PLAYS = {
  async 'a tablet that was copied says so in both languages and goes on recording'(page) {
    tablet.reset({ ...me, ...COPIED });
    await page.goto(`${tablet.url}/`);
    const notice = page.locator('[data-notice="series-copied"]');
    await notice.locator('p[lang="en"]').filter({ hasText: 'Everything is kept. It goes on as K4-7F2. Pair it again at the trailer.' }).waitFor();
    await notice.locator('p[lang="es"]').filter({ hasText: 'Se conserva todo. Sigue como K4-7F2. Enlácela otra vez en el tráiler.' }).waitFor();
    await page.locator('footer .main').click();
    await page.waitForURL(/#\/new/);
    await page.locator('.pad').waitFor();
  },
  async 'it is paired again from its notice'(page) {
    tablet.reset({ ...me, ...COPIED });
    await page.goto(`${tablet.url}/`);
    await page.locator('[data-notice] button').first().click();
    await page.getByRole('textbox').first().fill('tubewright:pair?a=1');
    await page.locator('footer .main').click();
    await page.waitForURL(/#\/plan/);
    if (tablet.world().sent.pair.text !== 'tubewright:pair?a=1') throw new Error(JSON.stringify(tablet.world().sent));
  },
  async 'one that was taken off is told on the wall, and sent to the supervisor'(page) {
    tablet.reset({ ...me, sync: { running: false, phase: 'hello', done: 0, total: 0, error: { code: 'tablet-revoked', words: 'shut out' } } });
    await page.goto(`${tablet.url}/`);
    await page.locator('[data-notice="tablet-revoked"]').filter({ hasText: 'Bring it to the supervisor' }).waitFor();
    if (await page.locator('footer .main').isDisabled()) throw new Error('recording is stopped');
  },
  async 'keeping safe is reached with nobody signed in, and before the first pairing'(page) {
    for (const world of [{}, { paired: false }]) {
      tablet.reset(world);
      await page.goto('about:blank');
      await page.goto(`${tablet.url}/`);
      await page.getByRole('button', { name: 'Keeping safe' }).click();
      await page.locator('footer .main').click();
      await page.locator('[data-check="good"]').waitFor();
    }
  },
  async 'a file goes to the folder that was typed, and a folder that is not there is told'(page) {
    tablet.reset(me);
    await page.goto(`${tablet.url}/#/keep`);
    await page.getByRole('textbox').first().fill('/nowhere');
    await page.locator('[data-export] button').click();
    await page.getByRole('alert').filter({ hasText: 'There is no such folder' }).waitFor();
    await page.getByRole('textbox').first().fill(' /media/STICK ');
    await page.locator('[data-export] button').click();
    await page.locator('[data-exported^="/media/STICK/"]').waitFor();
    if (tablet.world().sent.export_store.to !== '/media/STICK') throw new Error(JSON.stringify(tablet.world().sent.export_store));
  },
  async 'nobody brings in a file without having taken up the tablet'(page) {
    tablet.reset({});
    await page.goto(`${tablet.url}/#/keep`);
    await page.getByText('Take up the tablet first').waitFor();
    if ((await page.locator('[data-import]').count()) > 0) throw new Error('a key that is refused');
  },
  async 'the trailer is found at another address'(page) {
    tablet.reset({ ...me, sync: { running: false, phase: 'hello', done: 0, total: 0, error: { code: 'not-found', words: 'The trailer does not answer.' } } });
    await page.goto(`${tablet.url}/#/sync`);
    await page.getByRole('textbox').fill('nonsense');
    await page.locator('[data-set-address] button').click();
    await page.getByRole('alert').filter({ hasText: 'is not an address' }).waitFor();
    await page.getByRole('textbox').fill('10.1.2.3:8443');
    await page.locator('[data-set-address] button').click();
    await page.getByText('Kept: 10.1.2.3:8443').waitFor();
  },
};
if (!only || only === 'play') {
  for (const [name, play] of Object.entries(PLAYS)) {
    const place = await context(browser, SIZES[0], 'daylight', 'en');
    const page = await place.newPage();
    page.setDefaultTimeout(8_000);
    try {
      await play(page);
      console.log(`ok: ${name}`);
    } catch (error) {
      wrong += 1;
      console.log(`WRONG: ${name}: ${String(error).split('\n').slice(0, 3).join(' ')}`);
      await page.screenshot({ path: join(out, `wrong-${name.replace(/\W+/g, '-')}.png`), fullPage: true });
    }
    await place.close();
  }
}
await browser.close();
tablet.server.close();
console.log(`${seen} screens looked at, ${wrong} things wrong; pictures in ${out}`);
process.exitCode = wrong ? 1 : 0;
