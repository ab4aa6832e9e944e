-- What follows from the forecast of each skid, in sentences; only the newest is kept.
CREATE TABLE plan (
    skid INTEGER PRIMARY KEY,
    time INTEGER NOT NULL,              -- event time, ns
    body TEXT NOT NULL                  -- JSON: [what, sentence] in the order in which they are read
) STRICT;
