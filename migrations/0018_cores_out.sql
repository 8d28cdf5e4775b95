-- 0018_cores_out: deposits that are out, without going through ten years of fittings; and of entries only those that reverse another are
-- indexed by what they reverse. Size: 75 bytes per fitting whose core has not come back, 8 per other; 20 less per entry. Lock: fittings, jobs
-- and entries are read-only while it runs, about a second per million rows. Back: DROP INDEX and the constraint again; nothing is lost.

CREATE INDEX battery_core_out ON battery_fitting (removed_on, unit COLLATE "C", battery COLLATE "C") INCLUDE (fitted_on, core_deposit)
    WHERE core_deposit > 0 AND core_returned_on IS NULL AND removed_because <> 'sold';
CREATE INDEX starter_core_out ON starter_fitting (removed_on, unit COLLATE "C", starter COLLATE "C") INCLUDE (fitted_on, core_deposit)
    WHERE core_deposit > 0 AND core_returned_on IS NULL AND removed_because <> 'sold';
CREATE INDEX battery_core_back ON battery_fitting (core_returned_on) WHERE core_returned_on IS NOT NULL;
CREATE INDEX starter_core_back ON starter_fitting (core_returned_on) WHERE core_returned_on IS NOT NULL;
CREATE INDEX job_core_none ON job (unit) WHERE core = 'none';

ALTER TABLE ledger_entry DROP CONSTRAINT ledger_entry_reverses_key;
CREATE UNIQUE INDEX ledger_entry_reversed ON ledger_entry (reverses) WHERE reverses IS NOT NULL;
