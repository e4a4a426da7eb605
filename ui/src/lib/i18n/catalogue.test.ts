// The catalogue: equal keys and parameters in both languages, every message used, every use known.
import { readdirSync, readFileSync } from 'node:fs';
import { join } from 'node:path';
import { describe, expect, it } from 'vitest';
import { en } from './en';
import { es } from './es';
import { families, says } from './es/says';
import type { Message } from './index.svelte';

const root = join(import.meta.dirname, '../..');
const repo = join(root, '../..');

function files(dir: string, ext: RegExp): string[] {
  return readdirSync(dir, { recursive: true, encoding: 'utf8', withFileTypes: true })
    .filter((f) => f.isFile() && ext.test(f.name) && !f.name.endsWith('.test.ts'))
    .map((f) => join(f.parentPath, f.name))
    .filter((f) => !/\/(target|tests)\//.test(f));
}

const screens = files(root, /\.(svelte|ts)$/)
  .filter((f) => !/i18n\/(en|es)\//.test(f))
  .map((f) => readFileSync(f, 'utf8'))
  .join('\n');
/** What a tablet can say: the crates behind its seam. */
const rust = ['crates/job', 'crates/tablet', 'crates/sync', 'crates/store', 'crates/trade', 'src-tauri'].flatMap((d) => files(join(repo, d), /\.rs$/)).map((f) => readFileSync(f, 'utf8')).join('\n');

const english: Record<string, Message> = en;
const spanish: Record<string, Message> = es;
const keys = Object.keys(english);

function params(message: Message): string[] {
  const text = typeof message === 'string' ? message : message.one + message.other;
  return [...new Set([...text.matchAll(/\{(\w+)\}/g)].map((m) => m[1] ?? ''))].sort();
}

/** Keys written out in the code, and the fixed beginnings and ends of those that are put together from a code. */
const literal = new Set([...screens.matchAll(/['"]([a-z][\w-]*(?:\.[\w-]+)+)['"]/g)].map((m) => m[1] ?? ''));
const made = [...screens.matchAll(/`([a-z][\w-]*\.[^`$]*)\$\{[^`]*?\}([^`$]*)`/g)].map((m) => [m[1] ?? '', m[2] ?? ''] as const);
const coded = [...screens.matchAll(/tCode\(\s*'([\w.-]+)'/g)].map((m) => `${m[1] ?? ''}.`);
const named = ['role.', 'joint.', 'step.', 'count-state.'];

function used(key: string): boolean {
  if (literal.has(key) || made.some(([head, tail]) => key.startsWith(head) && key.endsWith(tail))) return true;
  return [...coded, ...named].some((head) => key.startsWith(head));
}

describe('catalogue', () => {
  it('has the same keys in both languages', () => {
    console.log(`${keys.length} messages in two languages`);
    expect(Object.keys(spanish).sort()).toEqual([...keys].sort());
  });

  it('has the same parameters in both languages', () => {
    for (const key of keys) expect(params(spanish[key] ?? ''), key).toEqual(params(english[key] ?? ''));
  });

  it('leaves nothing empty and nothing untranslated', () => {
    const flat = (m: Message) => (typeof m === 'string' ? m : m.one + m.other);
    const empty = keys.filter((k) => !flat(english[k] ?? '').trim() || !flat(spanish[k] ?? '').trim());
    expect(empty).toEqual([]);
    // A sentence of four words or more that is the same in both was forgotten.
    const same = keys.filter((k) => flat(english[k] ?? '') === flat(spanish[k] ?? '') && (flat(english[k] ?? '').replace(/\{\w+\}/g, '').match(/\p{L}{2,}/gu)?.length ?? 0) >= 4);
    expect(same).toEqual([]);
  });

  it('holds no message that nothing uses', () => {
    expect(keys.filter((key) => !used(key))).toEqual([]);
  });

  it('knows every message that the screens ask for', () => {
    const asked = [...screens.matchAll(/\b(?:t|tIn)\(\s*(?:'e[ns]',\s*|\w+,\s*)?'([\w.-]+)'/g)].map((m) => m[1] ?? '').filter((k) => k.includes('.'));
    console.log(`${asked.length} uses by name`);
    expect(asked.length).toBeGreaterThan(100);
    expect(asked.filter((key) => !(key in english))).toEqual([]);
    // Keys made of a code: at least one message begins so.
    expect(made.filter(([head, tail]) => !keys.some((k) => k.startsWith(head) && k.endsWith(tail)) && screens.includes(`t(\`${head}`))).toEqual([]);
  });

  it('translates what the crates behind the seam say, and nothing that they do not', () => {
    const code = rust.split('\n').filter((line) => !/^\s*\/\//.test(line)).join('\n');
    const said = new Set(
      [...code.matchAll(/(?:Say::new|Fault::new|Fault::inside|NoNumber::new|missing|joint_say|\.push)\(\s*(?:\d{3},\s*)?"([a-z][a-z0-9-]+)"/g)].map((m) => m[1] ?? ''),
    );
    // Said by the board alone, or only ever seen by a program.
    const notHere = /^(b-|ready$|not-ready$|local-|no-tablet$)/;
    const missing = [...said].filter((c) => !notHere.test(c) && !(c in says) && !families.some(([pattern]) => pattern.test(c)));
    console.log(`${said.size} codes are said behind the seam, ${Object.keys(says).length} sentences are in Spanish`);
    expect(said.size).toBeGreaterThan(80);
    expect(missing).toEqual([]);
    const strange = Object.keys(says).filter((c) => !rust.includes(`"${c.replace(/\.bare$/, '')}"`) && !screens.includes(`'${c}'`));
    expect(strange).toEqual([]);
  });

  it('uses in a sentence only parameters that its code brings', () => {
    const wrong = Object.entries(says)
      .filter(([c]) => !c.endsWith('.bare'))
      .flatMap(([c, m]) => params(m).map((p) => [c, p] as const))
      .filter(([, p]) => !rust.includes(`.with("${p}"`));
    expect(wrong).toEqual([]);
  });
});
