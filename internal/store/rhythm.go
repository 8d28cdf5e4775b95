package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"rimeyard/internal/fleet"
)

// keepCrankRhythms counts the cranks of each unit's newest three weeks with any, by the key of crank_week. A week that is not digested
// yet is on the list of stale weeks: its cranks are read by the key of crank. They are one reading at least; where there are others,
// one more does not change their rhythm.
const keepCrankRhythms = `INSERT INTO rhythm (as_of, unit, depot, kind, readings, first_at, last_at)
	SELECT $1::date, u.unit, u.depot, $2, coalesce(w.n, (s.last IS NOT NULL)::int), coalesce(w.first, s.last), greatest(w.last, s.last)
	FROM unit u
	LEFT JOIN LATERAL (
		SELECT sum(cranks) AS n, min(first_at) AS first, max(last_at) AS last
		FROM (SELECT cranks, first_at, last_at FROM crank_week WHERE unit = u.unit ORDER BY week DESC LIMIT 3) newest) w ON true
	LEFT JOIN LATERAL (
		SELECT max(c.cranked_at) AS last FROM crank_week_stale t JOIN crank c ON c.unit = u.unit
			AND c.cranked_at >= t.week::timestamp AT TIME ZONE 'UTC' AND c.cranked_at < (t.week + 7)::timestamp AT TIME ZONE 'UTC'
		WHERE t.unit = u.unit) s ON true`

// keepTestRhythms counts each unit's newest tests, one a day however many batteries it has, by the key of battery_test.
const keepTestRhythms = `INSERT INTO rhythm (as_of, unit, depot, kind, readings, first_at, last_at, read_by)
	SELECT $1::date, u.unit, u.depot, $2, coalesce(t.n, 0), t.first, t.last, coalesce(b.by, '')
	FROM unit u
	LEFT JOIN LATERAL (
		SELECT count(DISTINCT tested_at::date) AS n, min(tested_at) AS first, max(tested_at) AS last
		FROM (SELECT tested_at FROM battery_test WHERE unit = u.unit ORDER BY tested_at DESC LIMIT 24) newest) t ON true
	LEFT JOIN LATERAL (
		SELECT coalesce(nullif(tester, ''), tested_by) AS by FROM battery_test
		WHERE unit = u.unit AND tested_at = t.last ORDER BY position LIMIT 1) b ON true`

// Rhythms are how often units were read of late, two for each, as of the last look at the fleet: by crank and by test.
func (db *DB) Rhythms(ctx context.Context) ([]fleet.Rhythm, error) {
	rows, _ := db.pool.Query(ctx, `SELECT unit, depot, kind, readings, first_at, last_at, read_by FROM rhythm`)
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (r fleet.Rhythm, err error) {
		var first, last pgtype.Timestamptz
		err = row.Scan(&r.Unit, &r.Depot, &r.Kind, &r.Readings, &first, &last, &r.By)
		r.First, r.Last = first.Time.UTC(), last.Time.UTC()
		return r, err
	})
	if err != nil {
		return nil, fmt.Errorf("see how often units are read: %w", err)
	}
	return list, nil
}
