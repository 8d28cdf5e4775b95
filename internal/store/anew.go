package store

import (
	"context"
	"encoding/json"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// A list knows nothing that is dated on its day or later, on the clock of the unit's depot. Parts come before tests: what was repaired should
// show first where much has come.
const listNews = `WITH newest AS (SELECT issue, as_of FROM issue ORDER BY as_of DESC, issue DESC LIMIT 1),
	came AS (
		SELECT unit, 'battery' AS what, fitted_on AS day FROM battery_fitting, newest WHERE fitted_on >= as_of
		UNION ALL SELECT unit, 'starter', fitted_on FROM starter_fitting, newest WHERE fitted_on >= as_of
		UNION ALL SELECT unit, 'test', (tested_at AT TIME ZONE timezone)::date FROM newest, battery_test JOIN unit USING (unit) JOIN depot USING (depot)
			WHERE tested_at >= as_of - 1 AND (tested_at AT TIME ZONE timezone)::date >= as_of),
	counted AS (SELECT unit, what, max(day) AS day, count(*) AS n FROM came JOIN unit USING (unit) JOIN depot USING (depot)
		WHERE day <= (@now::timestamptz AT TIME ZONE timezone)::date AND (@unit = '' OR unit = @unit) GROUP BY unit, what),
	news AS (
		SELECT unit, max(day) FILTER (WHERE what = 'battery') AS battery_on, max(day) FILTER (WHERE what = 'starter') AS starter_on,
			max(day) FILTER (WHERE what = 'test') AS tested_on, string_agg(what || ' ' || n || ' ' || day, ', ' ORDER BY what) AS made_of
		FROM counted GROUP BY unit)
	SELECT f.unit, f.depot, battery_on, starter_on, tested_on, news.made_of FROM news, newest, forecast f
	WHERE f.unit = news.unit AND f.as_of = newest.as_of AND f.issue = newest.issue AND NOT EXISTS (SELECT FROM anew a
		WHERE a.unit = news.unit AND a.issue = newest.issue AND a.made_of = news.made_of)
	ORDER BY coalesce(battery_on, starter_on) IS NULL, f.rank LIMIT @limit`

// News are units on the newest list of which something has come since, up to a time, and that are not judged anew with it yet: repaired ones
// first. With a unit given, only that one.
func (db *DB) News(ctx context.Context, now time.Time, unit fleet.UnitID, limit int) ([]fleet.News, error) {
	rows, _ := db.pool.Query(ctx, listNews, pgx.NamedArgs{"now": now, "unit": string(unit), "limit": limit})
	news, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (n fleet.News, err error) {
		return n, row.Scan(&n.Unit, &n.Depot, optDateInto(&n.BatteryOn), optDateInto(&n.StarterOn), optDateInto(&n.TestedOn), &n.MadeOf)
	})
	if err != nil {
		return nil, fmt.Errorf("look for what came since the list: %w", err)
	}
	return news, nil
}

const countDatedFrom = `WITH came AS (
		SELECT unit, fitted_on AS day FROM battery_fitting WHERE fitted_on >= @from
		UNION ALL SELECT unit, fitted_on FROM starter_fitting WHERE fitted_on >= @from
		UNION ALL SELECT unit, (tested_at AT TIME ZONE timezone)::date FROM battery_test JOIN unit USING (unit) JOIN depot USING (depot)
			WHERE tested_at >= @from::date - 1 AND (tested_at AT TIME ZONE timezone)::date >= @from)
	SELECT count(DISTINCT unit), max(day) FROM came JOIN unit USING (unit) JOIN depot USING (depot)
	WHERE day <= (@now::timestamptz AT TIME ZONE timezone)::date AND (@unit = '' OR unit = @unit)`

