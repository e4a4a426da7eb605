// Looks at the step screens with a made-up job: a picture of each in both lights and languages, axe on each, and the house's own
// measures. `npm run build && node dev/steps.mjs [--out DIR] [--only NAME] [--quick]`. Exits 1 where something is wrong.
import { join } from 'node:path';
import { cells, context, launch, told, wrongs } from './audit.mjs';
import { serve } from './fixture.mjs';
import { bare, cutDone, JOB, plan, view } from './steps-world.mjs';

const { out, only, quick, axe } = told('/tmp/tubewright-steps');

const keys = async (page, text) => {
  for (const k of text) {
    await page.keyboard.press(k);
    await page.waitForTimeout(130);
  }
};
const job = (...path) => ['job', JOB, ...path].map(encodeURIComponent).join('/');
/** Each screen: name, who, what stands, path and what is done there before it is looked at. */
const SCREENS = [
  { name: 'photos', path: job('step', 'failure') },
  { name: 'photos-camera', path: job('step', 'failure'), camera: true, wait: 900 },
  { name: 'seen', path: job('step', 'failure', 'seen'), act: async (p) => { await p.locator('fieldset').first().getByRole('button').nth(1).click(); await p.locator('fieldset').nth(1).getByRole('button').nth(2).click(); } },
  { name: 'gauge', job: bare, path: job('step', 'readings'), act: async (p) => { await p.getByRole('textbox').first().fill('UT-3'); await keys(p, '10'); } },
  { name: 'readings', path: job('step', 'readings'), act: async (p) => { await p.locator('table button').nth(9).click(); await keys(p, '17'); } },
  { name: 'readings-strike', path: job('step', 'readings'), act: (p) => p.locator('.items button').first().click() },
  { name: 'readings-ask', path: job('step', 'readings'), ask: true, act: async (p) => { await p.locator('table button').nth(9).click(); await keys(p, '017'); await p.locator('footer .main').click(); } },
  { name: 'plan', path: job('step', 'plan'), act: async (p) => { await p.locator('fieldset').first().getByRole('button').first().click(); } },
  { name: 'plan-pad', job: bare, path: job('step', 'plan'), act: async (p) => { await p.locator('fieldset').first().getByRole('button').nth(2).click(); } },
  { name: 'before-work', path: job('step', 'before-work') },
  { name: 'before-work-bad', path: job('step', 'before-work'), act: (p) => p.locator('ol button').nth(4).click() },
  { name: 'material', path: job('step', 'material', 'material'), act: (p) => p.getByRole('textbox').first().fill('SA-213 T11') },
  { name: 'filler', path: job('step', 'material', 'filler') },
  { name: 'procedure', path: job('step', 'material', 'procedure') },
  { name: 'gap', who: 'm-soto', path: job('step', 'cut-gap'), act: async (p) => { await keys(p, '20'); await p.locator('.parts button').nth(9).click(); } },
  { name: 'gap-done', who: 'm-soto', job: cutDone, path: job('step', 'cut-gap') },
  { name: 'gap-others', who: 'd-kerr', job: cutDone, path: job('step', 'cut-gap') },
  { name: 'gap-blind', who: 'd-kerr', job: cutDone, path: job('step', 'cut-gap'), act: async (p) => { await p.locator('main .stack button').first().click(); await keys(p, '2'); }, blind: ['20', '9/16', '5/8', '5/16'] },
  { name: 'piece', who: 'm-soto', job: cutDone, path: job('step', 'cut-gap', 'piece') },
  { name: 'fit-up-which', who: 'm-soto', path: job('step', 'fit-up') },
  { name: 'fit-up', who: 'm-soto', path: job('step', 'fit-up', 'upper') },
  { name: 'weld', who: 'm-soto', path: job('step', 'weld', 'upper') },
  { name: 'visual', who: 'l-vega', path: job('step', 'examination', 'upper') },
  { name: 'test', who: 'l-vega', path: job('step', 'test') },
  { name: 'close-out', who: 'm-diaz', path: job('step', 'close-out') },
  { name: 'gate', who: 'm-diaz', path: job('gate', 'before-work'), act: async (p) => { await p.locator('.who fieldset button').first().click(); await keys(p, '1234'); } },
  { name: 'gate-blocked', who: 'ana-r', path: job('gate', 'gap') },
  { name: 'gate-waive', who: 'm-diaz', path: job('gate', 'place'), act: (p) => p.getByRole('button', { name: /Waive|Dispensar/ }).click() },
  { name: 'answers', who: 'm-soto', path: job('answers', 'gap/6') },
  { name: 'answers-settle', who: 'm-diaz', path: job('answers', 'gap/6'), act: (p) => p.locator('footer .keys button').nth(1).click() },
].filter((s) => s.name.startsWith(only));

