-- What was received, in partitions by month, which workers make; those for times that no clock should
-- show are there from the start. body is the exact text that the bench's journal holds; the other columns
-- follow from it. The key holds time because a partitioned table's key must.

CREATE TABLE readings (
    id uuid NOT NULL,
    time timestamptz NOT NULL,
    site text NOT NULL,
    bench text NOT NULL,
    instrument text NOT NULL,
    sequence bigint NOT NULL,
    quantity text NOT NULL,
    unit text NOT NULL,
    value double precision,
    digits text NOT NULL,
    status text NOT NULL,
    bound_side text,
    bound double precision,
    source text NOT NULL,
    machine text,
    pair text,
    direction text,
    job uuid,
    body text NOT NULL,
    stored_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (id, time)
) PARTITION BY RANGE (time);
-- Order is (instrument, sequence): time is what a host's clock said.
CREATE INDEX readings_in_order ON readings (site, bench, instrument, sequence);
CREATE INDEX readings_of_machine ON readings (machine, pair, direction, time)
    WHERE machine IS NOT NULL;
CREATE TABLE readings_early PARTITION OF readings
    FOR VALUES FROM (MINVALUE) TO ('2020-01-01 00:00:00+00');
CREATE TABLE readings_late PARTITION OF readings
    FOR VALUES FROM ('2100-01-01 00:00:00+00') TO (MAXVALUE);

CREATE TABLE tags (
    id uuid NOT NULL,
    time timestamptz NOT NULL,
    site text NOT NULL,
    bench text NOT NULL,
    instrument text NOT NULL,
    reading uuid NOT NULL,
    operator text NOT NULL,
    machine text NOT NULL,
    pair text,
    direction text,
    note text,
    body text NOT NULL,
    stored_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (id, time)
) PARTITION BY RANGE (time);
CREATE INDEX tags_of_reading ON tags (reading, id);
CREATE INDEX tags_of_machine ON tags (machine, pair, direction);
CREATE TABLE tags_early PARTITION OF tags
    FOR VALUES FROM (MINVALUE) TO ('2020-01-01 00:00:00+00');
CREATE TABLE tags_late PARTITION OF tags
    FOR VALUES FROM ('2100-01-01 00:00:00+00') TO (MAXVALUE);

CREATE TABLE results (
    id uuid NOT NULL,
    time timestamptz NOT NULL,
    site text NOT NULL,
    bench text NOT NULL,
    job uuid NOT NULL,
    machine text,
    name text NOT NULL,
    value double precision,
    unit text NOT NULL,
    verdict text,
    body text NOT NULL,
    stored_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (id, time)
) PARTITION BY RANGE (time);
CREATE INDEX results_of_job ON results (job);
CREATE INDEX results_of_machine ON results (machine, name, time);
CREATE TABLE results_early PARTITION OF results
    FOR VALUES FROM (MINVALUE) TO ('2020-01-01 00:00:00+00');
CREATE TABLE results_late PARTITION OF results
    FOR VALUES FROM ('2100-01-01 00:00:00+00') TO (MAXVALUE);

CREATE TABLE records (
    id uuid NOT NULL,
    time timestamptz NOT NULL,
    site text NOT NULL,
    bench text NOT NULL,
    job uuid NOT NULL,
    body text NOT NULL,
    stored_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (id, time)
) PARTITION BY RANGE (time);
CREATE INDEX records_of_job ON records (job);
CREATE TABLE records_early PARTITION OF records
    FOR VALUES FROM (MINVALUE) TO ('2020-01-01 00:00:00+00');
CREATE TABLE records_late PARTITION OF records
    FOR VALUES FROM ('2100-01-01 00:00:00+00') TO (MAXVALUE);

-- What a bench itself says it may have missed, between instrument and journal.
CREATE TABLE interruptions (
    id uuid NOT NULL,
    time timestamptz NOT NULL,
    site text NOT NULL,
    bench text NOT NULL,
    instrument text NOT NULL,
    begins timestamptz NOT NULL,
    reason text NOT NULL,
    body text NOT NULL,
    stored_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (id, time)
) PARTITION BY RANGE (time);
CREATE TABLE interruptions_early PARTITION OF interruptions
    FOR VALUES FROM (MINVALUE) TO ('2020-01-01 00:00:00+00');
CREATE TABLE interruptions_late PARTITION OF interruptions
    FOR VALUES FROM ('2100-01-01 00:00:00+00') TO (MAXVALUE);

-- Every instrument that was ever heard. Up to `whole` no sequence number is looked for any more.
CREATE TABLE instruments (
    site text NOT NULL,
    bench text NOT NULL,
    instrument text NOT NULL,
    whole bigint NOT NULL DEFAULT 0,
    first_heard timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (site, bench, instrument)
);

-- Holes in the sequence numbers, between journal and here.
CREATE TABLE gaps (
    site text NOT NULL,
    bench text NOT NULL,
    instrument text NOT NULL,
    first bigint NOT NULL,
    last bigint NOT NULL CHECK (last >= first),
    state text NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'given-up')),
    found_at timestamptz NOT NULL DEFAULT now(),
    asked_at timestamptz,
    tries integer NOT NULL DEFAULT 0,
    PRIMARY KEY (site, bench, instrument, first)
);

-- Messages that cannot be stored as what they claim to be. Bounded: the oldest are let go.
CREATE TABLE quarantine (
    n bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    received_at timestamptz NOT NULL DEFAULT now(),
    topic text NOT NULL,
    reason text NOT NULL,
    size integer NOT NULL,
    payload bytea NOT NULL
);
CREATE TABLE quarantined (
    one boolean PRIMARY KEY DEFAULT true CHECK (one),
    total bigint NOT NULL DEFAULT 0
);
INSERT INTO quarantined DEFAULT VALUES;
