-- What operators did that the engine had to know, at the event time at which it took effect: a rebuild from stored
-- readings does it again there. number: of the request that asked for it.
CREATE TABLE action (
    skid   INTEGER NOT NULL REFERENCES skid (ref),
    number INTEGER NOT NULL,
    time   INTEGER NOT NULL,            -- event time, ns
    verb   TEXT NOT NULL,
    by     TEXT NOT NULL,
    reason TEXT NOT NULL,
    body   TEXT NOT NULL,               -- JSON
    PRIMARY KEY (skid, number)
) WITHOUT ROWID, STRICT;
