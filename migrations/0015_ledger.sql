-- 0015_ledger: what was paid, returned and credited, as dated entries that are never changed, only reversed; closed months, budgets as they
-- were set, and warranty claims. Size: about 3 rows per fitting and 1 per breakdown. Lock: none, the tables are new. Back: DROP TABLE loses
-- reversals and closings; entries can be booked anew from fittings and breakdowns.

CREATE TABLE ledger_entry (
    entry       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    value_date  date NOT NULL,            -- the day it belongs to, in the depot's zone
    booked_on   date NOT NULL,            -- the day it counts on: value_date, or the first day after the months that were closed already
    kind        text NOT NULL CHECK (kind IN ('part', 'deposit', 'deposit_returned', 'breakdown', 'warranty_credit', 'labour', 'other')),
    cost_centre text NOT NULL DEFAULT '',
    depot       text NOT NULL,
    class       text NOT NULL DEFAULT '',
    unit        text NOT NULL DEFAULT '',
    part        text NOT NULL DEFAULT '', -- part number
    part_kind   text NOT NULL DEFAULT '',
    amount      bigint NOT NULL,          -- minor units, net; money out is above zero
    currency    char(3) NOT NULL,         -- ISO 4217
    source      text NOT NULL,            -- the row it was booked from: battery_fitting/KEY/price …
    reverses    bigint UNIQUE REFERENCES ledger_entry,
    booked_at   timestamptz NOT NULL DEFAULT now(),
    booked_by   text NOT NULL
);
-- Of one source at most one entry stands unreversed; a reversal carries its source too.
CREATE INDEX ledger_entry_source ON ledger_entry (source);
CREATE INDEX ledger_entry_day ON ledger_entry (booked_on, cost_centre, kind);

CREATE TABLE closed_month (
    month     date PRIMARY KEY CHECK (extract(day FROM month) = 1),
    closed_at timestamptz NOT NULL DEFAULT now(),
    closed_by text NOT NULL
);

CREATE TABLE budget (
    budget  bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name    text NOT NULL,
    issue   bigint REFERENCES issue,
    made_at timestamptz NOT NULL DEFAULT now(),
    made_by text NOT NULL,
    what_if json NOT NULL DEFAULT '{}',
    result  json NOT NULL
);

CREATE TABLE claim (
    claim      bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    unit       text NOT NULL REFERENCES unit,
    serial     text NOT NULL,
    part_kind  text NOT NULL CHECK (part_kind IN ('battery', 'starter')),
    state      text NOT NULL CHECK (state IN ('open', 'sent', 'paid', 'refused')),
    expected   bigint NOT NULL, -- credit worked out, minor units
    paid       bigint,
    opened_on  date NOT NULL,
    decided_on date,
    note       text NOT NULL DEFAULT '',
    made_by    text NOT NULL
);
CREATE UNIQUE INDEX claim_once ON claim (serial, unit) WHERE state <> 'refused';

-- The fleet's own figures: currency, labour per hour, days within which a core must be back, and so on.
CREATE TABLE setting (
    name       text PRIMARY KEY,
    value      json NOT NULL,
    changed_at timestamptz NOT NULL DEFAULT now(),
    changed_by text NOT NULL
);
