// The board's routes. Every failure leaves here as one shape: what happened, what is safe, what to do next.
import { asFault, BackendFault } from '../lib/backend/backend';
import type { JobView, PhotoSize, SitePlan } from '../lib/types';
import type { ApartPage, BoardPerson, BoardView, Invitation, SeriesOnBoard, Settled, Settlement, TabletOnBoard } from './types';

/** After this long without an answer the server counts as not answering, ms. */
const PATIENCE = 8_000;

async function ask<T>(method: string, path: string, body?: unknown): Promise<T> {
  let response: Response;
  let text: string;
  try {
    response = await fetch(path, {
      method,
      headers: body === undefined ? {} : { 'content-type': 'application/json' },
      body: body === undefined ? null : JSON.stringify(body),
      // Checking a PIN takes its time on purpose.
      signal: AbortSignal.timeout(method === 'GET' ? PATIENCE : 4 * PATIENCE),
      cache: 'no-store',
    });
    text = await response.text();
  } catch {
    throw gone();
  }
  if (!response.ok) throw asFault(fromServer(text), response.status);
  try {
    return JSON.parse(text) as T;
  } catch {
    throw asFault(fromServer(text), 502);
  }
}

/** The server did not answer at all. Of a change nobody can say whether it arrived: the board has to be looked at again. */
function gone(): BackendFault {
  return new BackendFault({
    code: 'server-gone',
    words: "The trailer's server did not answer. What it acknowledged before is safe, and so is everything on the tablets. Look at the board again before you repeat what you did; if it stays so, see whether the server runs and the network is up.",
    status: 503,
  });
}

/** A body that is no fault of ours (a proxy's page, half an answer) is not shown to people. */
function fromServer(text: string): unknown {
  try {
    const value = JSON.parse(text) as unknown;
    if (typeof value === 'object' && value !== null && 'code' in value && 'words' in value) return value;
  } catch {
    // no JSON
  }
  return { code: 'server-strange', words: "The trailer's server answered in a way this page does not understand. Nothing was changed by it. Reload the page; if it stays so, page and server are of different ages.", status: 0 };
}

export const api = {
  people: () => ask<BoardPerson[]>('GET', '/api/board/people'),
  who: () => ask<{ person: BoardPerson }>('GET', '/api/board/session'),
  signIn: (person: string, pin: string) => ask<{ person: BoardPerson }>('POST', '/api/board/session', { person, pin }),
  signOut: () => ask<Record<string, never>>('DELETE', '/api/board/session'),
  board: () => ask<BoardView>('GET', '/api/board'),
  plan: () => ask<SitePlan>('GET', '/api/board/plan'),
  job: (id: string) => ask<JobView>('GET', `/api/board/job/${encodeURIComponent(id)}`),
  settle: (settlement: Settlement) => ask<Settled>('POST', '/api/board/settle', settlement),
  series: () => ask<SeriesOnBoard[]>('GET', '/api/board/series'),
  /** What of a series is kept apart, from an entry on. */
  apart: (series: string, from = 0) => ask<ApartPage>('GET', `/api/board/series/${encodeURIComponent(series)}/apart?from=${from}`),
  /** Says up to where a series counts; `null` = all of it, also what comes later. */
  sayOfSeries: (incarnation: string, to: number | null, reason: string, said: readonly string[]) => ask<{ series: SeriesOnBoard }>('POST', '/api/board/series', { incarnation, to, reason, said }),
  /** Ends a tablet's access; without `incarnation` every series of it. */
  takeOff: (device: string, incarnation: string | null, reason: string) =>
    ask<{ series: SeriesOnBoard[]; tablets: TabletOnBoard[] }>('POST', '/api/board/tablet/take-off', { device, ...(incarnation === null ? {} : { incarnation }), reason }),
  pairing: () => ask<Invitation>('POST', '/api/board/pairing', {}),
};

export function photoUrl(hash: string, size: PhotoSize): string {
  return `/api/board/photo/${encodeURIComponent(hash)}/${size}`;
}

/** Why a picture did not come: `away` = not in the trailer yet, `not-shown` = kept, but no picture this program can show. */
export async function whyNoPicture(hash: string): Promise<'away' | 'not-shown' | 'not-known'> {
  try {
    const response = await fetch(photoUrl(hash, '256'), { signal: AbortSignal.timeout(PATIENCE) });
    return response.status === 404 ? 'away' : response.status === 422 ? 'not-shown' : 'not-known';
  } catch {
    return 'not-known';
  }
}
