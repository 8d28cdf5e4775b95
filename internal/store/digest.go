package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
)

// A week is made of its cranks and of what its digest holds already: the month may have been archived since, and cranks
// are only ever added. The rows come to the aggregates in order of time, so that none of the ten has to sort by itself.
const refreshDigests = `WITH stale AS (DELETE FROM crank_week_stale RETURNING unit, week),
	old AS (
		SELECT w.unit, w.week, c.* FROM crank_week w JOIN stale USING (unit, week), unnest(w.cranked_at, w.rest_v, w.min_v,
			w.mean_v, w.duration_ms, w.temperature_c, w.coolant_c, w.current_a, w.rpm, w.outcome)
			AS c (cranked_at, rest_v, min_v, mean_v, duration_ms, temperature_c, coolant_c, current_a, rpm, outcome)),
	new AS (
		SELECT s.unit, s.week, c.cranked_at, c.rest_v, c.min_v, c.mean_v, c.duration_ms, c.temperature_c, c.coolant_c,
			c.current_a, c.rpm, c.outcome
		FROM stale s JOIN crank c ON c.unit = s.unit AND date_trunc('week', c.cranked_at AT TIME ZONE 'UTC') = s.week
		WHERE c.cranked_at >= (SELECT min(week) FROM stale)::timestamp AT TIME ZONE 'UTC'
			AND c.cranked_at < ((SELECT max(week) FROM stale) + 7)::timestamp AT TIME ZONE 'UTC'),
	whole AS (
		SELECT DISTINCT ON (unit, week, cranked_at) * FROM (SELECT * FROM old UNION ALL SELECT * FROM new) both_of_them
		ORDER BY unit, week, cranked_at)
	INSERT INTO crank_week (unit, week, cranked_at, rest_v, min_v, mean_v, duration_ms, temperature_c, coolant_c, current_a, rpm, outcome)
	SELECT unit, week, array_agg(cranked_at), array_agg(rest_v), array_agg(min_v), array_agg(mean_v), array_agg(duration_ms),
		array_agg(temperature_c), array_agg(coolant_c), array_agg(current_a), array_agg(rpm), array_agg(outcome)
	FROM whole GROUP BY unit, week
	ON CONFLICT (unit, week) DO UPDATE SET cranked_at = excluded.cranked_at, rest_v = excluded.rest_v, min_v = excluded.min_v,
		mean_v = excluded.mean_v, duration_ms = excluded.duration_ms, temperature_c = excluded.temperature_c,
		coolant_c = excluded.coolant_c, current_a = excluded.current_a, rpm = excluded.rpm, outcome = excluded.outcome`

// RefreshDigests brings crank_week up to date with the weeks that changed since the last time. It waits until merges of
// cranks under way have ended, and holds off others: else it might take a week off the list that another transaction is
// about to add cranks to, or not see those it had added.
func (db *DB) RefreshDigests(ctx context.Context) error {
	var stale bool
	if err := db.pool.QueryRow(ctx, `SELECT EXISTS (SELECT FROM crank_week_stale)`).Scan(&stale); err != nil {
		return fmt.Errorf("digest the weeks that changed: %w", err)
	}
	if !stale { // nothing that has been committed waits, so there is no reason to hold off anybody
		return nil
	}
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, lockMergesAlone); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, mergeMemory); err != nil {
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
