-- Closed hours of readings, packed as the embedded store packs them; and what tells a page that something changed.
CREATE TABLE packed (
    signal     integer NOT NULL,
    hour       integer NOT NULL,        -- since 1970 UTC
    count      integer NOT NULL,
    last       bigint NOT NULL,         -- its newest reading: time in ns, value, quality + 4 * not fed
    last_value double precision NOT NULL,
    last_flags smallint NOT NULL,
    body       bytea NOT NULL,          -- `monitor.store.packing`
    PRIMARY KEY (signal, hour)
);
ALTER TABLE packed ALTER body SET STORAGE EXTERNAL;     -- it has no air left in it

CREATE TABLE packed_total (
    shard    integer PRIMARY KEY,
    hours    bigint NOT NULL,
    readings bigint NOT NULL,
    bytes    bigint NOT NULL
);

ALTER TABLE lease ADD commits bigint NOT NULL DEFAULT 0;     -- raised by each, beat with it
