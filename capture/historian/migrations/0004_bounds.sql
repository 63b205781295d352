-- What a bench may leave here has bounds; what people have settled is kept; a sequence number that two
-- readings have is told.

-- What was refused because a bench had had its share of rows here. It is still with the bench, and is
-- taken up when there is room. One row a bench and kind, so that this table has a bound as well.
CREATE TABLE refusals (
    site text NOT NULL, -- empty with an empty bench: of benches that were never heard of before
    bench text NOT NULL,
    what text NOT NULL CHECK (what IN ('benches', 'journals', 'instruments', 'lists', 'words')),
    since timestamptz NOT NULL DEFAULT now(),
    newest timestamptz NOT NULL DEFAULT now(),
    times bigint NOT NULL DEFAULT 1,
    journal uuid, -- the newest journal that was refused, and what the bench said of it
    state text,
    head bigint,
    dead_letters integer,
    PRIMARY KEY (site, bench, what)
);

-- What can never come, and who said so. Nothing is taken out of here.
CREATE TABLE settled (
    n bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    settled_at timestamptz NOT NULL DEFAULT now(),
    operator text NOT NULL,
    reason text NOT NULL,
    site text NOT NULL,
    bench text NOT NULL,
    what text NOT NULL,
    instrument text NOT NULL,
    first bigint,
    last bigint,
    state text NOT NULL, -- as it stood in `incomplete`
    journal uuid, -- of entries of a journal
    id uuid -- of one entry
);
ALTER TABLE gaps DROP CONSTRAINT gaps_state_check;
ALTER TABLE gaps ADD CONSTRAINT gaps_state_check CHECK (state IN ('open', 'given-up', 'settled'));
ALTER TABLE missing DROP CONSTRAINT missing_state_check;
ALTER TABLE missing
    ADD CONSTRAINT missing_state_check CHECK (state IN ('open', 'given-up', 'settled'));

-- Sequence numbers that two readings of an instrument have, as where a bench's journal was put back to
-- an earlier backup: no hole can show there what is missing.
CREATE TABLE reused (
    site text NOT NULL,
    bench text NOT NULL,
    instrument text NOT NULL,
    first bigint NOT NULL,
    last bigint NOT NULL CHECK (last >= first),
    found_at timestamptz NOT NULL DEFAULT now(),
    newest_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (site, bench, instrument)
);
-- Whether the journal was put back and what follows from it is still to be done, once it is compared.
ALTER TABLE journals ADD COLUMN recheck boolean NOT NULL DEFAULT false;
-- Newest numbers that were there before as well: the bench is asked for what it has under them now.
ALTER TABLE instruments
    ADD COLUMN recheck_first bigint,
    ADD COLUMN recheck_last bigint,
    ADD COLUMN recheck_at timestamptz, -- when it was asked last
    ADD COLUMN recheck_tries integer NOT NULL DEFAULT 0;

CREATE OR REPLACE VIEW incomplete AS
    SELECT g.site, g.bench, 'readings' AS what, g.instrument, g.first, g.last,
           CASE WHEN g.last < i.begins THEN 'cut-off' ELSE g.state END AS state, g.tries
    FROM gaps g
    LEFT JOIN instruments i USING (site, bench, instrument)
    -- What was given up and came after all is not missing.
    WHERE g.state = 'open' OR g.state = 'given-up' AND g.last - g.first + 1 > (
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
    SELECT u.site, u.bench, 'readings', u.instrument, u.first, u.last, 'reused', 0 FROM reused u
    UNION ALL
    SELECT i.site, i.bench, 'readings', i.instrument, i.recheck_first, i.recheck_last,
           CASE WHEN i.recheck_tries > 1 THEN 'no-answer' ELSE 'not-compared' END, i.recheck_tries
    FROM instruments i WHERE i.recheck_last IS NOT NULL
    UNION ALL
    SELECT m.site, m.bench, m.kind || 's', '', m.n, m.n,
           -- Of a journal that the bench has no more nobody can be asked.
           CASE WHEN m.state = 'open' AND j.is_current IS NOT TRUE THEN 'gone' ELSE m.state END,
           m.tries
    FROM missing m
    LEFT JOIN journals j USING (site, bench, journal)
    WHERE m.state <> 'settled'
      AND NOT EXISTS (SELECT FROM tags x WHERE m.kind = 'tag' AND x.id = m.id)
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
    WHERE NOT EXISTS (SELECT FROM journals j WHERE j.site = i.site AND j.bench = i.bench)
    UNION ALL
    SELECT site, bench, what, '', NULL::bigint, NULL::bigint, 'refused', 0 FROM refusals;

CREATE OR REPLACE VIEW benches AS
    SELECT b.site, b.bench, coalesce(j.state, 'not-told') AS state, j.heard_at,
           newest.time AS newest_reading, newest.stored_at AS newest_stored,
           extract(epoch FROM newest.stored_at - newest.time)::float8 AS late_s,
           j.compared, j.head, j.compared_at, j.dead_letters,
           (SELECT count(*) FROM incomplete c WHERE c.site = b.site AND c.bench = b.bench)
               AS incomplete,
           -- What of the bench was refused, as it has had its share here.
           (SELECT string_agg(f.what, ', ' ORDER BY f.what) FROM refusals f
            WHERE f.site = b.site AND f.bench = b.bench) AS refused
    FROM (SELECT site, bench FROM instruments UNION SELECT site, bench FROM journals
          UNION SELECT site, bench FROM refusals WHERE bench <> '') b
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
