-- Projections: all of them can be dropped and made again from `entry`, byte for byte. None holds the order of arrival.

-- Entries by job and subject; job is '' for subjects outside a job.
CREATE TABLE p_entry (
    job     TEXT NOT NULL,
    subject TEXT NOT NULL,
    hash    BLOB NOT NULL REFERENCES entry (hash),
    PRIMARY KEY (job, subject, hash)
) STRICT, WITHOUT ROWID;

CREATE TABLE p_job (
    job  TEXT NOT NULL PRIMARY KEY,
    view TEXT NOT NULL -- the folded job as JSON
) STRICT, WITHOUT ROWID;

-- At most one row: the plan that stands.
CREATE TABLE p_plan (
    one   INTEGER NOT NULL PRIMARY KEY CHECK (one = 1),
    hash  BLOB NOT NULL REFERENCES entry (hash),
    newer INTEGER NOT NULL CHECK (newer IN (0, 1)), -- 1: a later plan stands that this program cannot read
    plan  TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- One row a series: a device has several after a restore.
CREATE TABLE p_device (
    incarnation BLOB NOT NULL PRIMARY KEY,
    hash        BLOB NOT NULL REFERENCES entry (hash),
    device      BLOB NOT NULL CHECK (length(device) = 16),
    name        TEXT NOT NULL,
    role        TEXT NOT NULL,
    key         TEXT NOT NULL,
    counter     INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Photos that entries name.
CREATE TABLE p_photo (
    photo BLOB NOT NULL CHECK (length(photo) = 32),
    hash  BLOB NOT NULL REFERENCES entry (hash),
    bytes INTEGER NOT NULL,
    PRIMARY KEY (photo, hash)
) STRICT, WITHOUT ROWID;
