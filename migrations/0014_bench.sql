-- 0014_bench: tests typed in on phones, each taken exactly once, the phones that are kept for it, and batteries on the shelf, which age and
-- are on the round too. Size: 1 row per test sent from a phone, per phone, per battery on a shelf and per test of it. Lock: none, the tables
-- are new. Back: DROP TABLE; tests that were taken stay in battery_test.

-- What a phone sent, under the key that it gave the test before it had a signal: sent again, it is answered as before.
CREATE TABLE bench_entry (
    entry       text PRIMARY KEY,
    unit        text NOT NULL, -- as typed
    depot       text NOT NULL, -- of the unit; empty: no such unit was known
    tested_at   timestamptz NOT NULL,
    entered_by  text NOT NULL, -- who was signed in; no reference: the record outlives them
    phone       text NOT NULL, -- name of the kept phone; empty: sent with a sign-in
    test        json NOT NULL, -- the row of battery_tests as typed
    outcome     text NOT NULL CHECK (outcome IN ('taken', 'already_there', 'conflict', 'refused', 'set_aside')),
    reason      text NOT NULL,
    kept_row    text NOT NULL, -- key of the row kept apart; empty: none waits
    received_at timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX bench_entry_depot ON bench_entry (depot, received_at);

-- A phone kept for the bench of one depot: its cookie opens the bench there, without a sign-in, and nothing else.
CREATE TABLE bench_phone (
    token_hash   bytea PRIMARY KEY, -- SHA-256 of the cookie's value, which has 256 bits of randomness
    phone        text NOT NULL UNIQUE,
    depot        text NOT NULL REFERENCES depot ON DELETE CASCADE,
    person       text NOT NULL REFERENCES person ON DELETE CASCADE, -- who keeps it
    fingerprint  text NOT NULL, -- of their password and sign-ins: once these change, the phone is let in no more
    made_at      timestamptz NOT NULL DEFAULT now(),
    last_used_at timestamptz,
    revoked_at   timestamptz
);

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
