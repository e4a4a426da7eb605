import type { Lang, Role, Say, Words } from '../types';
import { en } from './en';
import { es } from './es';

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

/** Parameters of a sentence are shown as they come, but for codes that have names of their own. */
const NAMED: Record<string, string> = { role: 'role', joint: 'joint', step: 'step', state: 'count-state' };

/** A sentence that came through the seam: translated by its code, else its English words. */
export function say(sentence: Say): string {
  const key = `say.${sentence.code}`;
  if (!has(key)) return sentence.words;
  const params: Params = { ...sentence.with };
  for (const [name, prefix] of Object.entries(NAMED)) {
    const value = params[name];
    if (value !== undefined) params[name] = tCode(prefix, String(value));
  }
  return t(key, params);
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
