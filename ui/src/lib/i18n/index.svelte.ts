import type { Lang, Role, Say, Words } from '../types';
import { en } from './en';
import { es } from './es';
import { families as spanishFamilies, fields as spanishFields, names as spanishNames, says as spanishSays } from './es/says';

/** A message, or its two forms chosen by the parameter `n`. `{name}` stands for a parameter. */
export type Message = string | { one: string; other: string };
/** The keys of the catalogue. */
export type Key = keyof typeof en;
export type Params = Record<string, string | number>;

const catalogues: Record<Lang, Record<string, Message>> = { en, es };

class Language {
  /** The language of the whole screen. Changing it turns every text at once; nothing typed is lost. */
  lang = $state<Lang>('en');
}

const language = new Language();

export function lang(): Lang {
  return language.lang;
}

export function setLang(next: Lang): void {
  language.lang = next;
  document.documentElement.lang = next;
}

function fill(message: Message, params: Params): string {
  const text = typeof message === 'string' ? message : Number(params.n) === 1 ? message.one : message.other;
  return text.replace(/\{(\w+)\}/g, (whole, name: string) => (name in params ? String(params[name]) : whole));
}

/** The message in one named language, for the lines that always stand in both. */
export function tIn(which: Lang, key: Key, params: Params = {}): string {
  const message = catalogues[which][key];
  return message === undefined ? key : fill(message, params);
}

/** The message in the language of the screen. */
export function t(key: Key, params: Params = {}): string {
  return tIn(language.lang, key, params);
}

/** True where the catalogue has this key: for keys made of a code that came through the seam. */
export function has(key: string): key is Key {
  return key in en;
}

/** A message by a key made of a code, or `fallback` where the catalogue does not know it. */
export function tCode(prefix: string, code: string, fallback: string = code): string {
  const key = `${prefix}.${code}`;
  return has(key) ? t(key) : fallback;
}

export function role(code: Role): string {
  return t(`role.${code}`);
}

/** Names of gates and checks from the site plan, for sentences that name them by their identifier. */
const plan: { gate: Record<string, Words>; check: Record<string, Words> } = { gate: {}, check: {} };

export function namePlan(gates: readonly { id: string; name: Words }[], checks: readonly { id: string; name: Words }[]): void {
  plan.gate = Object.fromEntries(gates.map((g) => [g.id, g.name]));
  plan.check = Object.fromEntries(checks.map((c) => [c.id, c.name]));
}

function fieldName(path: string): string {
  for (const [pattern, name] of Object.entries(spanishFields)) {
    const match = new RegExp(`^${pattern.replace('*', '([^/]+)')}$`).exec(path);
    if (match) return name.replace('{x}', plan.check[match[1] ?? '']?.es ?? spanishNames.joint?.[match[1] ?? ''] ?? match[1] ?? '');
  }
  return path;
}

/** A parameter that is a code of its own, by its name. */
function parameter(name: string, value: string): string {
  if (name === 'role') return tCode('role', value);
  if (name === 'field') return fieldName(value);
  if (name === 'fields') return value.split(', ').map(fieldName).join(', ');
  if (name === 'gates') return value.split(', ').map((id) => plan.gate[id]?.es ?? id).join(', ');
  if (name === 'gate' || name === 'check') return plan[name][value]?.es ?? value;
  return spanishNames[name]?.[value] ?? value;
}

function inSpanish(sentence: Say): string | null {
  const given = Object.entries(sentence.with ?? {});
  const params = Object.fromEntries(given.map(([name, value]) => [name, parameter(name, value)]));
  for (const code of [sentence.code, `${sentence.code}.bare`]) {
    const message = spanishSays[code];
    const text = message === undefined ? null : fill(message, params);
    if (text !== null && !/\{\w+\}/.test(text)) return text;
  }
  return spanishFamilies.find(([pattern]) => pattern.test(sentence.code))?.[1] ?? null;
}

/** A sentence that came through the seam. It brings its own English; Spanish goes by its code and parameters. */
export function say(sentence: Say): string {
  return (language.lang === 'es' ? inSpanish(sentence) : null) ?? sentence.words;
}

/** Words of the site plan, in the language of the screen. */
export function words(both: Words): string {
  return both[language.lang] || both.en;
}

/** A clock time of a device. Clocks are shown, never trusted. */
export function clock(ms: number): string {
  return new Intl.DateTimeFormat(language.lang, { hour: '2-digit', minute: '2-digit', hourCycle: 'h23' }).format(ms);
}

/** Day and time, where the time alone would mislead. */
export function when(ms: number): string {
  const day = new Intl.DateTimeFormat(language.lang, { day: 'numeric', month: 'short' }).format(ms);
  return `${day} ${clock(ms)}`;
}

/** How long ago, in the coarsest unit that tells. */
export function ago(ms: number, now: number): string {
  const min = Math.max(0, Math.round((now - ms) / 60_000));
  if (min < 90) return t('time.min', { n: min });
  const h = Math.round(min / 60);
  return h < 36 ? t('time.h', { n: h }) : t('time.days', { n: Math.round(h / 24) });
}
