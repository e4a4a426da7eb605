// Looks at the screens: a picture of each in both lights and languages, axe on each, and the house's own measures.
// `npm run build && npm run look [-- --out DIR] [-- --only NAME]`. Exits 1 where something is wrong.
import { mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { join } from 'node:path';
import { chromium } from 'playwright-core';
import { JOB, serve } from './fixture.mjs';

const arg = (name, other) => (process.argv.includes(name) ? process.argv[process.argv.indexOf(name) + 1] : other);
const out = arg('--out', '/tmp/tubewright-look');
const only = arg('--only', '');
const quick = process.argv.includes('--quick');
mkdirSync(out, { recursive: true });
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');

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
].filter((s) => s.name.includes(only));

/** Runs in the page: targets under 14 mm, text cut off, sideways scrolling. */
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

const RULES = { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'], rules: { 'color-contrast-enhanced': { enabled: true }, 'target-size': { enabled: true } } };
const SIZES = [
  { name: '10in', width: 800, height: 1280, modes: ['daylight', 'furnace'], langs: ['en', 'es'] },
  { name: '360', width: 360, height: 640, modes: ['daylight'], langs: ['es'] },
  { name: 'zoom', width: 400, height: 640, modes: ['furnace'], langs: ['es'] },
].slice(0, quick ? 1 : 3);

const browser = await chromium.launch({ executablePath: '/usr/bin/chromium', args: ['--no-sandbox', '--disable-dev-shm-usage', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'] });
const tablet = await serve();
let wrong = 0;
let seen = 0;
for (const size of SIZES) {
  for (const mode of size.modes) {
    for (const lang of size.langs) {
      if (quick && (mode === 'furnace') !== (lang === 'es')) continue;
      const context = await browser.newContext({ viewport: { width: size.width, height: size.height }, bypassCSP: false, locale: lang, timezoneId: 'UTC', reducedMotion: 'reduce' });
      await context.addInitScript(([m, l]) => { localStorage.setItem('mode', m); localStorage.setItem('lang', l); }, [mode, lang]);
      for (const screen of SCREENS) {
        tablet.reset(screen.world);
        const page = await context.newPage();
        const told = [];
        page.on('console', (m) => m.type() === 'error' && told.push(m.text()));
        page.on('pageerror', (e) => told.push(String(e)));
        const say = (what) => { wrong += 1; console.log(`${screen.name} ${size.name} ${mode} ${lang}: ${what}`); };
        try {
          await page.goto(`${tablet.url}/#/${screen.path}`);
          await page.locator('h1').first().waitFor();
          await page.waitForTimeout(150);
          if (screen.act) await screen.act(page);
          await page.waitForTimeout(100);
          await page.screenshot({ path: join(out, `${screen.name}-${size.name}-${mode}-${lang}.png`), fullPage: true });
          for (const bad of await page.evaluate(audit)) say(bad);
          if (screen.blind && new RegExp(`\\b${screen.blind}\\b`).test(await page.evaluate(() => document.body.innerText))) say(`the first figure ${screen.blind} is on the page`);
          // Unrolled, so that no target is half under the foot of the page, which always stays in sight.
          const tall = await page.evaluate(() => document.documentElement.scrollHeight);
          await page.setViewportSize({ width: size.width, height: Math.max(size.height, tall) });
          const result = await page.evaluate(`${axe}; axe.run(document, ${JSON.stringify(RULES)})`).catch(async () => null);
          if (!result) say('axe did not run');
          for (const v of result?.violations ?? []) say(`axe ${v.id}: ${v.nodes.map((n) => n.target.join(' ')).slice(0, 3).join(', ')}`);
          for (const v of (result?.incomplete ?? []).filter((i) => !i.id.startsWith('color-contrast'))) say(`axe undecided ${v.id}: ${v.nodes.map((n) => `${n.target.join(' ')} (${n.any[0]?.message ?? ''})`).slice(0, 2).join(', ')}`);
          for (const t of told) say(`console: ${t}`);
          seen += 1;
        } catch (error) {
          say(`did not get there: ${String(error).split('\n')[0]}`);
        }
        await page.close();
      }
      await context.close();
    }
  }
}
await browser.close();
tablet.server.close();
console.log(`${seen} screens looked at, ${wrong} things wrong; pictures in ${out}`);
process.exitCode = wrong ? 1 : 0;
