// Sentences of the server in the language of the screen, and names of what the plan names.
import { clock, has, lang, say, t, when, words } from '../lib/i18n/index.svelte';
import { boardSays } from '../lib/i18n/es/board';
import { gateName } from '../lib/plan-words';
import type { Fault, Lang, Say, SitePlan, Wanted } from '../lib/types';
import { fieldName } from '../tablet/steps/value-words';

/** A part of the sentence on top. */
export function sentencePart(part: Say): string {
  const given = part.with ?? {};
  const since = Number(given.since_ms);
  // A tablet never heard brings an empty time, and `Number('')` is 0.
  if (part.code === 'b-silent') {
    return given.since_ms && Number.isFinite(since)
      ? t('bd.say.b-silent', { tablet: given.tablet ?? '?', time: clock(since) })
      : t('bd.say.b-never', { tablet: given.tablet ?? '?' });
  }
  if (part.code === 'b-taken-off') return takenOff(given);
  if (part.code === 'b-backup-late') return given.since_ms && Number.isFinite(since) ? t('bd.say.backup-late', { time: when(since) }) : t('bd.say.backup-never');
  const key = `bd.say.${part.code}`;
  return has(key) ? t(key, given) : say(part);
}

function takenOff(given: Record<string, string>): string {
  const [apart, entries, photos] = [Number(given.apart), Number(given.entries), Number(given.photos)];
  const held = [...(entries > 0 ? [t('lives.records', { n: entries })] : []), ...(photos > 0 ? [t('lives.photos', { n: photos })] : [])];
  const what = held.length === 2 ? t('lives.and', { records: held[0] ?? '', photos: held[1] ?? '' }) : held[0];
  return [
    t('bd.say.off', { tablet: given.tablet ?? '?', to: given.to ?? '0' }),
    ...(apart > 0 ? [t('bd.say.off-apart', { n: apart })] : []),
    ...(what ? [t('bd.say.off-held', { what })] : []),
  ].join(', ');
}

/** A fault of the server, in Spanish where the screen is; what has no Spanish is shown as the server said it. */
export function localized<F extends Say & Partial<Pick<Fault, 'faults' | 'wait_s'>>>(fault: F, which: Lang = lang()): Say & { faults?: Say[] } {
  const faults = fault.faults ?? [];
  const message = which === 'es' ? boardSays[fault.code] : undefined;
  if (message === undefined) return { code: fault.code, with: fault.with ?? {}, words: fault.words, faults };
  const filled = message.replace(/\{(\w+)\}/g, (whole, name: string) => fault.with?.[name] ?? whole);
  // Another code, so that nothing translates it a second time.
  return { code: `board-${fault.code}`, with: {}, words: filled, faults: faults.filter((f) => f.code !== fault.code) };
}

export function nameOfField(plan: SitePlan | null, field: string): string {
  return fieldName(field, (id) => {
    const check = plan?.checks.find((c) => c.id === id);
    return check ? words(check.name) : id;
  });
}

/** What is wanted, in few words: the hold point by its name, the disagreement by its field, all else in its sentence. */
export function wantedWords(plan: SitePlan | null, wanted: Wanted): string {
  const gate = wanted.gate ? gateName(plan, wanted.gate) : '';
  switch (wanted.what) {
    case 'signature':
      return t('st.gate.title', { name: gate });
    case 'stale': {
      const fields = (wanted.say.with?.fields ?? '').split(', ').filter(Boolean);
      return t('bd.wanted.stale', { gate, name: wanted.say.with?.name ?? '', fields: fields.map((f) => nameOfField(plan, f)).join(', ') });
    }
    case 'passed-shut':
      return t('bd.wanted.passed', { gate });
    case 'two-answers':
      return t('st.two.title', { what: nameOfField(plan, wanted.field ?? '') });
    default:
      return say(wanted.say);
  }
}

/** Clock time of the server, with the day where it was not today. */
export function moment(ms: number, now: number): string {
  return new Date(ms).toDateString() === new Date(now).toDateString() ? clock(ms) : when(ms);
}

/** Hours, minutes and seconds: when the board was heard. */
export function exactClock(ms: number): string {
  return new Intl.DateTimeFormat(lang(), { hour: '2-digit', minute: '2-digit', second: '2-digit', hourCycle: 'h23' }).format(ms);
}
