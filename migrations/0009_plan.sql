-- 0009_plan: what a depot can do in its weeks, what people have chosen, the plans that were kept, calendar feeds, and the parts on its shelves.
-- Size: 1 row per depot and week that differs from the usual, per choice, depot and day, feed, part, price, and per piece that comes or goes. Lock: none, the
-- tables are new. Back: DROP TABLE; choices and stock must be entered anew then.

-- How many visits a depot has room for in one week, where that is not its usual swaps_per_week.
CREATE TABLE depot_week (
    depot   text NOT NULL REFERENCES depot ON DELETE CASCADE,
    monday  date NOT NULL CHECK (extract(isodow FROM monday) = 1),
    visits  int NOT NULL CHECK (visits >= 0),
    PRIMARY KEY (depot, monday)
);

-- What a person has decided for a unit; the planner keeps to it. One open choice per unit.
CREATE TABLE plan_choice (
    unit      text PRIMARY KEY REFERENCES unit,
    retest    boolean NOT NULL DEFAULT false,               -- test it again in that week instead of working on it
    monday    date CHECK (extract(isodow FROM monday) = 1), -- null: leave it this season
    parts     text[] NOT NULL DEFAULT '{}',                 -- to be worked on; empty: those that pay most
    who       text NOT NULL DEFAULT '',                     -- does it; empty: nobody is named
    note      text NOT NULL DEFAULT '',
    chosen_by text NOT NULL,
    chosen_at timestamptz NOT NULL DEFAULT now()
);

-- When people last changed a depot's choices or weeks, so that calendars can tell which state is newer.
CREATE TABLE plan_revised (
    depot text PRIMARY KEY REFERENCES depot ON DELETE CASCADE,
    at    timestamptz NOT NULL
);

-- Each depot's plans as they were kept, one a day: the newest answers as long as nothing that it is made of has changed, the older ones
-- tell what was thought then.
CREATE TABLE plan (
    plan       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    issue      bigint NOT NULL REFERENCES issue,
    depot      text NOT NULL REFERENCES depot ON DELETE CASCADE,
    made_of    text NOT NULL, -- hash of all that it is made of
    made_at    timestamptz NOT NULL DEFAULT now(),
    result     json NOT NULL,
    left_units json           -- those that the plan leaves alone, by far the most; null once the depot has a newer plan
);
CREATE INDEX plan_newest ON plan (depot, plan DESC);

-- The address under which a person's calendar program, which cannot sign in, reads the plan. Making a new one ends the old.
CREATE TABLE calendar_feed (
    person       text PRIMARY KEY REFERENCES person ON DELETE CASCADE,
    token_hash   bytea NOT NULL UNIQUE, -- SHA-256; the token itself is shown once and has 256 bits of randomness
    made_at      timestamptz NOT NULL DEFAULT now(),
    last_used_at timestamptz
);

CREATE TABLE part (
    part text PRIMARY KEY,                                    -- part number, as in fittings
    kind text NOT NULL CHECK (kind IN ('battery', 'starter', 'cable', 'charging', 'control', 'other')),
    name text NOT NULL DEFAULT ''
);

-- What a part costs from a day on. The last price paid for a fitting stands in where there is none.
CREATE TABLE part_price (
    part           text NOT NULL REFERENCES part,
    from_date      date NOT NULL,
    price          bigint NOT NULL CHECK (price >= 0), -- minor units, net
    core_deposit   bigint CHECK (core_deposit >= 0),
    free_months    int CHECK (free_months >= 0),
    prorata_months int CHECK (prorata_months >= 0),
    PRIMARY KEY (part, from_date)
);

-- Pieces that come to a shelf or leave it; what is on hand is their sum. A count that differs is a move of its own: nothing is changed.
CREATE TABLE stock_move (
    move       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    depot      text NOT NULL REFERENCES depot,
    part       text NOT NULL REFERENCES part,
    pieces     int NOT NULL CHECK (pieces <> 0), -- below zero: leaves
    because    text NOT NULL CHECK (because IN ('counted', 'bought', 'fitted', 'taken_back', 'moved', 'written_off')),
    unit_price bigint CHECK (unit_price >= 0),   -- paid per piece, where bought
    moved_at   timestamptz NOT NULL DEFAULT now(),
    moved_by   text NOT NULL,
    note       text NOT NULL DEFAULT ''
);
CREATE INDEX stock_move_shelf ON stock_move (depot, part);

CREATE TABLE part_order (
    part_order   bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    depot        text NOT NULL REFERENCES depot,
    part         text NOT NULL REFERENCES part,
    pieces       int NOT NULL CHECK (pieces > 0),
    ordered_on   date NOT NULL,
    expected_on  date,
    arrived_on   date,
    cancelled_on date,
    ordered_by   text NOT NULL,
    CHECK (arrived_on IS NULL OR cancelled_on IS NULL)
);
CREATE INDEX part_order_open ON part_order (depot, part) WHERE arrived_on IS NULL AND cancelled_on IS NULL;
