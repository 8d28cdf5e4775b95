-- 0010_post_rules: what a schedule attaches, what it sends when nothing changed and what it sent last; who left it.
-- Size: 1 row per schedule and recipient. Lock: schedule, for a moment; the added columns rewrite nothing.
-- Back: drop the columns and the table; links to unsubscribe in letters that are out lead nowhere then.

ALTER TABLE schedule
    ADD COLUMN when_quiet text NOT NULL DEFAULT 'send' CHECK (when_quiet IN ('send', 'line', 'nothing')),
    ADD COLUMN attach     text[] NOT NULL DEFAULT '{csv}' CHECK (attach <@ ARRAY['csv', 'xlsx', 'pdf']),
    ADD COLUMN last_note  text NOT NULL DEFAULT '', -- who was left out the last time, and why; empty: nobody
    ADD COLUMN said       jsonb NOT NULL DEFAULT '{}'; -- what was sent last: for the depots it was about, {"mark", "at"}

-- One address on one schedule, from its first letter on. The token stands in the letter's link for leaving; all it can do
-- is to end and to begin this one subscription.
CREATE TABLE subscription (
    schedule bigint NOT NULL REFERENCES schedule ON DELETE CASCADE,
    address  text NOT NULL CHECK (address = lower(address)),
    token    text NOT NULL UNIQUE, -- 128 bits of randomness or more
    ended_at timestamptz,          -- null: gets the report
    PRIMARY KEY (schedule, address)
);
