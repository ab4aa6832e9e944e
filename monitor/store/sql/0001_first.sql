-- Names become small integers once; everything else refers to them.
CREATE TABLE skid (
    ref  INTEGER PRIMARY KEY,
    id   TEXT NOT NULL UNIQUE,
    tick INTEGER                        -- event time reached, ns
) STRICT;

CREATE TABLE signal (
    ref     INTEGER PRIMARY KEY,
    skid    INTEGER NOT NULL REFERENCES skid (ref),
    id      TEXT NOT NULL,
    place   INTEGER,                    -- position in the configuration; NULL: no longer configured
    version INTEGER NOT NULL,           -- of signal_version, in force now
    UNIQUE (skid, id)
) STRICT;

-- What a stored number meant: every reading says under which version it was taken.
CREATE TABLE signal_version (
    signal  INTEGER NOT NULL REFERENCES signal (ref),
    version INTEGER NOT NULL,
    since   INTEGER NOT NULL,           -- when the configuration was first seen, ns
    role    TEXT NOT NULL,
    vessel  TEXT,
    unit    TEXT NOT NULL,
    low     REAL NOT NULL,
    high    REAL NOT NULL,
    scale   REAL NOT NULL,
    offset  REAL NOT NULL,
    PRIMARY KEY (signal, version)
) WITHOUT ROWID, STRICT;

-- Time leads: with many interleaved signals rows are then appended at one place of the tree.
CREATE TABLE recent (
    time   INTEGER NOT NULL,            -- ns since 1970 UTC
    signal INTEGER NOT NULL,
    bits   INTEGER NOT NULL,            -- IEEE 754 bits of the value: SQLite would turn NaN into NULL
    flags  INTEGER NOT NULL,            -- quality + 4 * not fed + 8 * version
    PRIMARY KEY (time, signal)
) WITHOUT ROWID, STRICT;

CREATE TABLE packed (
    signal  INTEGER NOT NULL,
    hour    INTEGER NOT NULL,           -- hours since 1970 UTC
    count   INTEGER NOT NULL,
    version INTEGER,                    -- NULL: readings of several versions
    good    INTEGER NOT NULL,           -- believable, finite readings, and their figures
    minimum REAL,
    maximum REAL,
    total   REAL,
    body    BLOB NOT NULL,
    PRIMARY KEY (signal, hour)
) STRICT;

CREATE TABLE latest (
    signal INTEGER PRIMARY KEY,
    time   INTEGER NOT NULL,
    bits   INTEGER NOT NULL,
    flags  INTEGER NOT NULL
) STRICT;

CREATE TABLE minute (
    skid          INTEGER NOT NULL,
    time          INTEGER NOT NULL,
    inlet         REAL,
    outlet        REAL,
    pressure_drop REAL,
    flow          REAL,
    temperature   REAL,
    normalised    REAL,
    judged        INTEGER NOT NULL,
    PRIMARY KEY (skid, time)
) WITHOUT ROWID, STRICT;

CREATE TABLE event (
    seq        INTEGER PRIMARY KEY,
    id         TEXT NOT NULL UNIQUE,
    skid       INTEGER NOT NULL REFERENCES skid (ref),
    time       INTEGER NOT NULL,
    kind       TEXT NOT NULL,
    transition TEXT NOT NULL,
    message    TEXT NOT NULL,
    vessel     TEXT,
    signal     TEXT,
    detail     TEXT,
    grade      TEXT,
    value      REAL,
    unit       TEXT,
    onset      INTEGER,
    evidence   TEXT NOT NULL,           -- JSON
    recorded   INTEGER NOT NULL,
    checkpoint INTEGER,                 -- `released` of the checkpoint to replay from
    pin_from   INTEGER NOT NULL,        -- readings that stay as long as this event
    pin_until  INTEGER NOT NULL
) STRICT;
CREATE INDEX event_by_time ON event (time, seq);
CREATE INDEX event_by_pin ON event (skid, pin_until);
CREATE INDEX event_by_checkpoint ON event (skid, checkpoint) WHERE checkpoint IS NOT NULL;

