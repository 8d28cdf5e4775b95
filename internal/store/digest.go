package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"rimeyard/internal/fleet"
)

// looksUp spares each batch of weeks a compiled plan: the planner takes looking up so many months for dear, and compiling takes five times what
// looking up does.
const looksUp = `SET LOCAL jit = off`

// takeStale moves the marks into a table of this transaction, in the order in which the weeks are then gone through.
const takeStale = `CREATE TEMP TABLE stale_week (unit text, week date, PRIMARY KEY (unit, week)) ON COMMIT DROP;
	WITH gone AS (DELETE FROM crank_week_stale RETURNING unit, week) INSERT INTO stale_week SELECT unit, week FROM gone ORDER BY 1, 2;
	ANALYZE stale_week` //nolint:misspell // as SQL spells it

// staleWeeks are the next weeks after one of them, with what their digests hold already.
const staleWeeks = `SELECT unit, week, coalesce(w.pack, '') FROM stale_week LEFT JOIN crank_week w USING (unit, week)
	WHERE (unit, week) > ($1, $2) ORDER BY unit, week LIMIT $3`

// cranksOfWeeks are the raw rows of stale weeks from the first to the last given, each week looked up by the key of crank.
const cranksOfWeeks = `SELECT s.unit, s.week, c.cranked_at, c.rest_v, c.min_v, c.mean_v, c.duration_ms, c.temperature_c, c.coolant_c, c.current_a, c.rpm, c.outcome
	FROM (SELECT unit, week FROM stale_week WHERE (unit, week) BETWEEN ($1, $2) AND ($3, $4) ORDER BY unit, week) s, LATERAL (
		SELECT * FROM crank WHERE unit = s.unit AND cranked_at >= s.week::timestamp AT TIME ZONE 'UTC'
			AND cranked_at < (s.week + 7)::timestamp AT TIME ZONE 'UTC' ORDER BY cranked_at) c`

const keepWeeks = `INSERT INTO crank_week (unit, week, cranks, first_at, last_at, pack)
	SELECT * FROM unnest($1::text[], $2::date[], $3::int[], $4::timestamptz[], $5::timestamptz[], $6::bytea[])
	ON CONFLICT (unit, week) DO UPDATE SET cranks = excluded.cranks, first_at = excluded.first_at, last_at = excluded.last_at, pack = excluded.pack`

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
		if _, err := tx.Exec(ctx, looksUp); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, takeStale); err != nil {
			return err
		}
		return digestStale(ctx, tx)
	})
	if err != nil {
		return fmt.Errorf("digest the weeks that changed: %w", err)
	}
	return nil
}

// digestBatch is how many weeks are digested at a time: of the busiest units a few megabytes.
const digestBatch = 2000

// weekKey is the key of crank_week.
type weekKey struct {
	unit string
	week pgtype.Date
}

// staleWeek is a week to be digested and what its digest held.
type staleWeek struct {
	weekKey
	pack []byte
}

func digestStale(ctx context.Context, tx pgx.Tx) error {
	last := weekKey{week: pgtype.Date{InfinityModifier: pgtype.NegativeInfinity, Valid: true}}
	for {
		rows, _ := tx.Query(ctx, staleWeeks, last.unit, last.week, digestBatch)
		weeks, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (w staleWeek, err error) {
			return w, row.Scan(&w.unit, &w.week, &w.pack)
		})
		if err != nil {
			return err
		}
		if len(weeks) == 0 {
			return nil
		}
		d := digester{weeks: weeks}
		if err := d.read(ctx, tx); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, keepWeeks, d.units, d.mondays, d.counts, d.firsts, d.lasts, d.packs); err != nil {
			return err
		}
		last = weeks[len(weeks)-1].weekKey
	}
}

// digester packs weeks as their cranks come, and gathers the columns of their digests.
type digester struct {
	weeks   []staleWeek   // those that are still to come, in order
	cranks  []fleet.Crank // of the first of them
	old     []fleet.Crank
	units   []string
	mondays []pgtype.Date
	counts  []int32
	firsts  []time.Time
	lasts   []time.Time
	packs   [][]byte
}

func (d *digester) read(ctx context.Context, tx pgx.Tx) error {
	from, to := d.weeks[0].weekKey, d.weeks[len(d.weeks)-1].weekKey
	rows, _ := tx.Query(ctx, cranksOfWeeks, from.unit, from.week, to.unit, to.week)
	var (
		of      weekKey
		c       fleet.Crank
		values  [len(crankValues)]pgtype.Float8
		outcome string
	)
	into := []any{&of.unit, &of.week, &c.At}
	for i := range values {
		into = append(into, &values[i])
	}
	_, err := pgx.ForEachRow(rows, append(into, &outcome), func() error {
		for d.weeks[0].weekKey != of {
			if err := d.next(); err != nil {
				return err
			}
		}
		row := fleet.Crank{At: c.At, Outcome: fleet.Outcome(outcome)}
		for i, v := range values {
			if v.Valid {
				*crankValues[i](&row) = fleet.Known(v.Float64)
			}
		}
		d.cranks = append(d.cranks, row)
		return nil
	})
	for err == nil && len(d.weeks) > 0 {
		err = d.next()
	}
	return err
}

// next packs the first week. It is made of its cranks and of what its digest holds already: the month may have been archived since, and
// cranks are only ever added. A week without raw rows stays as it is.
func (d *digester) next() (err error) {
	w := d.weeks[0]
	d.weeks = d.weeks[1:]
	if len(d.cranks) == 0 {
		return nil
	}
	if len(w.pack) > 0 {
		if d.old, err = appendCranks(d.old[:0], "", w.pack); err != nil {
			return fmt.Errorf("unit %s, week of %s: %w", w.unit, w.week.Time.Format(time.DateOnly), err)
		}
		d.cranks = append(d.cranks, d.old...)
		slices.SortStableFunc(d.cranks, func(a, b fleet.Crank) int { return a.At.Compare(b.At) })
		d.cranks = slices.CompactFunc(d.cranks, func(a, b fleet.Crank) bool { return a.At.Equal(b.At) })
	}
	d.units, d.mondays, d.packs = append(d.units, w.unit), append(d.mondays, w.week), append(d.packs, packCranks(d.cranks))
	d.counts = append(d.counts, int32(len(d.cranks)))
	d.firsts, d.lasts = append(d.firsts, d.cranks[0].At), append(d.lasts, d.cranks[len(d.cranks)-1].At)
	d.cranks = d.cranks[:0]
	return nil
}
