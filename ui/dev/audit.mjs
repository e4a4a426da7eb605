// What the look scripts share: their options, the browser, and the house's own measures of one screen.
import { mkdirSync, readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { chromium } from 'playwright-core';

/** What the scripts are told: `--out DIR`, `--only NAME`, `--quick`; with the text of axe-core. */
export function told(where) {
  const arg = (name, other) => (process.argv.includes(name) ? process.argv[process.argv.indexOf(name) + 1] : other);
  const out = arg('--out', where);
  mkdirSync(out, { recursive: true });
  return { out, only: arg('--only', ''), quick: process.argv.includes('--quick'), axe: readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8') };
}

/** A browser that keeps to itself. */
export function launch(...more) {
  const args = ['--no-sandbox', '--disable-dev-shm-usage', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'];
  return chromium.launch({ executablePath: '/usr/bin/chromium', args: [...args, ...more] });
}

/** One page's size, light and language, as its settings are left in a browser. */
export async function context(browser, size, mode, lang) {
  const made = await browser.newContext({ viewport: { width: size.width, height: size.height }, locale: lang, timezoneId: 'UTC', reducedMotion: 'reduce' });
  await made.addInitScript(([m, l]) => { localStorage.setItem('mode', m); localStorage.setItem('lang', l); }, [mode, lang]);
  return made;
}

/** Every size, light and language that is looked at; `quick` leaves one size, each light and each language once. */
export function* cells(sizes, quick) {
  for (const size of sizes.slice(0, quick ? 1 : sizes.length)) for (const mode of size.modes) for (const lang of size.langs) if (!quick || (mode === 'furnace') === (lang === 'es')) yield { size, mode, lang };
}

/** Runs in the page: targets under 14 mm, text cut off, sideways scrolling, contrast under 7:1 also where axe leaves it
 *  undecided, targets that lie on each other, two main keys. */
function audit() {
  const mm = Number(getComputedStyle(document.documentElement).getPropertyValue('--mm'));
  const bad = [];
  const shown = (e) => e.getClientRects().length > 0 && !e.closest('.unseen') && !(e.parentElement?.closest('details:not([open])') && !e.closest('summary'));
  const targets = [...document.querySelectorAll('button, a[href], input, select, textarea, summary')].filter((e) => shown(e) && !e.classList.contains('unseen'));
  for (const e of targets) {
    const r = e.getBoundingClientRect();
    if (r.width < 14 * mm - 0.6 || r.height < 14 * mm - 0.6) bad.push(`target ${(r.width / mm).toFixed(1)} x ${(r.height / mm).toFixed(1)} mm: ${(e.textContent || e.ariaLabel || '').trim().slice(0, 40)}`);
    if (e.scrollWidth > e.clientWidth + 1 && e.tagName === 'BUTTON') bad.push(`cut: ${e.textContent.trim().slice(0, 40)} ${e.scrollWidth} > ${e.clientWidth}`);
  }
  const boxes = targets.map((e) => [e, e.getBoundingClientRect()]);
  boxes.forEach(([a, p], i) => {
    for (const [b, q] of boxes.slice(i + 1)) {
      const over = Math.min(p.right, q.right) - Math.max(p.left, q.left) > 1 && Math.min(p.bottom, q.bottom) - Math.max(p.top, q.top) > 1;
      if (over && !a.contains(b) && !b.contains(a)) bad.push(`overlap: ${a.textContent.trim().slice(0, 30)} | ${b.textContent.trim().slice(0, 30)}`);
    }
  });
  const wide = document.documentElement;
  if (wide.scrollWidth > wide.clientWidth) {
    const who = [...document.querySelectorAll('body *')].filter((e) => shown(e) && e.getBoundingClientRect().right > wide.clientWidth + 1).slice(0, 3);
    bad.push(`sideways: ${wide.scrollWidth} > ${wide.clientWidth} ${who.map((e) => `${e.tagName}.${e.className?.baseVal ?? e.className}`).join(' | ')}`);
  }
  const rgb = (c) => (c.match(/[\d.]+/g) ?? []).map(Number);
  const lum = ([r, g, b]) => [r, g, b].reduce((sum, v, i) => { v /= 255; return sum + [0.2126, 0.7152, 0.0722][i] * (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4); }, 0);
  for (const e of document.querySelectorAll('body *')) {
    if (!shown(e) || ![...e.childNodes].some((n) => n.nodeType === 3 && n.textContent.trim())) continue;
    const style = getComputedStyle(e);
    if (e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0 && style.overflow !== 'visible') bad.push(`text cut: ${e.textContent.trim().slice(0, 40)}`);
    let at = e;
    let ground = [];
    while (at && (ground.length < 3 || ground[3] === 0)) {
      ground = at instanceof SVGElement ? [] : rgb(getComputedStyle(at).backgroundColor);
      at = at.parentElement;
    }
    const [a, b] = [lum(rgb(e instanceof SVGElement ? style.fill : style.color)), lum(ground)].sort((x, y) => x - y);
    const ratio = (b + 0.05) / (a + 0.05);
    if (!(ratio >= 7)) bad.push(`contrast ${ratio.toFixed(1)}: ${e.textContent.trim().slice(0, 40)}`);
  }
  if (document.querySelectorAll('footer .main').length > 1) bad.push('more than one main key');
  return bad;
}

/** axe's rules of the house: what it leaves undecided counts as wrong, contrast apart, which `audit` decides. */
const RULES = { runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice'], rules: { 'color-contrast-enhanced': { enabled: true }, 'target-size': { enabled: true } } };

/** Everything wrong on this page, in words. `axe` is the text of axe-core. */
export async function wrongs(page, axe) {
  const all = await page.evaluate(audit);
  const result = await page.evaluate(`${axe}; axe.run(document, ${JSON.stringify(RULES)})`).catch(() => null);
  if (!result) return [...all, 'axe did not run'];
  for (const v of result.violations) all.push(`axe ${v.id}: ${v.nodes.map((n) => n.target.join(' ')).slice(0, 3).join(', ')}`);
  for (const v of result.incomplete.filter((i) => !i.id.startsWith('color-contrast'))) all.push(`axe undecided ${v.id}: ${v.nodes.map((n) => `${n.target.join(' ')} (${n.any[0]?.message ?? ''})`).slice(0, 2).join(', ')}`);
  return all;
}
