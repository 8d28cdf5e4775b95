-- 0002_readings: what is read off units and depots, under natural keys, unit first. Size: 1 row per test, crank, breakdown,
-- depot and day; crank by month, so that an old month can be detached. Lock: none, the tables are new. Back: DROP TABLE.

CREATE TABLE battery_test (
    unit            text NOT NULL REFERENCES unit,
    tested_at       timestamptz NOT NULL,
    position        int NOT NULL CHECK (position > 0),
    battery         text NOT NULL DEFAULT '',
    rest_v          float8,
    cca_a           float8,
    cca_standard    text NOT NULL DEFAULT '' CHECK (cca_standard IN ('', 'sae', 'en', 'din', 'iec', 'jis')),
    load_v          float8,
    load_a          float8,
    load_s          float8,
    resistance_mohm float8,
    soc_pct         float8,
    temperature_c   float8,
    tested_by       text NOT NULL DEFAULT '',
    tester          text NOT NULL DEFAULT '',
    note            text NOT NULL DEFAULT '',
    entered_at      timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (unit, tested_at, position),
    CHECK (cca_a IS NULL OR cca_standard <> '')
);

-- No foreign key on unit: the loader has already matched it, and a check per row would halve the speed of a bulk load.
CREATE TABLE crank (
    unit          text NOT NULL,
    cranked_at    timestamptz NOT NULL,
    rest_v        float8,
    min_v         float8,
    mean_v        float8,
    duration_ms   float8,
    temperature_c float8,
    coolant_c     float8,
    current_a     float8,
    rpm           float8,
    outcome       text NOT NULL DEFAULT 'started' CHECK (outcome IN ('started', 'slow', 'no_crank', 'no_start')),
    PRIMARY KEY (unit, cranked_at)
) PARTITION BY RANGE (cranked_at);

-- One unit's cranks of one week (Monday to Sunday, UTC) as parallel arrays in the order of time. A refit reads these;
-- once they stand, the month's rows in crank can be detached and archived.
CREATE TABLE crank_week (
    unit          text NOT NULL REFERENCES unit,
    week          date NOT NULL,
    cranked_at    timestamptz[] NOT NULL,
    rest_v        float8[] NOT NULL,
    min_v         float8[] NOT NULL,
    mean_v        float8[] NOT NULL,
    duration_ms   float8[] NOT NULL,
    temperature_c float8[] NOT NULL,
    coolant_c     float8[] NOT NULL,
    current_a     float8[] NOT NULL,
    rpm           float8[] NOT NULL,
    outcome       text[] NOT NULL,
    PRIMARY KEY (unit, week)
);

-- Weeks whose cranks changed since crank_week was last made: late rows touch only their own week.
CREATE TABLE crank_week_stale (
    unit text NOT NULL,
    week date NOT NULL,
    PRIMARY KEY (unit, week)
);

CREATE TABLE breakdown (
    unit        text NOT NULL REFERENCES unit,
    happened_at timestamptz NOT NULL,
    cause       text NOT NULL CHECK (cause IN ('battery', 'starter', 'cable', 'control', 'charging', 'other')),
    cost        bigint,
    hours_down  float8,
    entered_at  timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (unit, happened_at)
);

CREATE TABLE day_temp (
    depot text NOT NULL REFERENCES depot,
    date  date NOT NULL,
    min_c float8,
    max_c float8,
    PRIMARY KEY (depot, date)
);
