// Sentences that come through the seam, by code: `say.<code>`. What is not here is shown in its English words.
export const says = {
  'say.seam-broken':
    'The program behind the screen did not answer as it should. What was saved before is safe on this tablet. Try once more; if it happens again, close the program and open it.',
  'say.program-gone':
    'The program behind this page does not answer. What was saved before is safe on this tablet. Start the program again, then go on here.',
  'say.pair-text': 'This is not a pairing code of a trailer: that begins with "tubewright:pair?". Nothing was changed. Scan it once more.',
} as const;
