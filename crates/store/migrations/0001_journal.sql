-- The truth: entries as received, the head of every series, what was refused, and local state.

CREATE TABLE entry (
    received    INTEGER PRIMARY KEY AUTOINCREMENT, -- order of arrival here; means nothing elsewhere
    hash        BLOB NOT NULL UNIQUE CHECK (length(hash) = 32),
    incarnation BLOB NOT NULL CHECK (length(incarnation) = 16),
    seq         INTEGER NOT NULL CHECK (seq >= 1),
    bytes       BLOB NOT NULL,
    sig         BLOB NOT NULL CHECK (length(sig) IN (0, 64)), -- empty within a transaction, 64 at its end
    UNIQUE (incarnation, seq)
) STRICT;

-- Heads and tails, kept in the transaction that adds the entries: nobody scans `entry` for them.
CREATE TABLE series (
    incarnation BLOB NOT NULL PRIMARY KEY CHECK (length(incarnation) = 16),
    seq         INTEGER NOT NULL CHECK (seq >= 1),
    hash        BLOB NOT NULL CHECK (length(hash) = 32),
    counter     INTEGER NOT NULL, -- highest Lamport counter in the series
    tail        TEXT NOT NULL     -- chain state as JSON
) STRICT, WITHOUT ROWID;

-- Entries that could not be taken in: forks, bad signatures. Kept, shown, never merged.
CREATE TABLE quarantine (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    hash        BLOB NOT NULL CHECK (length(hash) = 32),
    incarnation BLOB NOT NULL CHECK (length(incarnation) = 16),
    seq         INTEGER NOT NULL,
    bytes       BLOB NOT NULL,
    sig         BLOB NOT NULL CHECK (length(sig) IN (0, 64)),
    reason      TEXT NOT NULL,
    UNIQUE (hash, sig)
) STRICT;

CREATE TABLE setting (
    key   TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Photos whose original is on this disk; brought in line with the folder at every start.
CREATE TABLE photo_here (
    photo BLOB NOT NULL PRIMARY KEY CHECK (length(photo) = 32),
    bytes INTEGER NOT NULL CHECK (bytes >= 0)
) STRICT, WITHOUT ROWID;

-- The trailer's word that it holds a photo whole.
CREATE TABLE photo_receipt (
    photo      BLOB NOT NULL PRIMARY KEY CHECK (length(photo) = 32),
    receipt_ms INTEGER NOT NULL -- wall clock of the receipt, shown, never trusted
) STRICT, WITHOUT ROWID;
