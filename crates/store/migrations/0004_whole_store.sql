-- What serves the whole store: entries of a later program, damage that was found, and sums over rows that nothing else proves.

-- Entries that this program cannot read, as they came: forwarded, exported, and tried again by a later program.
CREATE TABLE unreadable (
    id    INTEGER PRIMARY KEY AUTOINCREMENT, -- order of arrival here
    hash  BLOB NOT NULL CHECK (length(hash) = 32),
    bytes BLOB NOT NULL,
    sig   BLOB NOT NULL CHECK (length(sig) IN (0, 64)),
    why   TEXT NOT NULL,
    sum   BLOB NOT NULL,
    UNIQUE (hash, sig)
) STRICT;

-- Jobs whose view cannot be made because a stored entry of theirs is damaged. Made with the views; '' where the job is not known.
CREATE TABLE p_damage (
    job  TEXT NOT NULL,
    hash BLOB NOT NULL,
    why  TEXT NOT NULL,
    PRIMARY KEY (job, hash)
) STRICT, WITHOUT ROWID;

-- Entries and photos prove themselves by their hash and views can be made again; these rows carry a sum of their own.
ALTER TABLE series ADD COLUMN sum BLOB;
ALTER TABLE setting ADD COLUMN sum BLOB;
ALTER TABLE quarantine ADD COLUMN sum BLOB;
ALTER TABLE photo_receipt ADD COLUMN sum BLOB;
ALTER TABLE p_job ADD COLUMN sum BLOB;
