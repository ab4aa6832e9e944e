-- Hours until a changeout is due, as foreseen at each time: the newest is in force, the earlier ones are its history.
CREATE TABLE forecast (
    skid INTEGER NOT NULL,
    time INTEGER NOT NULL,              -- event time, ns
    p10  REAL NOT NULL,                 -- h
    p50  REAL NOT NULL,
    p90  REAL NOT NULL,
    PRIMARY KEY (skid, time)
) WITHOUT ROWID, STRICT;
