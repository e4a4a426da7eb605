import type { MarkName } from '../../lib/marks';
import type { Wanted } from '../../lib/types';

const MARK: Record<Wanted['what'], MarkName> = {
  signature: 'gate-shut',
  stale: 'stale',
  'two-answers': 'two-answers',
  missing: 'not-begun',
  'not-known': 'not-known',
  reject: 'reject',
  'passed-shut': 'gate-shut',
};

export function wantedMark(wanted: Wanted): MarkName {
  return MARK[wanted.what];
}
