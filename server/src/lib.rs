//! The trailer's server: merges tablets, serves the board.