/** The seam's answers that differ from the other fixture. */
async function seam(page, screen) {
  const now = (screen.job ?? view)();
  const blindView = () => ({ ...now, fields: Object.fromEntries(Object.entries(now.fields).filter(([f]) => !f.startsWith('gap/') && f !== 'piece')), sums: { ...now.sums, cut: null } });
  const json = (route, body, status = 200) => route.fulfill({ status, contentType: 'application/json', body: JSON.stringify(body) });
  await page.route('**/tablet/api/job', (route) => json(route, route.request().postDataJSON().hide?.length ? blindView() : now));
  await page.route('**/tablet/api/record', (route) =>
    screen.ask
      ? json(route, { status: 400, code: 'refused', words: 'Read it once more.', faults: [{ code: 'ask-wall-reading-unusual', words: '0.017 in (0.43 mm) is under a fifth of the specified 0.200 in. Grind the spot, read it once more.' }] }, 400)
      : json(route, { saved: ['ff'.repeat(32)], view: now }),
  );
  await page.route('**/tablet/api/may_sign', (route) => {
    const gate = now.gates.find((g) => g.gate === route.request().postDataJSON().gate);
    const who = plan.people.find((p) => p.id === (screen.who ?? 'ana-r'));
    const roles = gate.roles.map((role) => (who.roles.includes(role) ? { role, may: gate.blocked.length === 0, why: gate.blocked[0] } : { role, may: false, why: { code: 'not-that-role', words: `${who.name} may not sign as ${role}: nothing was signed.`, with: { name: who.name, role } } }));
    return json(route, { roles, statement: '', covers: gate.covers, waive: who.roles.filter((r) => ['supervisor', 'engineer', 'inspector'].includes(r)) });
  });
  await page.route('**/tablet/photo/**', (route) =>
    route.fulfill({ contentType: 'image/svg+xml', body: '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 40 30" width="400" height="300"><path fill="#333" d="M0 0h40v30H0z"/><path fill="#887" d="M6 0h8v30H6zM16 0h8v30h-8zM26 0h8v30h-8z"/><path d="M18 12q2-4 4 2t-1 8q-3-2-3-10z"/></svg>' }),
  );
}

const SIZES = [
  { name: '10in', width: 800, height: 1280, modes: ['daylight', 'furnace'], langs: ['en', 'es'] },
  { name: '360', width: 360, height: 640, mm: '5.9', modes: ['daylight'], langs: ['es'] },
  { name: 'zoom', width: 400, height: 640, modes: ['furnace'], langs: ['es'] },
];

const browser = await launch();
const camera = SCREENS.some((s) => s.camera) ? await launch('--use-fake-device-for-media-stream', '--use-fake-ui-for-media-stream') : null;
const tablet = await serve();
let wrong = 0;
let seen = 0;

async function look(place, screen, { size, mode, lang }) {
  tablet.reset({ who: screen.who ?? 'ana-r' });
  const page = await place.newPage();
  const heard = [];
  page.on('console', (msg) => msg.type() === 'error' && !(screen.ask && /400/.test(msg.text())) && heard.push(msg.text()));
  page.on('pageerror', (e) => heard.push(String(e)));
  const say = (what) => {
    wrong += 1;
    console.log(`${screen.name} ${size.name} ${mode} ${lang}: ${what}`);
  };
  try {
    await seam(page, screen);
    await page.goto(`${tablet.url}/#/${screen.path}`);
    await page.locator('footer .keys').waitFor();
    await page.waitForTimeout(screen.wait ?? 250);
    if (screen.act) await screen.act(page);
    await page.waitForTimeout(150);
    const name = `${screen.name}-${size.name}-${mode}-${lang}`;
    await page.screenshot({ path: join(out, `${name}.png`) });
    // Whole and with nothing under the foot: axe can't judge what the foot covers.
    const high = await page.evaluate(() => document.documentElement.scrollHeight);
    if (high > size.height) {
      await page.setViewportSize({ width: size.width, height: high });
      await page.waitForTimeout(50);
      await page.screenshot({ path: join(out, `${name}-whole.png`) });
    }
    for (const bad of await wrongs(page, axe)) say(bad);
    const text = await page.content();
    for (const figure of screen.blind ?? []) if (new RegExp(`(?<![\\w/.#%-])${figure}(?![\\w/.%;])`).test(await page.evaluate(() => document.body.innerText)) || text.includes(`>${figure}<`) && !/^\d\/\d+$/.test(figure)) say(`the first figure ${figure} is on the page`);
    for (const h of heard) say(`console: ${h}`);
    seen += 1;
  } catch (error) {
    say(`did not get there: ${String(error).split('\n').slice(0, 3).join(' ')}`);
  }
  await page.close().catch(() => undefined);
}

for (const cell of cells(SIZES, quick)) {
  for (const [b, list] of [[browser, SCREENS.filter((s) => !s.camera)], [camera, SCREENS.filter((s) => s.camera)]]) {
    if (!b || list.length === 0) continue;
    const place = await context(b, cell.size, cell.mode, cell.lang);
    for (const screen of list) await look(place, screen, cell);
    await place.close();
  }
}
await browser.close();
await camera?.close();
tablet.server.close();
console.log(`${seen} screens looked at, ${wrong} things wrong; pictures in ${out}`);
process.exitCode = wrong ? 1 : 0;
