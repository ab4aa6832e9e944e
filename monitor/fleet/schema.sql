-- One database for all shards. What two shards could both write bears the shard; the rest hangs on its skid.
CREATE TABLE fleet (
    one    boolean PRIMARY KEY DEFAULT true CHECK (one),
    schema integer NOT NULL,
    shards integer NOT NULL             -- fixed: another number would put skids elsewhere
);

-- Who speaks for a shard. Each taking over raises the epoch; whoever holds an older one is refused.
CREATE TABLE lease (
    shard  integer PRIMARY KEY,
    epoch  bigint NOT NULL,
    holder text NOT NULL,
    taken  timestamptz NOT NULL,
    beat   timestamptz NOT NULL
);

CREATE TABLE skid (
    ref   integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    shard integer NOT NULL,
    id    text NOT NULL,
    tick  bigint,                       -- event time reached, ns
    UNIQUE (shard, id)
);

CREATE TABLE signal (
    ref    integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    skid   integer NOT NULL REFERENCES skid (ref),
    id     text NOT NULL,
    place  integer,                     -- in the configuration; NULL: no longer, or with another meaning
    role   text NOT NULL,
    vessel text NOT NULL,
    unit   text NOT NULL,
    scale  double precision NOT NULL,   -- SI = value * scale + zero
    zero   double precision NOT NULL,
    UNIQUE (skid, id, role, vessel, unit, scale, zero)
);

CREATE TABLE reading (
    signal integer NOT NULL,
    time   bigint NOT NULL,             -- ns since 1970 UTC
    value  double precision NOT NULL,
    flags  smallint NOT NULL,           -- quality + 4 * not fed
    PRIMARY KEY (signal, time)
);

CREATE TABLE event (
    skid integer NOT NULL REFERENCES skid (ref),
    id   text NOT NULL,
    time bigint NOT NULL,
    kind text NOT NULL,
    body text NOT NULL,                 -- JSON
    recorded bigint NOT NULL,
    PRIMARY KEY (skid, id)
);
CREATE INDEX event_by_time ON event (time);

CREATE TABLE alarm_state (
    skid   integer NOT NULL REFERENCES skid (ref),
    kind   text NOT NULL,
    vessel text NOT NULL,               -- '' where there is none
    signal text NOT NULL,
    body   text NOT NULL,
    PRIMARY KEY (skid, kind, vessel, signal)
);

CREATE TABLE fact (
    skid  integer NOT NULL REFERENCES skid (ref),
    key   text NOT NULL,
    time  bigint NOT NULL,
    value text NOT NULL,
    PRIMARY KEY (skid, key, time)
);

CREATE TABLE checkpoint (
    skid        integer NOT NULL REFERENCES skid (ref),
    released    bigint NOT NULL,
    version     integer NOT NULL,
    fingerprint text NOT NULL,
    state       bytea NOT NULL,
    PRIMARY KEY (skid, released)
);

CREATE TABLE minute (
    skid          integer NOT NULL REFERENCES skid (ref),
    time          bigint NOT NULL,
    inlet         double precision NOT NULL,
    outlet        double precision NOT NULL,
    pressure_drop double precision NOT NULL,
    flow          double precision NOT NULL,
    temperature   double precision NOT NULL,
    normalised    double precision NOT NULL,
    judged        boolean NOT NULL,
    PRIMARY KEY (skid, time)
);

CREATE TABLE forecast (
    skid integer NOT NULL REFERENCES skid (ref),
    time bigint NOT NULL,
    p10  double precision NOT NULL,     -- h
    p50  double precision NOT NULL,
    p90  double precision NOT NULL,
    PRIMARY KEY (skid, time)
);

CREATE TABLE plan (
    skid integer PRIMARY KEY REFERENCES skid (ref),
    time bigint NOT NULL,
    body text NOT NULL
);

CREATE TABLE notice (
    id         bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    shard      integer NOT NULL,
    channel    text NOT NULL,
    key        text NOT NULL,           -- idempotency key
    body       text NOT NULL,           -- JSON; emptied once sent
    created    bigint NOT NULL,
    attempts   integer NOT NULL DEFAULT 0,
    next_try   bigint NOT NULL,
    state      text NOT NULL DEFAULT 'queued' CHECK (state IN ('queued', 'sent', 'refused')),
    last_error text NOT NULL DEFAULT '',
    finished   bigint,
    UNIQUE (shard, channel, key)
);
CREATE INDEX notice_oldest ON notice (shard, channel, created, id) WHERE state = 'queued';
CREATE INDEX notice_refused ON notice (shard, channel, id) WHERE state = 'refused';
CREATE INDEX notice_finished ON notice (shard, channel, finished) WHERE state = 'sent';

CREATE TABLE channel (
    shard      integer NOT NULL,
    name       text NOT NULL,
    sent       bigint NOT NULL DEFAULT 0,
    dropped    bigint NOT NULL DEFAULT 0,
    sent_at    bigint,
    failed_at  bigint,
    last_error text NOT NULL DEFAULT '',
    PRIMARY KEY (shard, name)
);

CREATE TABLE journal (
    shard    integer NOT NULL,
    id       text NOT NULL,             -- the same step computed again is one line
    skid     integer REFERENCES skid (ref),
    time     bigint NOT NULL,
    body     text NOT NULL,             -- JSON
    recorded bigint NOT NULL,
    PRIMARY KEY (shard, id)
);

CREATE TABLE request (
    id       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    shard    integer NOT NULL,
    time     bigint NOT NULL,
    skid     text,
    action   text NOT NULL,
    body     text NOT NULL,
    answered bigint,
    answer   text,
    origin   text,
    UNIQUE (shard, origin)
);
CREATE INDEX request_open ON request (shard, id) WHERE answered IS NULL;

CREATE TABLE action (
    skid   integer NOT NULL REFERENCES skid (ref),
    number bigint NOT NULL,
    time   bigint NOT NULL,
    verb   text NOT NULL,
    by     text NOT NULL,
    reason text NOT NULL,
    body   text NOT NULL,
    PRIMARY KEY (skid, number)
);

CREATE TABLE quarantine (
    id       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    shard    integer NOT NULL,
    received bigint NOT NULL,
    skid     text,
    signal   text,
    reason   text NOT NULL,
    origin   text NOT NULL,
    text     text NOT NULL,
    time     bigint,
    note     text NOT NULL
);
CREATE INDEX quarantine_by_shard ON quarantine (shard, id);

CREATE TABLE quarantine_count (
    shard  integer NOT NULL,
    reason text NOT NULL,
    count  bigint NOT NULL,
    last   bigint NOT NULL,
    PRIMARY KEY (shard, reason)
);
