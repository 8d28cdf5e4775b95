-- 0013_jobs: the work on a unit from the finding to a proven start, the faults that were looked for, the fleet's own notes for its classes,
-- and what the bench said of parts that came out. Size: 1 row per job, a handful of events each. Lock: none, the tables are new.
-- Back: DROP TABLE; fittings that jobs have booked stay.

CREATE TABLE job (
    job         bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    unit        text NOT NULL REFERENCES unit,
    part        text NOT NULL CHECK (part IN ('battery', 'starter', 'cable', 'charging', 'control', 'other')), -- that is worked on
    work        text NOT NULL CHECK (work IN ('swap', 'clean', 'charge_check', 'check')),
    state       text NOT NULL CHECK (state IN ('found', 'planned', 'reserved', 'on_bench', 'fitted', 'proven', 'closed', 'dropped')),
    monday      date CHECK (extract(isodow FROM monday) = 1), -- of the week it is planned for
    who         text NOT NULL DEFAULT '',
    part_number text NOT NULL DEFAULT '', -- reserved or fitted
    pieces      int NOT NULL DEFAULT 0,   -- of it
    step        int NOT NULL DEFAULT 1,   -- of its newest event, so that two phones do not overwrite each other
    exchanged   json NOT NULL DEFAULT '[]', -- what came out and went in
    fitted_at   timestamptz,              -- a crank after it proves the work
    core        text NOT NULL DEFAULT '' CHECK (core IN ('', 'returned', 'none')), -- of what came out; empty: not settled
    paper       boolean NOT NULL DEFAULT false, -- the job sheet is signed and filed
    because     text NOT NULL,            -- why it was opened, in a sentence
    named       json,                     -- suspect probabilities when it was opened, which the bench's result is held against
    opened_at   timestamptz NOT NULL DEFAULT now(),
    opened_by   text NOT NULL,
    closed_at   timestamptz
);
CREATE UNIQUE INDEX job_open ON job (unit, part) WHERE state NOT IN ('closed', 'dropped');
CREATE INDEX job_unit ON job (unit, opened_at);
CREATE INDEX job_waits_for_proof ON job (unit) WHERE state = 'fitted';

-- What happened to a job, in order; rows are added, never changed. A request is named by who sent it, so that a phone may send it twice.
CREATE TABLE job_event (
    job        bigint NOT NULL REFERENCES job,
    step       int NOT NULL,
    happened_at timestamptz NOT NULL DEFAULT now(),
    done_by    text NOT NULL,
    from_state text NOT NULL,
    to_state   text NOT NULL,
    note       text NOT NULL DEFAULT '',
    what       json NOT NULL DEFAULT '{}', -- the old and the new part, the proving crank, and so on
    request    text UNIQUE,
    PRIMARY KEY (job, step)
);

-- What the bench said of a part that came out: a part that is found good is not a failure.
CREATE TABLE bench_result (
    job       bigint NOT NULL REFERENCES job,
    serial    text NOT NULL,
    part      text NOT NULL,
    result    text NOT NULL CHECK (result IN ('faulty', 'no_fault', 'unclear')),
    readings  json NOT NULL DEFAULT '{}',
    note      text NOT NULL DEFAULT '',
    tested_at timestamptz NOT NULL DEFAULT now(),
    tested_by text NOT NULL,
    PRIMARY KEY (job, serial)
);

-- A search for a fault, left and resumed by anybody who may see the unit; of one unit one is open at a time.
CREATE TABLE fault_search (
    search     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    unit       text REFERENCES unit,    -- null: a vehicle that is not recorded
    depot      text REFERENCES depot ON DELETE SET NULL, -- of such a vehicle: whose people may see it; null: those who see all depots
    session    json NOT NULL,           -- as it began: what was known, before any answer
    step       int NOT NULL DEFAULT 0,  -- grows with every change, so that two phones do not overwrite each other
    started_at timestamptz NOT NULL DEFAULT now(),
    started_by text NOT NULL,
    changed_at timestamptz NOT NULL DEFAULT now(),
    changed_by text NOT NULL,
    ended_at   timestamptz,
    ended_by   text NOT NULL DEFAULT '',
    finding    json,                    -- as it was said, with its job sheet
    job        bigint REFERENCES job
);
CREATE INDEX fault_search_unit ON fault_search (unit, started_at);
CREATE UNIQUE INDEX fault_search_open ON fault_search (unit) WHERE ended_at IS NULL;

-- Who answered what, and when; rows are added, and taken back, never changed.
CREATE TABLE fault_answer (
    search        bigint NOT NULL REFERENCES fault_search,
    step          int NOT NULL, -- of the search, to which it led
    checked       text NOT NULL,
    answer        text NOT NULL,
    value         float8,       -- as measured, where a figure was given
    said_by       text NOT NULL DEFAULT '',
    said_at       timestamptz NOT NULL,
    taken_back_at timestamptz,
    taken_back_by text NOT NULL DEFAULT '',
    PRIMARY KEY (search, step)
);

-- Programs may look for faults too. The table is small: a dozen rows are read under the lock.
ALTER TABLE token DROP CONSTRAINT token_use_check, ADD CONSTRAINT token_use_check CHECK (use IN ('readings', 'list', 'faults'));

-- Torques, cable order and fasteners, as the fleet types them in once for each class. We have none of our own.
CREATE TABLE class_note (
    class      text PRIMARY KEY,
    notes      json NOT NULL,
    changed_at timestamptz NOT NULL DEFAULT now(),
    changed_by text NOT NULL
);

-- Forms of the stock page that a phone may send twice; none is taken twice.
CREATE TABLE stock_request (
    request text PRIMARY KEY, -- with who sent it
    sent_at timestamptz NOT NULL DEFAULT now()
);
