-- 0014_bench: tests typed in on phones, each taken exactly once, and batteries on the shelf, which age and are on the round too. Size: 1
-- row per test sent from a phone, per battery on a shelf and per test of it. Lock: none, the tables are new. Back: DROP TABLE; tests that
-- were taken stay in battery_test.

-- What a phone sent, under the key that it gave the test before it had a signal: sent again, it is answered as before.
CREATE TABLE bench_entry (
    entry       text PRIMARY KEY,
    unit        text NOT NULL, -- as typed
    tested_at   timestamptz NOT NULL,
    entered_by  text NOT NULL,
    device      text NOT NULL DEFAULT '',
    test        json NOT NULL,
    outcome     text NOT NULL CHECK (outcome IN ('taken', 'already_there', 'conflict', 'refused', 'set_aside')),
    reason      text NOT NULL DEFAULT '',
    received_at timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX bench_entry_unit ON bench_entry (unit, tested_at);

CREATE TABLE shelf_battery (
    serial     text PRIMARY KEY,
    depot      text NOT NULL REFERENCES depot,
    part       text NOT NULL REFERENCES part,
    made_on    date,
    came_on    date NOT NULL,
    charged_on date,
    gone_on    date,
    gone_because text NOT NULL DEFAULT '' CHECK (gone_because IN ('', 'fitted', 'moved', 'written_off', 'returned'))
);
CREATE INDEX shelf_battery_depot ON shelf_battery (depot) WHERE gone_on IS NULL;

CREATE TABLE shelf_test (
    serial       text NOT NULL REFERENCES shelf_battery,
    tested_at    timestamptz NOT NULL,
    rest_v       float8,
    cca_a        float8,
    cca_standard text NOT NULL DEFAULT '' CHECK (cca_standard IN ('', 'sae', 'en', 'din', 'iec', 'jis')),
    tested_by    text NOT NULL,
    PRIMARY KEY (serial, tested_at)
);
