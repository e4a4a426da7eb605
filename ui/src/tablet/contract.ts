// How a step screen is made. Register it in steps/registry.ts; `StepHost.svelte` gives it these props and draws nothing of
// its own: each screen wraps itself in `<Frame>` with its title, its one main key and `back`.
//
//   <script lang="ts">
//     let { job, section, record, back }: StepProps = $props();
//     ...
//     const out = await record('failure', { opening, signs, first, note });
//     if (!out.ok) fault = out.fault;      // out.ask: the value is unlikely, look again, then resend with read_twice: true
//     else back();
//   </script>
//   <Frame {job} title={t('step.failure')} main={{ label: t('st.fail.save'), act: save, dead: !complete }} {back}> ... </Frame>
//
// "Saved" is said only after `record` came back ok: then the entry is on this tablet's disk. `job` is the new view by then.
import type { Component } from 'svelte';
import type { BackendFault } from '../lib/backend';
import type { Body, JobView, Person, PhotoMeta, Section, SitePlan } from '../lib/types';

export type Outcome =
  | { ok: true; saved: string[]; view: JobView }
  | {
      ok: false;
      /** True where the person is asked to look once more; the same value may be sent again with `read_twice: true`. */
      ask: boolean;
      fault: BackendFault;
    };

/** What every screen of one job gets. */
export interface StepProps {
  job: JobView;
  plan: SitePlan;
  section: Section;
  person: Person;
  /**
   * Saves one entry. `basis` is what the person had on the screen for that field: leave it out for what `job` shows now;
   * give `[]` for a blind second entry.
   */
  record: (field: string, body: Body, basis?: string[]) => Promise<Outcome>;
  /** Strikes an item of a list, with a reason. */
  strike: (field: string, entry: string, reason: string) => Promise<Outcome>;
  /** Stores a picture. */
  photo: (meta: Omit<PhotoMeta, 'job'>, bytes: Blob) => Promise<Outcome>;
  /** Signs, waives or settles: the screen called the seam itself and hands the new view over. */
  took: (view: JobView) => void;
  /** Reads the job again, with some fields left out everywhere: for blind entries. `[]` shows all. */
  reload: (hide: string[]) => Promise<void>;
  /** Back to the tube. */
  back: () => void;
  /** To another place of this job: `to('gate', 'cut')`, `to('step', 'weld')`, `to('answers', 'gap/6')`. */
  to: (...path: string[]) => void;
}

export interface GateProps extends StepProps {
  /** Hold point identifier. */
  gate: string;
}

export interface AnswersProps extends StepProps {
  /** Path of the field with two answers. */
  field: string;
}

export type StepScreen = Component<StepProps>;
export type GateScreen = Component<GateProps>;
export type AnswersScreen = Component<AnswersProps>;
