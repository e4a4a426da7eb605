// What is kept apart, in words: which job and field an entry is about, what it says, and what the sentence on top names.
import { t, tCode } from '../lib/i18n/index.svelte';
import { gateName } from '../lib/plan-words';
import type { Body, SitePlan } from '../lib/types';
import { inWords } from '../tablet/steps/value-words';
import type { Apart, ApartEntry, ApartWhy, JobOnBoard, SeriesOnBoard, TabletOnBoard } from './types';
import { nameOfField } from './words';

const string = (value: unknown): string => (typeof value === 'string' ? value : '');
const record = (value: unknown): Body => (typeof value === 'object' && value !== null && !Array.isArray(value) ? (value as Body) : {});

/** The job and the field of a subject, or null where it is about something else. */
export function subjectOf(subject: string): { job: string; field: string } | null {
  const found = /^job\/([^/]+)\/(.+)$/.exec(subject);
  return found ? { job: found[1] ?? '', field: found[2] ?? '' } : null;
}

/** Short numbers of jobs: those on the board, and those that are opened only by an entry that is kept apart. */
export function numbersOf(jobs: readonly JobOnBoard[], entries: readonly ApartEntry[]): Map<string, string> {
  const opened = entries.flatMap((e) => {
    const at = e.kind === 'open' ? subjectOf(e.subject ?? '') : null;
    const number = string(e.body?.number);
    return at && number ? ([[at.job, number]] as const) : [];
  });
  return new Map([...opened, ...jobs.map((j) => [j.job, j.number] as const)]);
}

/** What an entry is about: "K4-071, gap at 6 o'clock". */
export function about(entry: ApartEntry, numbers: ReadonlyMap<string, string>, plan: SitePlan | null): string {
  const at = subjectOf(entry.subject ?? '');
  if (at) {
    const number = numbers.get(at.job) ?? t('bd.apart.job', { id: at.job.slice(0, 6) });
    const gate = /^gate\/(.+)$/.exec(at.field)?.[1];
    return `${number}, ${gate ? gateName(plan, gate) : nameOfField(plan, at.field)}`;
  }
  const kind = entry.kind ?? '';
  return tCode('bd.apart.about', kind);
}

/** What an entry says, as far as this program can read it; nothing is dropped. */
export function says(entry: ApartEntry): string {
  const body = record(entry.body);
  switch (entry.kind) {
    case undefined:
      return t('bd.apart.unreadable');
    case 'series-begin':
    case 'standing':
      return t('bd.apart.device', { name: string(body.name), role: tCode('bd.series', string(body.role)) });
    case 'open':
      return string(body.number);
    case 'sign': {
      const signed = t('bd.apart.sign', { role: tCode('role', string(body.role)) });
      return string(body.waived) ? `${signed}; ${t('st.gate.waived', { reason: string(body.waived) })}` : signed;
    }
    case 'settle':
      return `${inWords(string(body.kind), record(body.body))} (${t('st.settled', { reason: string(body.reason) })})`;
    case 'strike':
      return t('st.struck', { reason: string(body.reason) });
    default:
      return inWords(entry.kind, body);
  }
}

const WHYS: readonly ApartWhy[] = ['unknown', 'cut', 'refused'];

/** Parts of the sentence on top: how many records are kept apart and not looked at, by why. */
export function apartParts(apart: readonly Apart[]): string[] {
  return WHYS.flatMap((why) => {
    const n = apart.filter((a) => a.why === why && !a.looked).reduce((sum, a) => sum + a.n, 0);
    return n > 0 ? [t(`bd.say.apart.${why}`, { n })] : [];
  });
}

/** How many records are kept apart although somebody has looked at them and left them so. */
export function lookedAt(apart: readonly Apart[]): number {
  return apart.filter((a) => a.looked).reduce((sum, a) => sum + a.n, 0);
}

/** One series that ends when a tablet is taken off: its name, and the last entry that counts. */
export interface Ending {
  name: string;
  to: number;
  apart: number;
}

/**
 * What taking off does, worked out as the server does it (server/src/say.rs, `cuts`): each series ends where the trailer's
 * copy does, never further than it counted, and at nothing where nobody took it in.
 */
export function endings(tablet: TabletOnBoard, series: readonly SeriesOnBoard[], tablets: readonly TabletOnBoard[], whole: boolean): Ending[] {
  const meant = (incarnation: string | undefined, device: string | undefined) => device === tablet.device && (whole || incarnation === tablet.incarnation);
  const here = series.filter((s) => meant(s.incarnation, s.device) && s.standing !== 'own' && s.role !== 'server');
  const rows = here.map((s) => {
    const to = s.standing === 'unknown' ? 0 : Math.min(s.head, s.counts_to ?? Infinity);
    return { name: s.name, to, apart: Math.max(0, s.head - to) };
  });
  const silent = tablets.filter((x) => meant(x.incarnation, x.device) && here.every((s) => s.incarnation !== x.incarnation));
  return [...rows, ...silent.map((x) => ({ name: x.name, to: 0, apart: 0 }))];
}

/** Paired tablets that are the same physical tablet: one that was copied or set back stands here more than once. */
export function sameDevice(tablet: TabletOnBoard, tablets: readonly TabletOnBoard[]): TabletOnBoard[] {
  return tablets.filter((x) => x.device !== undefined && x.device === tablet.device);
}
