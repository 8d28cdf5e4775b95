package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const listLines = `SELECT f.unit, f.depot, coalesce(u.class, ''), f.band, f.suspect, f.rank, f.no_start_probability, f.cold_limit_c,
	f.cold_limit_p10_c, f.cold_limit_p90_c, f.expected_loss, f.swap_by
	FROM forecast f LEFT JOIN unit u USING (unit) WHERE f.issue = @issue ORDER BY f.rank`

// ListLines are all lines of an issue's list, by rank. Of 50,000 units they take some 10 MB and a tenth of a second: read them once and
// keep them, as an issue never changes.
func (db *DB) ListLines(ctx context.Context, issue int64) ([]fleet.ListLine, error) {
	same := map[string]string{} // depots, classes, bands and suspects are few: each text is kept once
	once := func(s string) string {
		kept, known := same[s]
		if !known {
			same[s], kept = s, s
		}
		return kept
	}
	rows, _ := db.pool.Query(ctx, listLines, pgx.NamedArgs{"issue": issue})
	lines, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (l fleet.ListLine, err error) {
		var (
			depot, band, suspect string
			p, limit, p10, p90   *float64
			loss                 *int64
		)
		err = row.Scan(&l.Unit, &depot, &l.Class, &band, &suspect, &l.Rank, &p, &limit, &p10, &p90, &loss, optDateInto(&l.SwapBy))
		l.Depot, l.Class, l.Band, l.Suspect = fleet.DepotID(once(depot)), once(l.Class), fleet.Band(once(band)), fleet.Part(once(suspect))
		l.NoStartProbability, l.ExpectedLoss = fleet.FromPtr(p), optMoney(loss)
		l.ColdLimitC, l.ColdLimitP10C, l.ColdLimitP90C = fleet.FromPtr(limit), fleet.FromPtr(p10), fleet.FromPtr(p90)
		return l, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the lines of ranked list %d: %w", issue, err)
	}
	return lines, nil
}

// By unit and day, as the key goes: the rest of the list is not touched.
const listRows = `SELECT f.unit, f.depot, f.rank, f.band, f.no_start_probability, f.cold_limit_c, f.cold_limit_p10_c, f.cold_limit_p90_c,
	f.suspect, f.p_battery, f.p_starter, f.p_cable, f.p_charging, f.p_control, f.expected_loss, f.swap_cost, f.swap_by, f.evidence[1:1],
	(o.ahead->>'drift_c_per_month')::float8, ` + anewColumns + `
	FROM unnest(@units::text[]) WITH ORDINALITY AS asked (unit, place)
	JOIN forecast f ON f.unit = asked.unit AND f.as_of = @as_of AND f.issue = @issue
	LEFT JOIN outlook o ON o.unit = asked.unit AND o.issue = @issue
	LEFT JOIN anew a ON a.unit = asked.unit AND a.issue = @issue
	ORDER BY asked.place`

// ListRows is what a page shows of some units on an issue's list, in the order asked for. Units that are not on it are left out.
func (db *DB) ListRows(ctx context.Context, issue fleet.Issue, of []fleet.UnitID) ([]fleet.ListRow, error) {
	rows, _ := db.pool.Query(ctx, listRows, pgx.NamedArgs{"units": unitNames(of), "as_of": sqlDate(issue.AsOf), "issue": issue.ID})
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (r fleet.ListRow, err error) {
		var (
			drift *float64
			anew  anewRow
		)
		if r.Forecast, err = scanForecast(row, append([]any{&drift}, anew.into()...)...); err != nil {
			return r, err
		}
		r.DriftCPerMonth = fleet.FromPtr(drift)
		r.Anew, err = anew.read(false)
		return r, err
	})
	if err != nil {
		return nil, fmt.Errorf("read %d rows of ranked list %d: %w", len(of), issue.ID, err)
	}
	return list, nil
}
