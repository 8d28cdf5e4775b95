-- 0006_post: when which report goes to whom, and the letters to send; dedupe_key makes queueing one twice harmless.
-- Size: 1 row per schedule; 1 per recipient and due time. Lock: none, the tables are new. Back: DROP TABLE, once no row is unsent.

CREATE TABLE schedule (
    schedule   bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    report     text NOT NULL,
    depot      text REFERENCES depot ON DELETE CASCADE, -- null: the whole fleet
    recipients text[] NOT NULL CHECK (cardinality(recipients) > 0),
    cron       text NOT NULL,     -- five fields, standard cron
    timezone   text NOT NULL,     -- the depot's; for the whole fleet, the one chosen
    last_slot  timestamptz NOT NULL DEFAULT now(), -- latest due time that is dealt with; before it, nothing is caught up
    last_error text NOT NULL DEFAULT '', -- why what is due could not be queued yet; empty: it was
    enabled    boolean NOT NULL DEFAULT true
);

CREATE TABLE outbox (
    letter     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    dedupe_key text NOT NULL UNIQUE, -- schedule/due time/recipient, or a random key for one asked for by hand
    message_id text NOT NULL UNIQUE, -- fixed before the first try: a second try is recognisable as the same letter
    from_addr  text NOT NULL,
    to_addr    text NOT NULL,
    subject    text NOT NULL,
    message    bytea NOT NULL,       -- RFC 5322, rendered whole
    queued_at  timestamptz NOT NULL DEFAULT now(),
    due_at     timestamptz NOT NULL DEFAULT now(),
    attempts   int NOT NULL DEFAULT 0,
    last_error text NOT NULL DEFAULT '',
    sent_at    timestamptz,
    given_up_at timestamptz,
    CHECK (sent_at IS NULL OR given_up_at IS NULL)
);
CREATE INDEX outbox_due ON outbox (due_at, letter) WHERE sent_at IS NULL AND given_up_at IS NULL;
