-- What moved each alarm, and what people wrote: who, when, why. Nothing of it is ever changed.
CREATE TABLE journal (
    seq      INTEGER PRIMARY KEY,
    id       TEXT NOT NULL UNIQUE,      -- the same step computed again is one line
    skid     INTEGER REFERENCES skid (ref),
    time     INTEGER NOT NULL,          -- event time, ns
    step     TEXT NOT NULL,
    kind     TEXT,
    vessel   TEXT,
    signal   TEXT,
    before   TEXT,                      -- what the alarm showed; NULL: a line of no alarm
    after    TEXT,
    priority TEXT,
    who      TEXT NOT NULL,
    via      TEXT NOT NULL,
    why      TEXT NOT NULL,
    event    TEXT,                      -- id of the event that it goes back to
    recorded INTEGER NOT NULL
) STRICT;
CREATE INDEX journal_by_time ON journal (time, seq);
CREATE INDEX journal_by_skid ON journal (skid, time, seq);

-- A command that came by another way than a file of this machine names itself, so that a second delivery is told.
ALTER TABLE request ADD COLUMN origin TEXT;
CREATE UNIQUE INDEX request_origin ON request (origin) WHERE origin IS NOT NULL;
