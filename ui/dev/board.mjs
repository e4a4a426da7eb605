// Looks at the board with a made-up trailer: a picture of each state in both lights and languages, axe and the house's own
// measures on each; then plays what must not go wrong. `npm run build && node dev/board.mjs [--out DIR] [--only NAME] [--quick]`.
// Exits 1 where something is wrong.
import { join } from 'node:path';
import { cells, context, launch, told, wrongs } from './audit.mjs';
import { serve } from './board-world.mjs';
import { ID } from './series-world.mjs';
import { JOB } from './steps-world.mjs';

const { out, only, quick, axe } = told('/tmp/tubewright-board');

const me = { who: 'm-diaz' };
const keys = async (page, text) => {
  for (const k of text) {
    await page.keyboard.press(k);
    await page.waitForTimeout(130);
  }
};
const settle = async (page) => {
  await page.locator('[data-settle-open] button').click();
  await page.locator('[data-settle-pick="1"] button').click();
  await page.locator('[data-settle-pick="1"] [aria-pressed="true"]').waitFor();
  await page.locator('[data-settle-reason]').fill('both measured again together, T-07 was read at the wrong end');
};
const measured = async (page) => {
  await page.locator('[data-settle-open] button').click();
  await page.locator('[data-settle-again] button').click();
  await page.locator('[data-settle-value] .pad').waitFor();
  await keys(page, '20');
};
/** Each state: its name, the world, the path, what is done there. */
const SCREENS = [
  { name: 'sign-in', world: {}, path: '' },
  { name: 'pin', world: {}, path: '', act: async (p) => { await p.locator('[data-person="m-diaz"]').click(); await keys(p, '481'); } },
  { name: 'board', world: me, path: '' },
  { name: 'table', world: me, path: '', act: async (p) => { await p.getByRole('button', { name: /As a table|Como tabla/ }).click(); await p.locator('[data-wall-as="table"]').waitFor(); } },
  { name: 'filtered', world: me, path: '', act: (p) => p.locator('.wanted .row button').first().click() },
  { name: 'empty', world: { ...me, empty: true }, path: '' },
  { name: 'ready', world: { ...me, ready: true }, path: '' },
  { name: 'lost', world: me, path: '', act: async (p, t) => { t.set({ ...me, gone: true }); await p.locator('main.old').waitFor({ timeout: 12_000 }); } },
  { name: 'job', world: me, path: `job/${JOB}` },
  { name: 'job-step', world: me, path: `job/${JOB}`, act: async (p) => { await p.locator('[data-step="7"]').click(); await p.locator('[data-field="gap/6"]').waitFor(); } },
  { name: 'job-settle', world: me, path: `job/${JOB}`, act: settle },
  { name: 'job-measured', world: me, path: `job/${JOB}`, act: measured },
  { name: 'job-pin', world: me, path: `job/${JOB}`, act: async (p) => { await settle(p); await p.locator('[data-settle-next]').click(); await keys(p, '12'); } },
  { name: 'job-settled', world: { ...me, settled: true }, path: `job/${JOB}` },
  { name: 'job-material', world: { ...me, two: 'material' }, path: `job/${JOB}`, act: async (p) => { await p.locator('[data-settle-open="material"] button').click(); await p.locator('[data-settle-again] button').click(); } },
  { name: 'job-gone', world: me, path: 'job/00' },
  { name: 'apart-board', world: { ...me, apart: true, backup: 'late' }, path: '' },
  { name: 'apart-place', world: { ...me, apart: true, backup: 'late' }, path: 'tablets' },
  { name: 'apart-place-welder', world: { who: 'm-soto', apart: true, backup: 'none' }, path: 'tablets' },
  { name: 'apart-off', world: { ...me, apart: true }, path: `tablets/off/${ID.K4.incarnation}` },
  { name: 'apart-off-read', world: { ...me, apart: true }, path: `tablets/off/${ID.K1.incarnation}`, act: async (p) => { await p.locator('[data-reasons] button').first().click(); await p.locator('[data-off-next]').click(); await p.locator('[data-off-now]').waitFor(); } },
  { name: 'apart-off-done', world: { ...me, apart: true }, path: `tablets/off/${ID.K1.incarnation}`, act: async (p) => { await p.locator('[data-reasons] button').first().click(); await p.locator('[data-off-next]').click(); await p.locator('[data-off-now]').click(); await p.locator('[data-off-done]').waitFor(); } },
  { name: 'apart-after', world: { ...me, apart: true, backup: 'never' }, path: `tablets/off/${ID.K1.incarnation}`, act: async (p) => { await p.locator('[data-reasons] button').first().click(); await p.locator('[data-off-next]').click(); await p.locator('[data-off-now]').click(); await p.locator('[data-off-back]').click(); await p.locator('[data-place-tablet="K1"].taken-off').waitFor(); } },
  { name: 'apart-unknown', world: { ...me, apart: true }, path: `tablets/apart/${ID.K9.incarnation}` },
  { name: 'apart-refused', world: { ...me, apart: true }, path: `tablets/apart/${ID.K3.incarnation}` },
  { name: 'apart-say', world: { ...me, apart: true }, path: `tablets/apart/${ID.K9.incarnation}`, act: async (p) => { await p.locator('[data-upto="3"] button').click(); await p.locator('[data-reasons] button').nth(1).click(); } },
  { name: 'pair', world: me, path: 'pair' },
  { name: 'pair-code', world: me, path: 'pair', act: async (p) => { await p.locator('[data-pair-make]').click(); await p.locator('[data-pair-code]').waitFor(); } },
].filter((s) => s.name.includes(only));

