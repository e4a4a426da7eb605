import type { Lives } from '../../lib/types';

export type PhotoLives = 'only-here' | 'part-in' | 'in-trailer' | 'not-known';

/** What the tablet adds to a job's `lives`: the photos that are only here, and those that the trailer has signed for. */
interface JobLives extends Lives {
  photos_only_here?: string[];
  photos_in_trailer?: string[];
}

/**
 * Where one photo lives. Only a receipt makes it "in the trailer"; another crew's photo of which this tablet has neither
 * the bytes nor a receipt is "not known".
 */
export function photoLives(lives: Lives | undefined, hash: string): PhotoLives {
  const told = lives as JobLives | undefined;
  if (told?.photos_only_here?.includes(hash)) return told.entries_here === 0 ? 'part-in' : 'only-here';
  return told?.photos_in_trailer?.includes(hash) ? 'in-trailer' : 'not-known';
}
