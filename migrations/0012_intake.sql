-- 0012_intake: rows kept apart that were mended in place or set aside, and what the day's look at the fleet found. Size: 1 row per
-- row mended or set aside, some dozens of oddities, 2 rows per unit. Lock: kept_apart for a moment, as a column with a constant default rewrites nothing. Back: DROP
-- TABLE loses who mended what; the look is made anew.

ALTER TABLE kept_apart ADD COLUMN decimal_comma boolean NOT NULL DEFAULT false; -- the file's separator let a comma be the decimal mark

-- What stood in a row kept apart and what was taken in its place.
CREATE TABLE kept_mended (
    mended        bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    import        bigint NOT NULL, -- that took it
    row_digest    bytea NOT NULL,  -- as kept_apart had it: when the unmended row is brought again, it waits no more
    file          text NOT NULL,   -- where it came from, with line
    line          bigint NOT NULL,
    kind          text NOT NULL,
    unit          text NOT NULL,
    depot         text NOT NULL,
    column_name   text NOT NULL,
    value         text NOT NULL,
    reason        text NOT NULL,
    header        text[] NOT NULL,
    fields        text[] NOT NULL,
    mended_header text[] NOT NULL,
    mended_fields text[] NOT NULL,
    person        text NOT NULL, -- no reference: who has left has mended it all the same
    mended_at     timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX kept_mended_row ON kept_mended (row_digest);

-- Rows that somebody decided never to take. They can be put back.
CREATE TABLE kept_aside (
    row_digest    bytea PRIMARY KEY,
    import        bigint NOT NULL,
    file          text NOT NULL,
    line          bigint NOT NULL,
    kind          text NOT NULL,
    unit          text NOT NULL,
    depot         text NOT NULL,
    column_name   text NOT NULL,
    value         text NOT NULL,
    reason        text NOT NULL,
    header        text[] NOT NULL,
    fields        text[] NOT NULL,
    decimal_comma boolean NOT NULL,
    note          text NOT NULL,
    person        text NOT NULL,
    aside_at      timestamptz NOT NULL DEFAULT now()
);

-- What does not fit and how often units are read, as the last look at the whole fleet found it; the look leaves a row also when it
-- finds nothing.
CREATE TABLE oddity_look (
    as_of   date PRIMARY KEY,
    made_at timestamptz NOT NULL
);
CREATE TABLE oddity (
    as_of      date NOT NULL REFERENCES oddity_look ON DELETE CASCADE,
    place      int NOT NULL, -- in the list, from 1
    found_on   date NOT NULL,
    kind       text NOT NULL,
    unit       text NOT NULL DEFAULT '',
    other_unit text NOT NULL DEFAULT '',
    depot      text NOT NULL DEFAULT '', -- empty: of several
    tester     text NOT NULL DEFAULT '',
    sentence   text NOT NULL,
    PRIMARY KEY (as_of, place)
);
CREATE TABLE rhythm (
    as_of    date NOT NULL REFERENCES oddity_look ON DELETE CASCADE,
    unit     text NOT NULL,
    depot    text NOT NULL,
    kind     text NOT NULL,
    readings int NOT NULL, -- the newest, that were counted
    first_at timestamptz,  -- of those; null: there was never one
    last_at  timestamptz,
    read_by  text NOT NULL DEFAULT '',
    PRIMARY KEY (as_of, unit, kind)
);