// CountDatedFrom tells of how many units a part or a test is dated on a day or later, up to a time, and the last such day: a list of that day
// knows nothing of it. With a unit given, of that one alone.
func (db *DB) CountDatedFrom(ctx context.Context, from fleet.Date, now time.Time, unit fleet.UnitID) (units int, last fleet.Opt[fleet.Date], err error) {
	err = db.pool.QueryRow(ctx, countDatedFrom, pgx.NamedArgs{"from": sqlDate(from), "now": now, "unit": string(unit)}).Scan(&units, optDateInto(&last))
	if err != nil {
		err = fmt.Errorf("look for what is dated %s or later: %w", from, err)
	}
	return units, last, err
}

// A judgement that another server has just kept of the same is as good.
const keepAnew = `INSERT INTO anew (unit, issue, depot, made_of, as_of, battery_on, starter_on, tested_on, night_limit_c, freezes_at_c, forecast, ahead)
	SELECT @unit, @issue, @depot, @made_of, @as_of, @battery_on, @starter_on, @tested_on, @night_limit_c, @freezes_at_c, @forecast, @ahead
	ON CONFLICT (unit) DO UPDATE SET issue = excluded.issue, depot = excluded.depot, made_of = excluded.made_of, judged_at = now(), as_of = excluded.as_of,
	battery_on = excluded.battery_on, starter_on = excluded.starter_on, tested_on = excluded.tested_on, night_limit_c = excluded.night_limit_c,
	freezes_at_c = excluded.freezes_at_c, forecast = excluded.forecast, ahead = excluded.ahead WHERE anew.issue <= excluded.issue`

// KeepAnew keeps what is said of a unit with its news beside an issue's list, in the place of what was said before.
func (db *DB) KeepAnew(ctx context.Context, issue int64, a fleet.Anew) error {
	forecast, err := json.Marshal(a.Forecast)
	if err != nil {
		return fmt.Errorf("write the forecast of unit %s: %w", a.Unit, err)
	}
	ahead, err := json.Marshal(a.Outlook)
	if err != nil {
		return fmt.Errorf("write the outlook of unit %s: %w", a.Unit, err)
	}
	batch := &pgx.Batch{}
	batch.Queue(`DELETE FROM anew WHERE issue < @issue`, pgx.NamedArgs{"issue": issue})
	batch.Queue(keepAnew, pgx.NamedArgs{
		"unit": string(a.Unit), "issue": issue, "depot": string(a.Depot), "made_of": a.MadeOf, "as_of": sqlDate(a.AsOf),
		"battery_on": sqlOptDate(a.BatteryOn), "starter_on": sqlOptDate(a.StarterOn), "tested_on": sqlOptDate(a.TestedOn),
		"night_limit_c": a.Outlook.Night.LimitC, "freezes_at_c": a.Outlook.FreezesAtC.Ptr(), "forecast": forecast, "ahead": ahead,
	})
	if err := db.pool.SendBatch(ctx, batch).Close(); err != nil {
		return fmt.Errorf("keep what is said of unit %s by now: %w", a.Unit, err)
	}
	return nil
}

// AnewCounts are how many units of the depots (nil: all) were judged anew beside an issue's list; a depot without any is not there.
func (db *DB) AnewCounts(ctx context.Context, issue int64, of []fleet.DepotID) (map[fleet.DepotID]fleet.AnewCount, error) {
	counts := map[fleet.DepotID]fleet.AnewCount{}
	rows, _ := db.pool.Query(ctx, `SELECT depot, max(judged_at), count(coalesce(battery_on, starter_on)), count(*) FROM anew
		WHERE issue = @issue AND (@depots::text[] IS NULL OR depot = ANY(@depots)) GROUP BY depot`, pgx.NamedArgs{"issue": issue, "depots": depotNames(of)})
	var (
		depot fleet.DepotID
		n     fleet.AnewCount
	)
	if _, err := pgx.ForEachRow(rows, []any{&depot, &n.At, &n.Repaired, &n.Units}, func() error { counts[depot] = n; return nil }); err != nil {
		return nil, fmt.Errorf("count the units judged anew: %w", err)
	}
	return counts, nil
}

