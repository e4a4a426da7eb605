// The board.
export const board = {} as const;
