-- SPDX-License-Identifier: GPL-3.0-or-later
-- reel.db, version 1. docs/reel-folder.md explains every table to a stranger.

CREATE TABLE meta (
    key   TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

-- One row per camera file taken in. Never deleted: what was captured stays known.
CREATE TABLE still (
    id          INTEGER PRIMARY KEY,
    path        TEXT NOT NULL UNIQUE,     -- relative to the reel folder
    source      TEXT,
    folder      INTEGER NOT NULL,         -- DCF directory number, -1 none
    number      INTEGER NOT NULL,         -- DCF file number, -1 none
    bytes       INTEGER NOT NULL,
    mtime_us    INTEGER NOT NULL,         -- of the source file
    sha256      TEXT NOT NULL,
    width       INTEGER NOT NULL,
    height      INTEGER NOT NULL,
    orientation INTEGER NOT NULL,         -- Exif 0112 as written, not applied
    captured_us INTEGER,                  -- camera clock, NULL unknown
    serial      TEXT,
    state       INTEGER NOT NULL,         -- 0 good, 1 unreadable, 2 damaged
    fault       TEXT
);

-- The film, frame by frame. n counts from 0 without holes.
CREATE TABLE frame (
    n          INTEGER PRIMARY KEY,
    still      INTEGER NOT NULL,          -- 0: no still shows this frame
    doubled_of INTEGER NOT NULL,          -- -1, or the frame whose picture this still repeats
    replaced   INTEGER NOT NULL           -- 0, or the still that stood here before
);
CREATE INDEX frame_still ON frame (still);

-- Whatever was measured on one still; version is the measure's, so that a better method
-- measures again only what is stale.
CREATE TABLE measurement (
    still   INTEGER NOT NULL,
    measure TEXT NOT NULL,
    version INTEGER NOT NULL,
    value   NOT NULL,                     -- a number or bytes
    PRIMARY KEY (still, measure)
) WITHOUT ROWID;

-- film mm -> stored still pixels: x = a*X + b*Y + c, y = d*X + e*Y + f.
CREATE TABLE geometry (
    n          INTEGER PRIMARY KEY,
    a REAL NOT NULL, b REAL NOT NULL, c REAL NOT NULL,
    d REAL NOT NULL, e REAL NOT NULL, f REAL NOT NULL,
    method     TEXT NOT NULL,
    confidence REAL NOT NULL
);

CREATE TABLE scene (
    id    INTEGER PRIMARY KEY,
    first INTEGER NOT NULL,
    last  INTEGER NOT NULL,
    cue   TEXT NOT NULL
);

CREATE TABLE finding (
    id         INTEGER PRIMARY KEY,
    kind       TEXT NOT NULL,
    first      INTEGER NOT NULL,
    last       INTEGER NOT NULL,
    still      INTEGER NOT NULL,          -- what it hangs on when the reel is surveyed again
    severity   TEXT NOT NULL,
    confidence REAL NOT NULL,
    evidence   TEXT NOT NULL,             -- a JSON object
    advice     TEXT NOT NULL,
    state      TEXT NOT NULL,             -- open, confirmed, dismissed
    note       TEXT
);

CREATE TABLE choice (
    scope TEXT NOT NULL,                  -- reel, scene:<id>, frame:<n>
    key   TEXT NOT NULL,
    value TEXT NOT NULL,
    PRIMARY KEY (scope, key)
) WITHOUT ROWID;

CREATE TABLE choice_history (
    id    INTEGER PRIMARY KEY,
    at    TEXT NOT NULL,
    scope TEXT NOT NULL,
    key   TEXT NOT NULL,
    old   TEXT,
    new   TEXT
);

CREATE TABLE fact (
    stage   TEXT NOT NULL,
    version INTEGER NOT NULL,
    params  TEXT NOT NULL,
    key     TEXT NOT NULL,
    value   BLOB NOT NULL,
    PRIMARY KEY (stage, version, params, key)
) WITHOUT ROWID;

CREATE TABLE journal (
    id      INTEGER PRIMARY KEY,
    at      TEXT NOT NULL,
    program TEXT NOT NULL,
    event   TEXT NOT NULL,
    detail  TEXT
);
