-- What benches say of themselves, and what of their journals was compared with what is here.
--
-- Readings are counted by their instrument, so that a hole shows by itself. What is published besides
-- them is not: a worker asks the bench for a list of it, entry by entry of its journal, and keeps
-- here how far it has compared and what it found missing.

CREATE TABLE journals (
    site text NOT NULL,
    bench text NOT NULL,
    journal uuid NOT NULL,
    -- A bench whose journal was damaged begins a new one: then the old one is not the bench's any more.
    is_current boolean NOT NULL,
    state text NOT NULL CHECK (state IN ('online', 'offline')),
    heard_at timestamptz NOT NULL DEFAULT now(), -- when this state or this head was first heard
    first_heard timestamptz NOT NULL DEFAULT now(),
    first_head bigint, -- the journal's newest entry as the bench first told it: history ends here
    head bigint, -- and as it last told it
    dead_letters integer NOT NULL DEFAULT 0, -- refused by the broker; they wait for a person at the bench
    compared bigint NOT NULL DEFAULT 0, -- up to this entry all is here, or in `missing`, or was cut off
    compared_hash text, -- of that entry: another one there means another journal, as of a restored backup
    counted boolean NOT NULL DEFAULT false, -- whether the last list said how far readings count
    compared_at timestamptz,
    cut_first bigint, -- entries that the bench had cut off (trimmed) before they could be compared
    cut_last bigint,
    put_back integer NOT NULL DEFAULT 0, -- times that the journal was not the one compared before
    request uuid, -- the question that is open
    asked_at timestamptz,
    tries integer NOT NULL DEFAULT 0, -- questions without an answer
    PRIMARY KEY (site, bench, journal)
);

-- Entries that a bench has listed and that are not here.
CREATE TABLE missing (
    site text NOT NULL,
    bench text NOT NULL,
    id uuid NOT NULL,
    journal uuid NOT NULL,
    n bigint NOT NULL,
    kind text NOT NULL CHECK (kind IN ('gap', 'record', 'result', 'tag')),
    follows boolean NOT NULL, -- the one before it in the list is missing, too: asked for together
    state text NOT NULL DEFAULT 'open' CHECK (state IN ('open', 'given-up')),
    found_at timestamptz NOT NULL DEFAULT now(),
    due_at timestamptz NOT NULL DEFAULT now(),
    tries integer NOT NULL DEFAULT 0,
    PRIMARY KEY (site, bench, id)
);
CREATE INDEX missing_in_order ON missing (state, site, bench, n);

-- What a bench says of its instruments: an instrument that is silent shows no hole.
ALTER TABLE instruments
    ADD COLUMN told bigint, -- the last sequence number that the bench has delivered
    ADD COLUMN begins bigint; -- the first one that it can still give

-- All that is known not to be here, and all of which that is not known. Nothing in it means: what
-- the benches had told of when they were last compared is here. first and last are sequence numbers
-- where what is 'readings', numbers of the journal's entries elsewhere.
CREATE VIEW incomplete AS
    SELECT g.site, g.bench, 'readings' AS what, g.instrument, g.first, g.last,
           CASE WHEN g.last < i.begins THEN 'cut-off' ELSE g.state END AS state, g.tries
    FROM gaps g
    LEFT JOIN instruments i USING (site, bench, instrument)
    -- What was given up and came after all is not missing.
    WHERE g.state = 'open' OR g.last - g.first + 1 > (
        SELECT count(DISTINCT r.sequence) FROM readings r
        WHERE r.site = g.site AND r.bench = g.bench AND r.instrument = g.instrument
          AND r.sequence BETWEEN g.first AND g.last)
    UNION ALL
    -- Not looked at yet: the bench has told of more than has come.
    SELECT i.site, i.bench, 'readings', i.instrument, newest.sequence + 1, i.told, 'open', 0
    FROM instruments i
    CROSS JOIN LATERAL (
        SELECT greatest(i.whole, coalesce(max(r.sequence), 0)) AS sequence FROM readings r
        WHERE r.site = i.site AND r.bench = i.bench AND r.instrument = i.instrument) newest
    WHERE i.told > newest.sequence AND NOT EXISTS (
        SELECT FROM gaps g
        WHERE g.site = i.site AND g.bench = i.bench AND g.instrument = i.instrument
          AND g.last >= i.told)
    UNION ALL
    SELECT m.site, m.bench, m.kind || 's', '', m.n, m.n, m.state, m.tries
    FROM missing m
    WHERE NOT EXISTS (SELECT FROM tags x WHERE m.kind = 'tag' AND x.id = m.id)
      AND NOT EXISTS (SELECT FROM results x WHERE m.kind = 'result' AND x.id = m.id)
      AND NOT EXISTS (SELECT FROM records x WHERE m.kind = 'record' AND x.id = m.id)
      AND NOT EXISTS (SELECT FROM interruptions x WHERE m.kind = 'gap' AND x.id = m.id)
    UNION ALL
    SELECT site, bench, 'all but readings', '', cut_first, cut_last, 'cut-off', 0
    FROM journals WHERE cut_last IS NOT NULL
    UNION ALL
    SELECT site, bench, 'all but readings', '', compared + 1, greatest(compared + 1, head),
           CASE WHEN NOT is_current THEN 'gone'
                WHEN state = 'offline' THEN 'offline'
                WHEN tries > 1 THEN 'no-answer'
                ELSE 'not-compared' END, tries
    FROM journals
    -- What a bench has stored a moment ago is compared a moment later: history is not, and neither
    -- is what nobody answers for.
    WHERE NOT counted OR compared < head AND (
        compared < first_head OR NOT is_current OR state = 'offline' OR tries > 1)
    UNION ALL
    SELECT DISTINCT i.site, i.bench, 'all but readings', '', 1::bigint, NULL::bigint, 'not-told', 0
    FROM instruments i
    WHERE NOT EXISTS (SELECT FROM journals j WHERE j.site = i.site AND j.bench = i.bench);

-- How each bench is, as far as is known here.
CREATE VIEW benches AS
    SELECT b.site, b.bench, coalesce(j.state, 'not-told') AS state, j.heard_at,
           newest.time AS newest_reading, newest.stored_at AS newest_stored,
           extract(epoch FROM newest.stored_at - newest.time)::float8 AS late_s,
           j.compared, j.head, j.compared_at, j.dead_letters,
           (SELECT count(*) FROM incomplete c WHERE c.site = b.site AND c.bench = b.bench)
               AS incomplete
    FROM (SELECT site, bench FROM instruments UNION SELECT site, bench FROM journals) b
    LEFT JOIN journals j ON j.site = b.site AND j.bench = b.bench AND j.is_current
    LEFT JOIN LATERAL (
        SELECT r.time, r.stored_at
        FROM instruments i
        CROSS JOIN LATERAL (
            SELECT r.time, r.stored_at FROM readings r
            WHERE r.site = i.site AND r.bench = i.bench AND r.instrument = i.instrument
            ORDER BY r.sequence DESC LIMIT 1) r
        WHERE i.site = b.site AND i.bench = b.bench
        ORDER BY r.time DESC LIMIT 1) newest ON true;
