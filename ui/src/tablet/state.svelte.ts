// What every screen of the tablet knows: who holds it, in which language and light, the plan, and where records live.
import { asFault, backend, BackendFault } from '../lib/backend';
import { namePlan, setLang } from '../lib/i18n/index.svelte';
import { setMm } from '../lib/size.svelte';
import type { Fault, Lang, Lives, Person, Section, SitePlan, TabletState } from '../lib/types';

export type Mode = 'daylight' | 'furnace';

/** Small choices of this tablet that are no record: lost without harm. */
function remember(key: string, value: string): void {
  try {
    localStorage.setItem(key, value);
  } catch {
    // a window without storage forgets the choice
  }
}
function recall(key: string): string | null {
  try {
    return localStorage.getItem(key);
  } catch {
    return null;
  }
}

class App {
  tablet = $state<TabletState | null>(null);
  plan = $state<SitePlan | null>(null);
  /** What stopped the start, with what is safe and what to do. */
  fault = $state<Fault | null>(null);
  mode = $state<Mode>('daylight');
  section = $state<string | null>(null);

  get person(): Person | null {
    return this.tablet?.person ?? null;
  }
  get lives(): Lives | null {
    return this.tablet?.lives ?? null;
  }
  get here(): Section | null {
    const sections = this.plan?.sections ?? [];
    return sections.find((s) => s.id === this.section) ?? sections[0] ?? null;
  }

  sectionOf(id: string): Section | null {
    return this.plan?.sections.find((s) => s.id === id) ?? null;
  }

  /** First look at the world; later after whatever may have changed it. */
  async refresh(): Promise<void> {
    try {
      const tablet = await backend.call('state', {});
      this.tablet = tablet;
      setMm(tablet.mm);
      if (tablet.paired && tablet.has_plan !== false && (!this.plan || this.plan.site !== tablet.site)) this.takePlan(await backend.call('plan', {}));
      this.section ??= recall('section') ?? tablet.section ?? this.plan?.sections[0]?.id ?? null;
      this.fault = null;
    } catch (error) {
      this.fault = asFault(error, 500);
    }
  }

  private takePlan(plan: SitePlan): void {
    this.plan = plan;
    namePlan(plan.hold_points, plan.checks);
  }

  /** After a sync the plan may be a newer one. */
  async reloadPlan(): Promise<void> {
    try {
      this.takePlan(await backend.call('plan', {}));
    } catch (error) {
      this.fault = asFault(error, 500);
    }
  }

  async signIn(person: string, pin: string): Promise<BackendFault | null> {
    try {
      const answer = await backend.call('sign_in', { person, pin });
      this.language(answer.person.lang);
      await this.refresh();
      return null;
    } catch (error) {
      return asFault(error, 500);
    }
  }

  async signOut(): Promise<void> {
    try {
      await backend.call('sign_out', {});
    } catch (error) {
      this.fault = asFault(error, 500);
    }
    await this.refresh();
  }

  setSection(id: string): void {
    this.section = id;
    remember('section', id);
    // A choice of the shift, no record: lost without harm.
    backend.call('set_section', { section: id }).catch(() => undefined);
  }

  setMode(mode: Mode): void {
    this.mode = mode;
    document.documentElement.dataset.mode = mode;
    remember('mode', mode);
  }

  language(lang: Lang): void {
    setLang(lang);
    remember('lang', lang);
  }

  /** Language and light as this tablet was left. */
  restore(): void {
    this.setMode(recall('mode') === 'furnace' ? 'furnace' : 'daylight');
    const lang = recall('lang') ?? (navigator.language.startsWith('es') ? 'es' : 'en');
    this.language(lang === 'es' ? 'es' : 'en');
  }
}

export const app = new App();
