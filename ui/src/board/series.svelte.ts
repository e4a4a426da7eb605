// The series of records as the trailer last listed them, for the place of the tablets.
import { asFault, type BackendFault } from '../lib/backend/backend';
import { api } from './api';
import { board } from './state.svelte';
import type { SeriesOnBoard } from './types';

class SeriesList {
  rows = $state.raw<SeriesOnBoard[] | null>(null);
  fault = $state.raw<BackendFault | null>(null);
  #asking = false;

  async load(): Promise<void> {
    if (this.#asking) return;
    this.#asking = true;
    try {
      this.rows = await api.series();
      this.fault = null;
    } catch (raw) {
      const fault = asFault(raw, 500);
      this.fault = fault;
      // The board's own question leads back to the sign-in, with the reason.
      if (fault.status === 401) void board.poll();
    } finally {
      this.#asking = false;
    }
  }

  of(incarnation: string): SeriesOnBoard | null {
    return this.rows?.find((s) => s.incarnation === incarnation) ?? null;
  }
}

export const series = new SeriesList();