const SIZES = [
  { name: 'wide', width: 1440, height: 900, modes: ['daylight', 'furnace'], langs: ['en', 'es'] },
  { name: 'zoom', width: 720, height: 450, modes: ['furnace'], langs: ['es'] },
  { name: '360', width: 360, height: 640, modes: ['daylight'], langs: ['es'] },
];

const browser = await launch();
const trailer = await serve();
let wrong = 0;
let seen = 0;

async function look(place, screen, tag) {
  trailer.set(screen.world);
  const page = await place.newPage();
  const say = (what) => { wrong += 1; console.log(`${screen.name} ${tag}: ${what}`); };
  const heard = [];
  // A refused or lost request is told on the console by the browser itself.
  page.on('console', (m) => m.type() === 'error' && !/Failed to load resource/.test(m.text()) && heard.push(m.text()));
  page.on('pageerror', (e) => heard.push(String(e)));
  try {
    await page.goto(`${trailer.url}/#/${screen.path}`);
    await page.locator(screen.world.who ? '[data-sentence]' : '[data-person]').first().waitFor();
    await page.waitForTimeout(300);
    if (screen.act) await screen.act(page, trailer);
    await page.waitForTimeout(500);
    await page.screenshot({ path: join(out, `${screen.name}-${tag}.png`), fullPage: true });
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
  for (const screen of SCREENS) await look(place, screen, `${cell.size.name}-${cell.mode}-${cell.lang}`);
  await place.close();
}

/** What must not go wrong, played with keys only where a person could. */
const PLAYS = {
  async 'a board that is not answered never says ready'(page) {
    trailer.set({ ...me, ready: true });
    await page.goto(`${trailer.url}/`);
    await page.locator('[data-sentence][data-ready="true"]').waitFor();
    trailer.set({ ...me, ready: true, gone: true });
    await page.locator('[data-sentence][data-ready="false"]').waitFor({ timeout: 15_000 });
    const text = await page.locator('header').innerText();
    if (/ready as far/i.test(text) || !/NOT KNOWN/.test(text) || !/has not answered since/.test(text)) throw new Error(text);
    if (/READY as far/.test(await page.title())) throw new Error(await page.title());
    trailer.set({ ...me, ready: true });
    await page.locator('[data-sentence][data-ready="true"]').waitFor({ timeout: 15_000 });
  },
  async 'signing in and out by keys only'(page) {
    trailer.set({});
    await page.goto(`${trailer.url}/`);
    await page.locator('[data-person="m-diaz"]').focus();
    await page.keyboard.press('Enter');
    await keys(page, '000000');
    await page.keyboard.press('Enter');
    await page.getByRole('alert').filter({ hasText: 'not the PIN' }).waitFor();
    await keys(page, trailer.pin('m-diaz'));
    await page.keyboard.press('Enter');
    await page.locator('[data-heard]').waitFor();
    await page.locator('[data-sign-out]').focus();
    await page.keyboard.press('Enter');
    await page.locator('[data-person="m-diaz"]').waitFor();
  },
  async 'a session that ends goes back to signing in, with the reason'(page) {
    trailer.set({ ...me });
    await page.goto(`${trailer.url}/`);
    await page.locator('[data-heard]').waitFor();
    trailer.set({});
    await page.locator('[data-person="m-diaz"]').waitFor({ timeout: 12_000 });
    await page.getByText('Nobody is signed in').waitFor();
  },
  async 'a settlement sends the body chosen, the reason and what was on the screen'(page) {
    trailer.set({ ...me });
    await page.goto(`${trailer.url}/#/job/${JOB}`);
    await settle(page);
    await page.locator('[data-settle-next]').click();
    await keys(page, trailer.pin('m-diaz'));
    await page.locator('[data-settle-save]').click();
    await page.locator('[data-settle-done="gap/6"]').waitFor();
    const { sent } = trailer.world();
    if (sent.body.gap.typed !== '20 5/8' || sent.basis.length !== 2 || !sent.reason.startsWith('both measured')) throw new Error(JSON.stringify(sent));
    await page.locator('[data-two-answers="gap/6"][data-state="agreed"] [data-answer]').nth(2).waitFor();
  },
  async 'an unlikely figure is measured twice before it is taken'(page) {
    trailer.set({ ...me, asks: true });
    await page.goto(`${trailer.url}/#/job/${JOB}`);
    await page.locator('[data-settle-open] button').click();
    await page.locator('[data-settle-again] button').click();
    await page.locator('[data-settle-reason]').fill('measured again together');
    const enter = async () => {
      await page.locator('[data-settle-value] .pad').focus().catch(() => undefined);
      await page.locator('h2').first().click();
      await keys(page, '29');
      await part(page);
      await page.locator('[data-settle-next]').click();
      await keys(page, trailer.pin('m-diaz'));
      await page.locator('[data-settle-save]').click();
    };
    await enter();
    await page.getByText('Read the instrument once more').first().waitFor();
    if (!(await page.locator('[data-settle-next]').isDisabled())) throw new Error('the figure was not emptied');
    await enter();
    await page.locator('[data-settle-done]').waitFor();
    const { sent } = trailer.world();
    if (sent.body.read_twice !== true || !/^29/.test(sent.body.gap.typed)) throw new Error(JSON.stringify(sent));
  },
  async 'a further answer under the hand takes the choice back'(page) {
    trailer.set({ ...me, two: 'material' });
    await page.goto(`${trailer.url}/#/job/${JOB}`);
    await page.locator('[data-settle-open="material"] button').click();
    await page.locator('[data-settle-pick="0"] button').click();
    await page.locator('[data-settle-reason]').fill('read off the tube again');
    await page.locator('[data-settle-next]').click();
    await keys(page, '12');
    trailer.set({ ...me, two: 'material', third: true });
    await page.getByText('while you were choosing').waitFor({ timeout: 12_000 });
    if ((await page.locator('[data-settle-pick] [aria-pressed="true"]').count()) > 0) throw new Error('a choice still stands');
    if ((await page.locator('[data-settle-pick]').count()) !== 3) throw new Error('the third answer is not there');
  },
  async 'a photo that is still on its tablet says on which, and comes by itself'(page) {
    trailer.set({ ...me });
    await page.goto(`${trailer.url}/#/job/${JOB}`);
    const away = page.locator('[data-photo-missing="away"]');
    await away.filter({ hasText: 'still on K2' }).waitFor();
    trailer.set({ ...me, photosIn: true });
    await away.waitFor({ state: 'detached', timeout: 12_000 });
  },
  async 'a new tablet is seen as soon as it is paired, and an old code is not shown'(page) {
    trailer.set({ ...me });
    await page.goto(`${trailer.url}/#/pair`);
    await page.locator('[data-pair-make]').click();
    await page.locator('[data-pair-code]').waitFor();
    trailer.set({ ...me, paired: true });
    await page.getByText('K7 is paired').waitFor({ timeout: 12_000 });
    trailer.set({ ...me, expires: 2, paired: true });
    await page.locator('[data-pair-make]').click();
    await page.getByText('no longer good').waitFor({ timeout: 12_000 });
    if ((await page.locator('[data-pair-code]').count()) > 0) throw new Error('the old code is still shown');
  },
  async 'a welder can neither settle nor pair'(page) {
    trailer.set({ who: 'm-soto' });
    await page.goto(`${trailer.url}/#/job/${JOB}`);
    await page.locator('[data-two-answers]').waitFor();
    if ((await page.locator('[data-settle-open], [data-pair]').count()) > 0) throw new Error('keys that are not theirs');
  },
  async 'turning the screen loses nothing of what was chosen and typed'(page) {
    trailer.set({ ...me });
    await page.goto(`${trailer.url}/#/job/${JOB}`);
    await settle(page);
    await page.setViewportSize({ width: 700, height: 900 });
    await page.waitForTimeout(300);
    await page.setViewportSize({ width: 1440, height: 900 });
    await page.waitForTimeout(300);
    if (!/both measured/.test(await page.locator('[data-settle-reason]').inputValue())) throw new Error('the reason is gone');
    await page.locator('[data-settle-pick="1"] [aria-pressed="true"]').waitFor();
  },
  async 'a lost tablet is taken off only after all that will happen was read'(page) {
    trailer.set({ ...me, apart: true });
    await page.goto(`${trailer.url}/`);
    await page.locator('[data-tablets-more] button').click();
    await page.locator('[data-take-off="K1"] button').click();
    if (!(await page.locator('[data-off-next]').isDisabled())) throw new Error('no reason, and yet onwards');
    await page.locator('[data-reason]').fill('left on the scaffold, not found');
    await page.locator('[data-off-next]').focus();
    await page.keyboard.press('Enter');
    const will = await page.locator('[data-off-will]').innerText();
    for (const part of ['Entries 1 to 214 of K1', 'kept apart', 'access ends', 'Nothing is deleted', '4 records still only there']) if (!will.includes(part)) throw new Error(`${part}: ${will}`);
    if (trailer.world().series.said.length > 0) throw new Error('sent too early');
    await page.locator('[data-off-now]').click();
    await page.locator('[data-off-done]').waitFor();
    const [sent] = trailer.world().series.said;
    if (sent.device !== ID.K1.device || sent.incarnation || sent.reason !== 'left on the scaffold, not found') throw new Error(JSON.stringify(sent));
    await page.locator('[data-off-back]').click();
    await page.locator('[data-place-tablet="K1"].taken-off').filter({ hasText: 'left on the scaffold' }).waitFor();
    await page.locator('[data-sentence]').filter({ hasText: 'K1 was taken off: its records count to entry 214' }).waitFor();
  },
  async 'of a tablet that was copied it is asked which is meant'(page) {
    trailer.set({ ...me, apart: true });
    await page.goto(`${trailer.url}/#/tablets/off/${ID.K4.incarnation}`);
    await page.locator('[data-reasons] button').nth(3).click();
    if (!(await page.locator('[data-off-next]').isDisabled())) throw new Error('guessed which is meant');
    await page.locator('[data-off-whole] button').click();
    await page.locator('[data-off-next]').click();
    const both = await page.locator('[data-off-will]').innerText();
    if (!both.includes('1 to 212 of K4.') && !both.includes('1 to 212 of K4 ')) throw new Error(both);
    if (!both.includes('1 to 31 of K4-7F2')) throw new Error(both);
    await page.locator('.keys .back').click();
    await page.locator('[data-off-only] button').click();
    await page.locator('[data-off-next]').click();
    if ((await page.locator('[data-off-will]').innerText()).includes('K4-7F2')) throw new Error('the other one too');
    await page.locator('[data-off-now]').click();
    await page.locator('[data-off-done]').waitFor();
    const [sent] = trailer.world().series.said;
    if (sent.incarnation !== ID.K4.incarnation) throw new Error(JSON.stringify(sent));
  },
  async 'a welder sees the tablets and what is kept apart, and who may decide; no keys'(page) {
    trailer.set({ who: 'm-soto', apart: true });
    await page.goto(`${trailer.url}/#/tablets`);
    await page.locator('[data-apart-of="K9"]').filter({ hasText: 'Only a supervisor or QC' }).waitFor();
    if ((await page.locator('[data-take-off], [data-apart-open], [data-pair]').count()) > 0) throw new Error('keys that are not theirs');
    await page.goto(`${trailer.url}/#/tablets/apart/${ID.K9.incarnation}`);
    await page.getByText('Only a supervisor or QC may read').waitFor();
    await page.goto(`${trailer.url}/#/tablets/off/${ID.K1.incarnation}`);
    await page.getByText('A supervisor or QC may take a tablet off').waitFor();
    if ((await page.locator('[data-off-next], [data-apart-entry]').count()) > 0) throw new Error('keys that are not theirs');
  },
  async 'an unknown series is read, and let in up to the end of a tap'(page) {
    trailer.set({ ...me, apart: true });
    await page.goto(`${trailer.url}/`);
    await page.locator('[data-sentence]').filter({ hasText: '5 records of a tablet this trailer does not know' }).waitFor();
    await page.locator('[data-wanted="apart"]').filter({ hasText: 'K9' }).click();
    await page.locator('[data-apart-open="K9"] button').click();
    await page.locator('[data-apart-entry="4"]').filter({ hasText: 'K9-004, gap at 6' }).waitFor();
    await page.locator('[data-upto="2"] button').click();
    await page.locator('[data-reasons] button').nth(1).click();
    await page.locator('[data-say-now]').click();
    await page.locator('[data-say="3"]').waitFor();
    await page.getByRole('alert').filter({ hasText: 'saved with one tap' }).waitFor();
    if (!(await page.locator('[data-say-will]').innerText()).includes('3 entries of K9 count')) throw new Error('not read anew');
    await page.locator('[data-say-now]').click();
    await page.locator('[data-say-done]').waitFor();
    const sent = trailer.world().series.said.at(-1);
    if (sent.to !== 3 || sent.said.length !== 0 || !sent.reason) throw new Error(JSON.stringify(sent));
    if ((await page.locator('[data-apart-entry]').count()) !== 2) throw new Error('the rest is not there');
  },
  async 'taking in says null outright, and somebody who was quicker is told'(page) {
    trailer.set({ ...me, apart: true });
    trailer.world().series.changed = true;
    await page.goto(`${trailer.url}/#/tablets/apart/${ID.K9.incarnation}`);
    await page.locator('[data-say-all] button').click();
    await page.locator('[data-reason]').fill('ours, of the first week');
    await page.locator('[data-say-now]').click();
    await page.getByRole('alert').filter({ hasText: 'somebody was quicker' }).waitFor();
    trailer.world().series.changed = false;
    await page.locator('[data-say-now]').click();
    await page.locator('[data-say-done]').waitFor();
    const sent = trailer.world().series.said.at(-1);
    if (!('to' in sent) || sent.to !== null) throw new Error(JSON.stringify(sent));
    await page.locator('[data-sentence]').filter({ hasNotText: 'does not know' }).waitFor({ timeout: 12_000 });
  },
  async 'what was looked at and left apart is no longer waited for, and still told'(page) {
    trailer.set({ ...me, apart: true });
    await page.goto(`${trailer.url}/#/tablets/apart/${ID.K3.incarnation}`);
    await page.locator('[data-apart-entry="101"]').filter({ hasText: 'two different entries' }).waitFor();
    if ((await page.locator('[data-upto]').count()) > 0) throw new Error('what does not fit can be let in');
    await page.locator('[data-say-stay] button').click();
    await page.locator('[data-reasons] button').nth(2).click();
    await page.locator('[data-say-now]').click();
    await page.locator('[data-say-done]').waitFor();
    const sent = trailer.world().series.said.at(-1);
    if (sent.to !== null) throw new Error(JSON.stringify(sent));
    await page.locator('header [data-looked]').filter({ hasText: '2 records are kept apart, looked at' }).waitFor({ timeout: 12_000 });
  },
  async 'every tube is reached and opened by keys'(page) {
    trailer.set({ ...me });
    await page.goto(`${trailer.url}/`);
    await page.locator('.wall [data-job]').first().waitFor();
    const all = await page.locator('.wall [data-job], [data-wanted]').count();
    const reached = new Set();
    for (let i = 0; i < 90; i += 1) {
      await page.keyboard.press('Tab');
      const at = await page.evaluate(() => {
        const e = document.activeElement;
        const r = e.getBoundingClientRect();
        const list = [...document.querySelectorAll('.wall [data-job], [data-wanted]')];
        return { at: list.indexOf(e), seen: r.width > 0 && getComputedStyle(e).outlineStyle !== 'none' };
      });
      if (at.at >= 0) {
        if (!at.seen) throw new Error('focus is not seen');
        reached.add(at.at);
      }
    }
    if (reached.size !== all) throw new Error(`${reached.size} of ${all} reached`);
    await page.locator('.wall [data-job]').first().focus();
    await page.keyboard.press('Enter');
    await page.locator('[data-open-job] h2').waitFor();
    await page.waitForFunction(() => document.activeElement?.tagName === 'H2');
  },
};

/** The first key of the pad's right block: no fraction. */
async function part(page) {
  const tab = page.locator('[data-settle-value] .tab').nth(1);
  if (await tab.count()) await tab.click();
  await page.locator('[data-settle-value] .parts button').first().click();
}

if (!only || only === 'play') {
  for (const [name, play] of Object.entries(PLAYS)) {
    const place = await context(browser, { width: 1440, height: 900 }, 'daylight', 'en');
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
trailer.server.close();
console.log(`${seen} screens looked at, ${wrong} things wrong; pictures in ${out}`);
process.exitCode = wrong ? 1 : 0;