// AnewOf is what is said by now of the depots' units (nil: all) of which something has come since an issue's list, without their outlooks.
func (db *DB) AnewOf(ctx context.Context, issue int64, of []fleet.DepotID) (map[fleet.UnitID]fleet.Anew, error) {
	said := map[fleet.UnitID]fleet.Anew{}
	rows, _ := db.pool.Query(ctx, `SELECT `+anewColumns+` FROM anew a WHERE a.issue = @issue AND (@depots::text[] IS NULL OR a.depot = ANY(@depots))`,
		pgx.NamedArgs{"issue": issue, "depots": depotNames(of)})
	var r anewRow
	_, err := pgx.ForEachRow(rows, r.into(), func() error {
		a, err := r.read(false)
		if err == nil {
			said[a.Unit] = *a
		}
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what is said by now beside list %d: %w", issue, err)
	}
	return said, nil
}

// AnewForecasts are what is said by now of those units that were judged anew beside an issue's list.
func (db *DB) AnewForecasts(ctx context.Context, issue int64, of []fleet.UnitID) (map[fleet.UnitID]fleet.Forecast, error) {
	said := map[fleet.UnitID]fleet.Forecast{}
	rows, _ := db.pool.Query(ctx, `SELECT unit, forecast FROM anew WHERE issue = @issue AND unit = ANY(@units)`, pgx.NamedArgs{"issue": issue, "units": unitNames(of)})
	var (
		unit fleet.UnitID
		text []byte
	)
	_, err := pgx.ForEachRow(rows, []any{&unit, &text}, func() error {
		var f fleet.Forecast
		err := json.Unmarshal(text, &f)
		said[unit] = f
		return err
	})
	if err != nil {
		return nil, fmt.Errorf("read what is said by now beside list %d: %w", issue, err)
	}
	return said, nil
}

func unitNames(units []fleet.UnitID) []string {
	names := make([]string, len(units))
	for i, u := range units {
		names[i] = string(u)
	}
	return names
}

const anewColumns = `a.unit, a.depot, a.battery_on, a.starter_on, a.tested_on, a.made_of, a.as_of, a.forecast, a.ahead`

// anewRow is where a row's anewColumns go; all may be null.
type anewRow struct {
	unit, depot, madeOf *string
	asOf                fleet.Opt[fleet.Date]
	a                   fleet.Anew
	forecast, ahead     []byte
}

func (r *anewRow) into() []any {
	return []any{&r.unit, &r.depot, optDateInto(&r.a.BatteryOn), optDateInto(&r.a.StarterOn), optDateInto(&r.a.TestedOn), &r.madeOf, optDateInto(&r.asOf), &r.forecast, &r.ahead}
}

// read is nil where the columns were null. The outlook is read only where it is asked for: it is the long part.
func (r *anewRow) read(outlook bool) (*fleet.Anew, error) {
	if r.unit == nil {
		return nil, nil
	}
	a := r.a
	a.Unit, a.Depot, a.MadeOf, a.AsOf = fleet.UnitID(*r.unit), fleet.DepotID(*r.depot), *r.madeOf, r.asOf.Or(0)
	if err := json.Unmarshal(r.forecast, &a.Forecast); err != nil {
		return nil, fmt.Errorf("read what is said of unit %s by now: %w", a.Unit, err)
	}
	if !outlook {
		return &a, nil
	}
	if err := json.Unmarshal(r.ahead, &a.Outlook); err != nil {
		return nil, fmt.Errorf("read the outlook of unit %s by now: %w", a.Unit, err)
	}
	return &a, nil
}

// addAnew adds to lines of an issue's list what is said of their units by now.
func (db *DB) addAnew(ctx context.Context, issue int64, list []fleet.Listed, names []string, at map[fleet.UnitID]int) error {
	rows, _ := db.pool.Query(ctx, `SELECT `+anewColumns+` FROM anew a WHERE a.issue = @issue AND a.unit = ANY(@units)`, pgx.NamedArgs{"issue": issue, "units": names})
	var r anewRow
	_, err := pgx.ForEachRow(rows, r.into(), func() error {
		a, err := r.read(true)
		if err == nil {
			list[at[a.Unit]].Anew = a
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("read what is said by now beside list %d: %w", issue, err)
	}
	return nil
}
