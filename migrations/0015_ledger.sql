-- 0015_ledger: what was paid, returned and credited, as dated entries that are never changed, only reversed; closed months, bills, budgets as
-- they were set, warranty claims, and the fleet's own figures. Size: about 3 rows per fitting and 2 per breakdown. Lock: none, the tables are
-- new. Back: DROP TABLE loses reversals, closings, bills and claims; entries can be booked anew from fittings and breakdowns.

CREATE TABLE ledger_entry (
    entry       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    value_date  date NOT NULL,            -- the day it belongs to, in the depot's zone
    booked_on   date NOT NULL,            -- the day it counts on: value_date, or the first day after the months that were closed already
    kind        text NOT NULL CHECK (kind IN ('part', 'deposit', 'deposit_returned', 'warranty_credit', 'breakdown', 'call_out', 'hours_down', 'labour', 'other')),
    cost_centre text NOT NULL DEFAULT '',
    depot       text NOT NULL,            -- empty: of no one depot
    class       text NOT NULL DEFAULT '',
    unit        text NOT NULL DEFAULT '',
    part        text NOT NULL DEFAULT '', -- part number
    part_kind   text NOT NULL DEFAULT '',
    amount      bigint NOT NULL,          -- minor units, net; money out is above zero
    currency    text NOT NULL CHECK (currency ~ '^[A-Z]{3}$'), -- ISO 4217
    minutes     int NOT NULL DEFAULT 0,   -- of standing still or of labour
    source      text NOT NULL,            -- the row it was booked from: battery_fitting/SERIAL/DATE/price …
    reverses    bigint UNIQUE REFERENCES ledger_entry,
    booked_at   timestamptz NOT NULL DEFAULT now(),
    booked_by   text NOT NULL
);
CREATE INDEX ledger_entry_source ON ledger_entry (source);
CREATE INDEX ledger_entry_day ON ledger_entry (booked_on, entry);
CREATE INDEX ledger_entry_unit ON ledger_entry (unit, booked_on);

CREATE TABLE closed_month (
    month     date PRIMARY KEY CHECK (extract(day FROM month) = 1), -- its first day; closing one closes all before it
    closed_at timestamptz NOT NULL DEFAULT now(),
    closed_by text NOT NULL
);

-- What is added must agree with what is kept, whoever adds it: of one source at most one entry stands, a reversal takes back the whole of what
-- it reverses, and closed months stay as they are. Programs that add take the advisory lock of the ledger first.
CREATE FUNCTION ledger_agrees() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF EXISTS (SELECT FROM added a WHERE booked_on < (SELECT max(month) + interval '1 month' FROM closed_month)) THEN
        RAISE EXCEPTION 'an entry would count in a month that is closed';
    END IF;
    IF EXISTS (SELECT FROM added a JOIN ledger_entry e ON e.entry = a.reverses
            WHERE (a.source, a.kind, a.unit, a.depot, a.cost_centre, a.class, a.part, a.currency) IS DISTINCT FROM (e.source, e.kind, e.unit, e.depot, e.cost_centre, e.class, e.part, e.currency)
            OR a.amount <> -e.amount OR a.minutes <> -e.minutes OR e.reverses IS NOT NULL) THEN
        RAISE EXCEPTION 'a reversal does not take back what it reverses';
    END IF;
    IF EXISTS (SELECT FROM ledger_entry e WHERE source IN (SELECT source FROM added)
            GROUP BY source HAVING count(*) FILTER (WHERE reverses IS NULL) - count(reverses) > 1) THEN
        RAISE EXCEPTION 'of one row two entries would stand';
    END IF;
    RETURN NULL;
END $$;
CREATE TRIGGER ledger_agrees AFTER INSERT ON ledger_entry REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION ledger_agrees();

CREATE FUNCTION ledger_unchanged() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'what is booked or closed is never changed: reverse it';
END $$;
CREATE TRIGGER ledger_unchanged BEFORE UPDATE OR DELETE OR TRUNCATE ON ledger_entry FOR EACH STATEMENT EXECUTE FUNCTION ledger_unchanged();
CREATE TRIGGER closed_month_unchanged BEFORE UPDATE OR DELETE OR TRUNCATE ON closed_month FOR EACH STATEMENT EXECUTE FUNCTION ledger_unchanged();

-- What was paid for something that no other row holds, such as a call-out billed apart. It is taken back, never changed.
CREATE TABLE bill (
    bill       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    billed_on  date NOT NULL,
    kind       text NOT NULL CHECK (kind IN ('call_out', 'labour', 'other')),
    unit       text REFERENCES unit,
    depot      text REFERENCES depot,
    part       text NOT NULL DEFAULT '',
    amount     bigint NOT NULL,              -- minor units, net
    shares     json,                         -- by which a bill of no one depot is split over depots
    note       text NOT NULL DEFAULT '',
    entered_at timestamptz NOT NULL DEFAULT now(),
    entered_by text NOT NULL,
    gone_at    timestamptz,                  -- taken back
    gone_by    text NOT NULL DEFAULT '',
    CHECK (unit IS NULL OR depot IS NULL)
);

CREATE TABLE budget (
    budget  bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    name    text NOT NULL,
    issue   bigint REFERENCES issue,
    depots  text[],                          -- whose units it is of; null: all
    made_at timestamptz NOT NULL DEFAULT now(),
    made_by text NOT NULL,
    what_if json NOT NULL DEFAULT '{}',
    result  json NOT NULL
);

-- The budget of the day, of the whole fleet and of each depot, so that pages need not reckon it. Only the newest is kept.
CREATE TABLE budget_of_day (
    depot   text PRIMARY KEY,                -- empty: the whole fleet
    made_of text NOT NULL,                   -- hash of all that it is made of
    made_at timestamptz NOT NULL DEFAULT now(),
    result  json NOT NULL
);

CREATE TABLE claim (
    claim      bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    unit       text NOT NULL REFERENCES unit,
    serial     text NOT NULL,
    part       text NOT NULL,                -- part number
    part_kind  text NOT NULL CHECK (part_kind IN ('battery', 'starter')),
    state      text NOT NULL CHECK (state IN ('open', 'sent', 'paid', 'refused')),
    expected   bigint NOT NULL,              -- credit worked out, minor units
    paid       bigint CHECK (paid >= 0),
    opened_on  date NOT NULL,
    decided_on date,
    note       text NOT NULL DEFAULT '',
    made_by    text NOT NULL,
    CHECK (state <> 'paid' OR paid IS NOT NULL AND decided_on IS NOT NULL)
);
CREATE UNIQUE INDEX claim_once ON claim (serial, unit) WHERE state <> 'refused';

-- The fleet's own figures: currency, labour per hour, days within which a core must be back, and so on.
CREATE TABLE setting (
    name       text PRIMARY KEY,
    value      json NOT NULL,
    changed_at timestamptz NOT NULL DEFAULT now(),
    changed_by text NOT NULL
);