CREATE TABLE alarm_state (
    skid   INTEGER NOT NULL,
    kind   TEXT NOT NULL,
    vessel TEXT NOT NULL,               -- '' where there is none
    signal TEXT NOT NULL,
    body   TEXT NOT NULL,
    PRIMARY KEY (skid, kind, vessel, signal)
) WITHOUT ROWID, STRICT;

CREATE TABLE fact (
    seq      INTEGER PRIMARY KEY,
    skid     INTEGER NOT NULL,
    key      TEXT NOT NULL,
    time     INTEGER NOT NULL,
    value    TEXT NOT NULL,             -- JSON
    recorded INTEGER NOT NULL,
    UNIQUE (skid, key, time)
) STRICT;

CREATE TABLE checkpoint (
    skid        INTEGER NOT NULL,
    released    INTEGER NOT NULL,
    version     INTEGER NOT NULL,
    fingerprint TEXT NOT NULL,
    state       BLOB NOT NULL,
    recorded    INTEGER NOT NULL,
    PRIMARY KEY (skid, released)
) STRICT;

CREATE TABLE notice (
    id         INTEGER PRIMARY KEY,
    channel    TEXT NOT NULL,
    key        TEXT NOT NULL,           -- idempotency key
    body       TEXT NOT NULL,           -- JSON; emptied once sent
    created    INTEGER NOT NULL,
    attempts   INTEGER NOT NULL DEFAULT 0,
    next_try   INTEGER NOT NULL,
    state      TEXT NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'sent', 'refused')),
    last_error TEXT NOT NULL DEFAULT '',
    finished   INTEGER,
    UNIQUE (channel, key)
) STRICT;
CREATE INDEX notice_queued ON notice (channel, next_try, id) WHERE state = 'queued';
CREATE INDEX notice_finished ON notice (finished) WHERE state = 'sent';
CREATE INDEX notice_oldest ON notice (channel, created) WHERE state = 'queued';

CREATE TABLE channel (
    name       TEXT PRIMARY KEY,
    queued     INTEGER NOT NULL DEFAULT 0,  -- now
    sent       INTEGER NOT NULL DEFAULT 0,  -- ever
    refused    INTEGER NOT NULL DEFAULT 0,  -- kept, no longer tried
    sent_at    INTEGER,
    failed_at  INTEGER,
    last_error TEXT NOT NULL DEFAULT ''
) WITHOUT ROWID, STRICT;

CREATE TABLE quarantine (
    id       INTEGER PRIMARY KEY,
    received INTEGER NOT NULL,
    skid     TEXT,
    signal   TEXT,
    reason   TEXT NOT NULL,
    origin   TEXT NOT NULL,
    text     TEXT NOT NULL,
    time     INTEGER,
    note     TEXT NOT NULL
) STRICT;

CREATE TABLE quarantine_count (
    skid   TEXT NOT NULL,               -- '' where unknown
    signal TEXT NOT NULL,
    reason TEXT NOT NULL,
    count  INTEGER NOT NULL,
    first  INTEGER NOT NULL,            -- arrival, ns
    last   INTEGER NOT NULL,
    PRIMARY KEY (skid, signal, reason)
) WITHOUT ROWID, STRICT;

-- What people ask of a running daemon from another process, with its answer: the journal of operators.
CREATE TABLE request (
    id       INTEGER PRIMARY KEY,
    time     INTEGER NOT NULL,
    skid     TEXT,
    action   TEXT NOT NULL,
    body     TEXT NOT NULL,             -- JSON
    answered INTEGER,
    answer   TEXT
) STRICT;
CREATE INDEX request_open ON request (id) WHERE answered IS NULL;

-- Per minute of arrival, kept for two days: rates.
CREATE TABLE activity (
    minute    INTEGER PRIMARY KEY,
    commits   INTEGER NOT NULL,
    readings  INTEGER NOT NULL,
    repeated  INTEGER NOT NULL,
    rejected  INTEGER NOT NULL,
    events    INTEGER NOT NULL
) STRICT;

CREATE TABLE counter (
    name  TEXT PRIMARY KEY,
    count INTEGER NOT NULL
) WITHOUT ROWID, STRICT;
