/** Where a field is measured or looked at again, as a path below the job. */
export function measureAgain(field: string): string[] {
  const [first = '', joint = '', kind = ''] = field.split('/');
  if (first === 'joint') return ['step', { 'fit-up': 'fit-up', visual: 'examination' }[kind] ?? 'weld', joint];
  if (first === 'second-count') return ['count'];
  const step: Record<string, string[]> = {
    place: ['step', 'place'],
    failure: ['step', 'failure', 'seen'],
    gauge: ['step', 'readings', 'gauge'],
    plan: ['step', 'plan'],
    'before-work': ['step', 'before-work'],
    material: ['step', 'material', 'material'],
    filler: ['step', 'material', 'filler'],
    procedure: ['step', 'material', 'procedure'],
    gap: ['step', 'cut-gap', 'gap'],
    piece: ['step', 'cut-gap', 'piece'],
    test: ['step', 'test'],
    'hand-over': ['step', 'close-out'],
  };
  return step[first] ?? [];
}
