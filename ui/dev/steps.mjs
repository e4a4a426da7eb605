// Looks at the step screens with a made-up job: a picture of each in both lights and languages, axe on each, and the house's own
// measures. `npm run build && node dev/steps.mjs [--out DIR] [--only NAME] [--quick]`. Exits 1 where something is wrong.
import { mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { chromium } from 'playwright-core';
import { serve } from './fixture.mjs';
import { bare, cutDone, JOB, plan, view } from './steps-world.mjs';

const arg = (name, other) => (process.argv.includes(name) ? process.argv[process.argv.indexOf(name) + 1] : other);
const out = arg('--out', '/tmp/tubewright-steps');
const only = arg('--only', '');
const quick = process.argv.includes('--quick');
mkdirSync(out, { recursive: true });
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

const click = (page, name) => page.getByRole('button', { name }).first().click();
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
void click;

/** Runs in the page: targets under 14 mm, text cut off, sideways scrolling, keys without a gap. */
function audit() {
  const mm = Number(getComputedStyle(document.documentElement).getPropertyValue('--mm'));
  const bad = [];
  const shown = (e) => e.getClientRects().length > 0 && !e.closest('.unseen');
  for (const e of document.querySelectorAll('button, a[href], input, select, textarea, summary')) {
    if (!shown(e) || e.classList.contains('unseen')) continue;
    const r = e.getBoundingClientRect();
    if (r.width < 14 * mm - 0.6 || r.height < 14 * mm - 0.6) bad.push(`target ${(r.width / mm).toFixed(1)} x ${(r.height / mm).toFixed(1)} mm: ${(e.textContent || e.ariaLabel || '').trim().slice(0, 40)}`);
    if (e.scrollWidth > e.clientWidth + 1 && e.tagName === 'BUTTON') bad.push(`cut: ${e.textContent.trim().slice(0, 40)} ${e.scrollWidth} > ${e.clientWidth}`);
  }
  const wide = document.documentElement;
  if (wide.scrollWidth > wide.clientWidth) {
    const who = [...document.querySelectorAll('body *')].filter((e) => shown(e) && e.getBoundingClientRect().right > wide.clientWidth + 1).slice(0, 3);
    bad.push(`sideways: ${wide.scrollWidth} > ${wide.clientWidth} ${who.map((e) => `${e.tagName}.${e.className?.baseVal ?? e.className}`).join(' | ')}`);
  }
  // Contrast as axe would, but also where axe leaves it undecided: SVG text, text beside a fixed bar, short text.
  const rgb = (c) => (c.match(/[\d.]+/g) ?? []).map(Number);
  const lum = ([r, g, b]) => [r, g, b].reduce((sum, v, i) => { v /= 255; return sum + [0.2126, 0.7152, 0.0722][i] * (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); }, 0);
  for (const e of document.querySelectorAll('body *')) {
    if (!shown(e) || ![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    const style = getComputedStyle(e);
    const ink = rgb(e instanceof SVGElement ? style.fill : style.color);
    let at = e;
    let ground = [];
    while (at && (ground.length < 3 || ground[3] === 0)) {
      ground = at instanceof SVGElement ? [] : rgb(getComputedStyle(at).backgroundColor);
      at = at.parentElement;
    }
    const [a, b] = [lum(ink), lum(ground)].sort((x, y) => x - y);
    const ratio = (b + 0.05) / (a + 0.05);
    if (!(ratio >= 7)) bad.push(`contrast ${ratio.toFixed(1)}: ${e.textContent.trim().slice(0, 40)}`);
  }
  if (document.querySelectorAll('footer .main').length > 1) bad.push('more than one main key');
  return bad;
}

/** Runs in the page: of what axe left undecided, what is under 7:1 by its computed colours. */
function contrast(targets) {
  const parse = (c) => (c.match(/[\d.]+/g) ?? []).map(Number);
  const lum = (c) => [0.2126, 0.7152, 0.0722].reduce((sum, k, i) => sum + k * ((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))(c[i] / 255), 0);
  const ground = (e) => {
    for (let at = e; at; at = at.parentElement) {
      const c = parse(getComputedStyle(at).backgroundColor);
      if (c.length === 3 || c[3] === 1) return c;
    }
    return [255, 255, 255];
  };
  return targets.filter((t) => {
    const e = document.querySelector(t);
    if (!e) return true;
    const style = getComputedStyle(e);
    const [a, b] = [lum(parse(e instanceof SVGElement ? style.fill : style.color)), lum(ground(e))].sort((x, y) => y - x);
    return (a + 0.05) / (b + 0.05) < 7;
  });
}

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

const RULES = { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'], rules: { 'color-contrast-enhanced': { enabled: true }, 'target-size': { enabled: true } } };
const SIZES = [
  { name: '10in', width: 800, height: 1280, modes: ['daylight', 'furnace'], langs: ['en', 'es'] },
  { name: '360', width: 360, height: 640, mm: '5.9', modes: ['daylight'], langs: ['es'] },
  { name: 'zoom', width: 400, height: 640, modes: ['furnace'], langs: ['es'] },
].slice(0, quick ? 1 : 3);

const FLAGS = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];
const browser = await chromium.launch({ executablePath: '/usr/bin/chromium', args: FLAGS });
const camera = SCREENS.some((s) => s.camera) ? await chromium.launch({ executablePath: '/usr/bin/chromium', args: [...FLAGS, '--use-fake-device-for-media-stream', '--use-fake-ui-for-media-stream'] }) : null;
const tablet = await serve();
let wrong = 0;
let seen = 0;

async function look(context, screen, size, mode, lang) {
  tablet.reset({ who: screen.who ?? 'ana-r' });
  const page = await context.newPage();
  const told = [];
  page.on('console', (msg) => msg.type() === 'error' && !(screen.ask && /400/.test(msg.text())) && told.push(msg.text()));
  page.on('pageerror', (e) => told.push(String(e)));
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
    for (const bad of await page.evaluate(audit)) say(bad);
    const text = await page.content();
    for (const figure of screen.blind ?? []) if (new RegExp(`(?<![\\w/.#%-])${figure}(?![\\w/.%;])`).test(await page.evaluate(() => document.body.innerText)) || text.includes(`>${figure}<`) && !/^\d\/\d+$/.test(figure)) say(`the first figure ${figure} is on the page`);
    const result = await page.evaluate(`${axe}; axe.run(document, ${JSON.stringify(RULES)})`).catch(() => null);
    if (!result) say('axe did not run');
    for (const v of result?.violations ?? []) say(`axe ${v.id}: ${v.nodes.map((n) => n.target.join(' ')).slice(0, 3).join(', ')}`);
    for (const v of result?.incomplete ?? []) {
      const left = v.id.startsWith('color-contrast') ? await page.evaluate(contrast, v.nodes.map((n) => n.target[0])) : v.nodes.map((n) => n.target.join(' '));
      if (left.length > 0) say(`axe undecided ${v.id}: ${left.slice(0, 3).join(', ')}`);
    }
    for (const t of told) say(`console: ${t}`);
    seen += 1;
  } catch (error) {
    say(`did not get there: ${String(error).split('\n').slice(0, 3).join(' ')}`);
  }
  await page.close().catch(() => undefined);
}

for (const size of SIZES) {
  for (const mode of size.modes) {
    for (const lang of size.langs) {
      if (quick && (mode === 'furnace') !== (lang === 'es')) continue;
      for (const [b, list] of [[browser, SCREENS.filter((s) => !s.camera)], [camera, SCREENS.filter((s) => s.camera)]]) {
        if (!b || list.length === 0) continue;
        const context = await b.newContext({ viewport: { width: size.width, height: size.height }, locale: lang, timezoneId: 'UTC', reducedMotion: 'reduce' });
        await context.addInitScript(([mo, l]) => { localStorage.setItem('mode', mo); localStorage.setItem('lang', l); }, [mode, lang]);
        for (const screen of list) await look(context, screen, size, mode, lang);
        await context.close();
      }
    }
  }
}
await browser.close();
await camera?.close();
tablet.server.close();
console.log(`${seen} screens looked at, ${wrong} things wrong; pictures in ${out}`);
process.exitCode = wrong ? 1 : 0;
