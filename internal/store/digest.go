package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// A stale week is taken off the list in the statement that digests it: a row that comes in meanwhile puts it back.
const refreshDigests = `WITH stale AS (DELETE FROM crank_week_stale RETURNING unit, week)
	INSERT INTO crank_week (unit, week, cranked_at, rest_v, min_v, mean_v, duration_ms, temperature_c, coolant_c, current_a, rpm, outcome)
	SELECT c.unit, s.week, array_agg(c.cranked_at ORDER BY c.cranked_at), array_agg(c.rest_v ORDER BY c.cranked_at),
		array_agg(c.min_v ORDER BY c.cranked_at), array_agg(c.mean_v ORDER BY c.cranked_at),
		array_agg(c.duration_ms ORDER BY c.cranked_at), array_agg(c.temperature_c ORDER BY c.cranked_at),
		array_agg(c.coolant_c ORDER BY c.cranked_at), array_agg(c.current_a ORDER BY c.cranked_at),
		array_agg(c.rpm ORDER BY c.cranked_at), array_agg(c.outcome ORDER BY c.cranked_at)
	FROM crank c JOIN stale s ON s.unit = c.unit AND s.week = date_trunc('week', c.cranked_at AT TIME ZONE 'UTC')::date
	GROUP BY c.unit, s.week
	ON CONFLICT (unit, week) DO UPDATE SET cranked_at = excluded.cranked_at, rest_v = excluded.rest_v, min_v = excluded.min_v,
		mean_v = excluded.mean_v, duration_ms = excluded.duration_ms, temperature_c = excluded.temperature_c,
		coolant_c = excluded.coolant_c, current_a = excluded.current_a, rpm = excluded.rpm, outcome = excluded.outcome`

// RefreshDigests brings crank_week up to date with the weeks that changed since the last time. One program does it at a
// time; another that asks meanwhile waits, so that it too reads whole weeks afterwards.
func (db *DB) RefreshDigests(ctx context.Context) error {
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `SELECT pg_advisory_xact_lock(hashtext('rimeyard crank_week'))`); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, refreshDigests)
		return err
	})
	if err != nil {
		return fmt.Errorf("digest the weeks that changed: %w", err)
	}
	return nil
}
