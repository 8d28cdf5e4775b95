-- 0016_kept_figures: figures of the ledger that the daily work reckons and pages read, the ledger's sums by month, and the chances in each past
-- winter as columns of their own instead of JSON that every reader of an outlook must go through. Size: 1 row per figure and group of depots, 1
-- per month, kind, cost centre and depot; 0.4 kB less per unit. Lock: ledger_entry while it is added up once, outlook while it is rewritten: some
-- seconds each for 50,000 units. Back: DROP TABLE kept_figure, ledger_sum; the columns of outlook come again with the next list.

-- The budget of the day and its what-ifs, what swaps pay, what warranties lose: one row per figure and depots, the newest alone. When the shape of
-- a figure's JSON changes, a migration deletes its rows.
CREATE TABLE kept_figure (
    figure  text NOT NULL,
    depots  text NOT NULL,                   -- whose units it is of, each after a line feed, in their order; empty: the whole fleet
    units   int NOT NULL,                    -- how many it is reckoned from, which says how long that takes
    made_of text NOT NULL,                   -- hash of all that it is made of
    made_at timestamptz NOT NULL,
    result  json NOT NULL,
    PRIMARY KEY (figure, depots)
);
DROP TABLE budget_of_day;

-- What entries come to. Entries are only ever added, one program at a time, so this is added to with them and always agrees.
CREATE TABLE ledger_sum (
    month       date NOT NULL,
    kind        text NOT NULL,
    cost_centre text NOT NULL,
    depot       text NOT NULL,
    currency    text NOT NULL,
    amount      bigint NOT NULL,
    minutes     bigint NOT NULL,
    entries     bigint NOT NULL,
    PRIMARY KEY (month, kind, cost_centre, depot, currency)
);
CREATE FUNCTION ledger_sums() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO ledger_sum AS s SELECT date_trunc('month', booked_on)::date, kind, cost_centre, depot, currency, sum(amount), sum(minutes), count(*)
        FROM added GROUP BY 1, 2, 3, 4, 5 ORDER BY 1, 2, 3, 4, 5
    ON CONFLICT (month, kind, cost_centre, depot, currency)
        DO UPDATE SET amount = s.amount + excluded.amount, minutes = s.minutes + excluded.minutes, entries = s.entries + excluded.entries;
    RETURN NULL;
END $$;
LOCK TABLE ledger_entry IN SHARE ROW EXCLUSIVE MODE;
INSERT INTO ledger_sum SELECT date_trunc('month', booked_on)::date, kind, cost_centre, depot, currency, sum(amount), sum(minutes), count(*)
    FROM ledger_entry GROUP BY 1, 2, 3, 4, 5;
CREATE TRIGGER ledger_sums AFTER INSERT ON ledger_entry REFERENCING NEW TABLE AS added FOR EACH STATEMENT EXECUTE FUNCTION ledger_sums();

-- Chances in ten-thousandths, winter by winter, in each by month; winters are the years in which they began, 0 where one is of no single year.
ALTER TABLE outlook ADD COLUMN winters int2[] NOT NULL DEFAULT '{}', ADD COLUMN by_winter int2[] NOT NULL DEFAULT '{}';
UPDATE outlook SET
    winters = array_fill(0::int2, ARRAY[json_array_length(ahead -> 'by_winter')]), -- which years they were is not known of lists before this
    by_winter = ARRAY(SELECT round(p::text::numeric * 10000)::int2 FROM json_array_elements(ahead -> 'by_winter') WITH ORDINALITY AS w (months, k),
        json_array_elements(months) WITH ORDINALITY AS m (p, j) ORDER BY k, j),
    ahead = (ahead::jsonb - 'by_winter')::json
    WHERE json_typeof(ahead -> 'by_winter') = 'array';

-- Parts that are fitted, without going through ten years of fittings.
CREATE INDEX battery_in_place ON battery_fitting (part) WHERE removed_on IS NULL;
CREATE INDEX starter_in_place ON starter_fitting (part) WHERE removed_on IS NULL;
