-- 0011_settings: who changed what in the settings, and a count by which a person ends their sign-ins everywhere. Size: 1 row
-- per change. Lock: short; a new column with a constant default rewrites no row. Back: DROP TABLE, DROP COLUMN.

ALTER TABLE person ADD COLUMN sessions_ended int NOT NULL DEFAULT 0; -- sign-ins hold the count of their day; an older one opens nothing

CREATE TABLE settings_change (
    change     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    changed_at timestamptz NOT NULL DEFAULT now(),
    by_person  text NOT NULL, -- sign-in name, or 'by command'; no reference: the record outlives what it speaks of
    subject    text NOT NULL, -- what was changed: person jo, token gate, schedule 3
    what       text NOT NULL  -- how, in words; never a secret
);
