-- 0019_packed_weeks: a week's cranks as one packed value instead of ten arrays, which the server sends without looking into it. What stands is
-- packed as it is, since raw rows of old months may be gone; a week that is digested anew takes a quarter of that. Size: 20 bytes per crank, 80
-- of what is packed here, as before. Lock: digests are neither made nor read while it runs, some 2 seconds per million cranks. Back: unpack them
-- with the program of this release; what has raw rows can be digested from those.

CREATE TABLE packed_week (
    unit     text NOT NULL REFERENCES unit,
    week     date NOT NULL,
    cranks   int NOT NULL,
    first_at timestamptz NOT NULL,
    last_at  timestamptz NOT NULL,
    pack     bytea NOT NULL, -- in the order of time; the store's crankpack.go says how
    PRIMARY KEY (unit, week)
);

INSERT INTO packed_week (unit, week, cranks, first_at, last_at, pack)
SELECT w.unit, w.week, cardinality(w.cranked_at), w.cranked_at[1], w.cranked_at[cardinality(w.cranked_at)],
    '\x01'::bytea || int4send(cardinality(w.cranked_at)) || '\x01' || p.cranked_at
        || '\x01' || p.rest_v || '\x01' || p.min_v || '\x01' || p.mean_v || '\x01' || p.duration_ms
        || '\x01' || p.temperature_c || '\x01' || p.coolant_c || '\x01' || p.current_a || '\x01' || p.rpm || '\x01' || p.outcome
FROM crank_week w, LATERAL (
    SELECT string_agg(timestamptz_send(c.cranked_at), '') AS cranked_at,
        string_agg(coalesce(float8send(c.rest_v), '\xffffffffffffffff'), '') AS rest_v,
        string_agg(coalesce(float8send(c.min_v), '\xffffffffffffffff'), '') AS min_v,
        string_agg(coalesce(float8send(c.mean_v), '\xffffffffffffffff'), '') AS mean_v,
        string_agg(coalesce(float8send(c.duration_ms), '\xffffffffffffffff'), '') AS duration_ms,
        string_agg(coalesce(float8send(c.temperature_c), '\xffffffffffffffff'), '') AS temperature_c,
        string_agg(coalesce(float8send(c.coolant_c), '\xffffffffffffffff'), '') AS coolant_c,
        string_agg(coalesce(float8send(c.current_a), '\xffffffffffffffff'), '') AS current_a,
        string_agg(coalesce(float8send(c.rpm), '\xffffffffffffffff'), '') AS rpm,
        string_agg(CASE c.outcome WHEN 'slow' THEN '\x01'::bytea WHEN 'no_crank' THEN '\x02' WHEN 'no_start' THEN '\x03' ELSE '\x00' END, '') AS outcome
    FROM (SELECT * FROM unnest(w.cranked_at, w.rest_v, w.min_v, w.mean_v, w.duration_ms, w.temperature_c, w.coolant_c, w.current_a, w.rpm, w.outcome)
        WITH ORDINALITY AS u (cranked_at, rest_v, min_v, mean_v, duration_ms, temperature_c, coolant_c, current_a, rpm, outcome, place)
        ORDER BY place) c) p
WHERE cardinality(w.cranked_at) > 0
ORDER BY w.unit, w.week;

DROP TABLE crank_week;
ALTER TABLE packed_week RENAME TO crank_week;
ALTER TABLE crank_week RENAME CONSTRAINT packed_week_pkey TO crank_week_pkey;
ALTER TABLE crank_week RENAME CONSTRAINT packed_week_unit_fkey TO crank_week_unit_fkey;
