package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// crankRhythms counts the cranks of each unit's newest three weeks with any, by the key of crank_week. A week that is not digested
// yet is on the list of stale weeks: its cranks are read by the key of crank.
const crankRhythms = `SELECT u.unit, u.depot, coalesce(w.n, 0), w.first, w.last, s.last
	FROM unit u
	LEFT JOIN LATERAL (
		SELECT sum(cardinality(cranked_at)) AS n, min(cranked_at[1]) AS first, max(cranked_at[cardinality(cranked_at)]) AS last
		FROM (SELECT cranked_at FROM crank_week WHERE unit = u.unit ORDER BY week DESC LIMIT 3) newest) w ON true
	LEFT JOIN LATERAL (
		SELECT max(c.cranked_at) AS last FROM crank_week_stale t JOIN crank c ON c.unit = u.unit
			AND c.cranked_at >= t.week::timestamp AT TIME ZONE 'UTC' AND c.cranked_at < (t.week + 7)::timestamp AT TIME ZONE 'UTC'
		WHERE t.unit = u.unit) s ON true`

// testRhythms counts each unit's newest tests, one a day however many batteries it has, by the key of battery_test.
const testRhythms = `SELECT u.unit, u.depot, coalesce(t.n, 0), t.first, t.last, NULL::timestamptz, coalesce(b.by, '')
	FROM unit u
	LEFT JOIN LATERAL (
		SELECT count(DISTINCT tested_at::date) AS n, min(tested_at) AS first, max(tested_at) AS last
		FROM (SELECT tested_at FROM battery_test WHERE unit = u.unit ORDER BY tested_at DESC LIMIT 24) newest) t ON true
	LEFT JOIN LATERAL (
		SELECT coalesce(nullif(tester, ''), tested_by) AS by FROM battery_test
		WHERE unit = u.unit AND tested_at = t.last ORDER BY position LIMIT 1) b ON true`

// Rhythms are how often units were read of late, two for each: by crank and by test.
func (db *DB) Rhythms(ctx context.Context) ([]fleet.Rhythm, error) {
	var list []fleet.Rhythm
	for _, q := range []struct {
		kind fleet.Kind
		sql  string
	}{{fleet.CranksKind, crankRhythms}, {fleet.TestsKind, testRhythms}} {
		rows, _ := db.pool.Query(ctx, q.sql)
		found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (fleet.Rhythm, error) { return scanRhythm(row, q.kind) })
		if err != nil {
			return nil, fmt.Errorf("see how often units are read: %w", err)
		}
		list = append(list, found...)
	}
	return list, nil
}

func scanRhythm(row pgx.CollectableRow, kind fleet.Kind) (fleet.Rhythm, error) {
	r := fleet.Rhythm{Kind: kind}
	var first, last, later *time.Time
	into := []any{&r.Unit, &r.Depot, &r.Readings, &first, &last, &later}
	if kind == fleet.TestsKind {
		into = append(into, &r.By)
	}
	if err := row.Scan(into...); err != nil {
		return r, err
	}
	if last != nil {
		r.First, r.Last = first.UTC(), last.UTC()
	}
	if later != nil && later.After(r.Last) { // it is one reading at least; where there are others, one more does not change their rhythm
		r.Last = later.UTC()
		if r.Readings == 0 {
			r.First, r.Readings = r.Last, 1
		}
	}
	return r, nil
}
