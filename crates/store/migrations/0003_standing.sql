-- Which series count, and what is known of their clocks. Projections, like those of 0002.

-- Every statement about a series, whoever made it; whether it is believed is judged from all of them.
CREATE TABLE p_statement (
    hash BLOB NOT NULL PRIMARY KEY REFERENCES entry (hash)
) STRICT, WITHOUT ROWID;

-- One row a series that somebody who is believed speaks of, or that is a root or our own. No row: it does not count.
CREATE TABLE p_standing (
    incarnation BLOB NOT NULL PRIMARY KEY CHECK (length(incarnation) = 16),
    counts_to   INTEGER,       -- NULL: to its end
    role        TEXT NOT NULL, -- tablet or server
    verdict     TEXT NOT NULL  -- all of it, JSON
) STRICT, WITHOUT ROWID;

-- Comparisons of a series' clock with the server's.
CREATE TABLE p_clock (
    about BLOB NOT NULL CHECK (length(about) = 16),
    hash  BLOB NOT NULL REFERENCES entry (hash),
    clock TEXT NOT NULL,
    PRIMARY KEY (about, hash)
) STRICT, WITHOUT ROWID;
