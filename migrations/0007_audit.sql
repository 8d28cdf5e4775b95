-- 0007_audit: the newest audit of past seasons, made once a day, so that pages and mail need not wait for it.
-- Size: 1 row per depot, fleet and past season, a few kB each. Lock: none, the table is new. Back: DROP TABLE; it is made anew.

CREATE TABLE audit (
    season_from date NOT NULL,
    season_to   date NOT NULL,
    depot       text REFERENCES depot ON DELETE CASCADE, -- null: the whole fleet
    as_of       date NOT NULL, -- of the list that was judged
    known_to    date NOT NULL, -- the last day of which all that is in was looked at
    made_at     timestamptz NOT NULL DEFAULT now(),
    result      json NOT NULL  -- as rimeyard audit --format json prints it, without the single units; json keeps the bytes
);
CREATE UNIQUE INDEX audit_of_depot ON audit (depot, season_from) WHERE depot IS NOT NULL;
CREATE UNIQUE INDEX audit_of_fleet ON audit (season_from) WHERE depot IS NULL;
