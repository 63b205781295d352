-- The newest tag of each reading holds; the ids are made in order of time (UUIDv7).
CREATE VIEW current_tags AS
    SELECT DISTINCT ON (reading) * FROM tags ORDER BY reading, id DESC;

-- The newest reading of each instrument, by its own count.
CREATE VIEW last_values AS
    SELECT newest.*
    FROM instruments i
    CROSS JOIN LATERAL (
        SELECT r.site, r.bench, r.instrument, r.sequence, r.quantity, r.time, r.value, r.unit,
               r.digits, r.status, r.bound_side, r.bound, r.machine, r.id
        FROM readings r
        WHERE r.site = i.site AND r.bench = i.bench AND r.instrument = i.instrument
        ORDER BY r.sequence DESC
        LIMIT 1
    ) newest;

-- Readings by machine and test point, as they were tagged when taken or afterwards.
CREATE VIEW machine_readings AS
    SELECT t.machine, t.pair, t.direction, r.quantity, r.time, r.value, r.unit, r.status,
           r.bound_side, r.bound, r.site, r.bench, r.instrument, r.sequence, r.job, r.id
    FROM tags t
    JOIN readings r ON r.id = t.reading
    WHERE NOT EXISTS (SELECT FROM tags newer WHERE newer.reading = t.reading AND newer.id > t.id)
    UNION ALL
    SELECT r.machine, r.pair, r.direction, r.quantity, r.time, r.value, r.unit, r.status,
           r.bound_side, r.bound, r.site, r.bench, r.instrument, r.sequence, r.job, r.id
    FROM readings r
    WHERE r.machine IS NOT NULL AND NOT EXISTS (SELECT FROM tags t WHERE t.reading = r.id);

-- How a value of a machine moved: beside each the one before it. Readings without a value, or with
-- a status other than ok, are in machine_readings only.
CREATE VIEW trend AS
    SELECT machine, pair, direction, quantity, unit, time, value,
           value - lag(value) OVER same AS change,
           time - lag(time) OVER same AS since, id
    FROM machine_readings
    WHERE status = 'ok' AND value IS NOT NULL
    WINDOW same AS (PARTITION BY machine, pair, direction, quantity, unit ORDER BY time, id);
