// Keeping records safe: how far clocks are off, what became of this tablet, checking, taking out and bringing in.
export const keep = {
  // Clocks
  'time.h-min': '{h}\u00a0h\u00a0{min}\u00a0min',
  'time.days-h': { one: '{n} day {h} h', other: '{n} days {h} h' },
  'skew.ahead': 'tablet’s clock {time} ahead of the trailer’s',
  'skew.behind': 'tablet’s clock {time} behind the trailer’s',
  'skew.not-compared': 'clock not compared',
} as const;
