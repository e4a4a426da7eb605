import type { Lives } from '../../lib/types';

export type PhotoLives = 'only-here' | 'part-in' | 'in-trailer' | 'not-known';

/** What the tablet may add to a job's `lives`: the photos whose bytes the trailer has not signed for. */
interface JobLives extends Lives {
  photos_only_here?: string[];
}

/**
 * Where one photo lives. Its bytes decide; where the tablet only tells how many of the job's photos are still here,
 * none is called safe before all are.
 */
export function photoLives(lives: Lives | undefined, hash: string, photos: number): PhotoLives {
  if (!lives) return 'not-known';
  const named = (lives as JobLives).photos_only_here;
  if (named) {
    if (!named.includes(hash)) return 'in-trailer';
    return lives.entries_here === 0 ? 'part-in' : 'only-here';
  }
  if (lives.photos_here === 0) return lives.last_receipt_ms ? 'in-trailer' : 'not-known';
  if (lives.photos_here >= photos) return lives.entries_here === 0 ? 'part-in' : 'only-here';
  return 'not-known';
}
