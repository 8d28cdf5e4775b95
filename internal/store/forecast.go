package store

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// ErrNoIssue says that no ranked list has been issued yet, or none of which the caller asked for.
var ErrNoIssue = fleet.ErrNoIssue

const addIssue = `INSERT INTO issue (as_of, season_from, season_to, method)
	VALUES (@as_of, @season_from, @season_to, @method) RETURNING issue, issued_at`

var forecastColumns = []string{
	"issue", "unit", "as_of", "depot", "rank", "band", "no_start_probability", "cold_limit_c", "cold_limit_p10_c",
	"cold_limit_p90_c", "suspect", "p_battery", "p_starter", "p_cable", "p_charging", "p_control",
	"expected_loss", "swap_cost", "swap_by", "evidence",
}

// AddIssue keeps a ranked list whole, together with all that were issued before it: nothing is overwritten. What lies beside a list is
// kept for the newest alone.
func (db *DB) AddIssue(ctx context.Context, list fleet.RankedList, method string, beside fleet.Beside) (fleet.Issue, error) {
	issue := fleet.Issue{AsOf: list.AsOf, Season: list.Season, Method: method}
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, addIssue, pgx.NamedArgs{
			"as_of": sqlDate(list.AsOf), "season_from": sqlDate(list.Season.From), "season_to": sqlDate(list.Season.To), "method": method,
		}).Scan(&issue.ID, &issue.IssuedAt)
		if err != nil {
			return err
		}
		_, err = tx.CopyFrom(ctx, pgx.Identifier{"forecast"}, forecastColumns, pgx.CopyFromSlice(len(list.Units), func(i int) ([]any, error) {
			return forecastRow(issue, list.Units[i]), nil
		}))
		if err != nil {
			return err
		}
		return keepBeside(ctx, tx, issue, list.Units, beside)
	})
	if err != nil {
		return fleet.Issue{}, fmt.Errorf("keep the ranked list of %s: %w", list.AsOf, err)
	}
	return issue, nil
}

func forecastRow(issue fleet.Issue, f fleet.Forecast) []any {
	p := f.SuspectProbabilities
	evidence := f.Evidence
	if evidence == nil {
		evidence = []string{}
	}
	return []any{
		issue.ID, string(f.Unit), sqlDate(issue.AsOf), string(f.Depot), f.Rank, string(f.Band), f.NoStartProbability.Ptr(),
		f.ColdLimitC.Ptr(), f.ColdLimitP10C.Ptr(), f.ColdLimitP90C.Ptr(), string(f.Suspect),
		p[fleet.BatteryPart], p[fleet.StarterPart], p[fleet.CablePart], p[fleet.ChargingPart], p[fleet.ControlPart],
		sqlMoney(f.ExpectedLoss), sqlMoney(f.SwapCost), sqlOptDate(f.SwapBy), evidence,
	}
}

const issueColumns = `SELECT issue, as_of, season_from, season_to, issued_at, method FROM issue `

// LatestIssue is the newest ranked list of the latest as-of date. ErrNoIssue: there is none.
func (db *DB) LatestIssue(ctx context.Context) (fleet.Issue, error) {
	return db.issue(ctx, issueColumns+`ORDER BY as_of DESC, issue DESC LIMIT 1`, nil)
}

// IssueBefore is the newest ranked list with an earlier as-of date: what a new list is compared with. ErrNoIssue: there is none.
func (db *DB) IssueBefore(ctx context.Context, asOf fleet.Date) (fleet.Issue, error) {
	return db.issue(ctx, issueColumns+`WHERE as_of < @as_of ORDER BY as_of DESC, issue DESC LIMIT 1`, pgx.NamedArgs{"as_of": sqlDate(asOf)})
}

// Issue is the ranked list of a number. ErrNoIssue: there is none.
func (db *DB) Issue(ctx context.Context, id int64) (fleet.Issue, error) {
	return db.issue(ctx, issueColumns+`WHERE issue = @id`, pgx.NamedArgs{"id": id})
}

func (db *DB) issue(ctx context.Context, query string, args pgx.NamedArgs) (fleet.Issue, error) {
	rows, _ := db.pool.Query(ctx, query, args) // CollectExactlyOneRow reports Query's error too
	issue, err := pgx.CollectExactlyOneRow(rows, scanIssue)
	if errors.Is(err, pgx.ErrNoRows) {
		return fleet.Issue{}, ErrNoIssue
	}
	if err != nil {
		return fleet.Issue{}, fmt.Errorf("look up the ranked list: %w", err)
	}
	return issue, nil
}

func scanIssue(row pgx.CollectableRow) (i fleet.Issue, err error) {
	return i, row.Scan(&i.ID, dateInto(&i.AsOf), dateInto(&i.Season.From), dateInto(&i.Season.To), &i.IssuedAt, &i.Method)
}

// ForecastFilter narrows and orders a ranked list.
type ForecastFilter = fleet.ListFilter

const (
	forecastWhere = ` FROM forecast WHERE issue = @issue
	AND (@depots::text[] IS NULL OR depot = ANY(@depots))
	AND (@unit = '' OR unit = @unit)
	AND (@band = '' OR band = @band) AND (@suspect = '' OR suspect = @suspect)
	AND (@search = '' OR strpos(lower(unit), lower(@search)) > 0)
	AND (@class = '' OR unit IN (SELECT unit FROM unit WHERE class = @class))`
	listForecasts = `SELECT unit, depot, rank, band, no_start_probability, cold_limit_c, cold_limit_p10_c, cold_limit_p90_c,
	suspect, p_battery, p_starter, p_cable, p_charging, p_control, expected_loss, swap_cost, swap_by, evidence` +
		forecastWhere
)

// forecastOrders are the ORDER BY clauses; the rank settles what is equal, so that pages never overlap.
var forecastOrders = map[fleet.ListOrder]string{
	"":                ` ORDER BY rank`,
	fleet.ByRank:      ` ORDER BY rank`,
	fleet.ByUnit:      ` ORDER BY unit COLLATE "C"`,
	fleet.ByChance:    ` ORDER BY no_start_probability DESC NULLS LAST, rank`,
	fleet.ByColdLimit: ` ORDER BY cold_limit_c DESC NULLS LAST, rank`,
	fleet.BySwapBy:    ` ORDER BY swap_by NULLS LAST, rank`,
	fleet.ByLoss:      ` ORDER BY expected_loss DESC NULLS LAST, rank`,
}

// Forecasts is one issue's list, in the filter's order (highest priority first by default), as far as the filter lets through.
func (db *DB) Forecasts(ctx context.Context, issue int64, filter ForecastFilter) ([]fleet.Forecast, error) {
	order, known := forecastOrders[filter.Order]
	if !known {
		return nil, fmt.Errorf("read ranked list %d: no order is called %q", issue, filter.Order)
	}
	rows, _ := db.pool.Query(ctx, listForecasts+order+` LIMIT @limit OFFSET @offset`, forecastArgs(issue, filter))
	list, err := pgx.CollectRows(rows, forecastOf)
	if err != nil {
		return nil, fmt.Errorf("read ranked list %d: %w", issue, err)
	}
	return list, nil
}

// CountByDepot is how many units of the depots (nil: all) an issue has; a depot without any is not there.
func (db *DB) CountByDepot(ctx context.Context, issue int64, of []fleet.DepotID) (map[fleet.DepotID]int, error) {
	counts := map[fleet.DepotID]int{}
	rows, _ := db.pool.Query(ctx, `SELECT depot, count(*) FROM forecast WHERE issue = @issue AND (@depots::text[] IS NULL OR depot = ANY(@depots)) GROUP BY depot`,
		pgx.NamedArgs{"issue": issue, "depots": depotNames(of)})
	var (
		depot fleet.DepotID
		n     int
	)
	_, err := pgx.ForEachRow(rows, []any{&depot, &n}, func() error { counts[depot] = n; return nil })
	if err != nil {
		return nil, fmt.Errorf("count ranked list %d: %w", issue, err)
	}
	return counts, nil
}

func forecastArgs(issue int64, f ForecastFilter) pgx.NamedArgs {
	var depots []string
	if f.Depots != nil {
		depots = make([]string, len(f.Depots))
		for i, d := range f.Depots {
			depots[i] = string(d)
		}
		slices.Sort(depots)
	}
	var limit *int
	if f.Limit > 0 {
		limit = &f.Limit
	}
	return pgx.NamedArgs{
		"issue": issue, "depots": depots, "unit": string(f.Unit), "band": string(f.Band), "suspect": string(f.Suspect),
		"search": f.Search, "class": f.Class, "limit": limit, "offset": f.Offset,
	}
}

func forecastOf(row pgx.CollectableRow) (fleet.Forecast, error) { return scanForecast(row) }

// scanForecast reads a row of listForecasts, and what its query asks for beyond that.
func scanForecast(row pgx.CollectableRow, more ...any) (fleet.Forecast, error) {
	var (
		f                                          fleet.Forecast
		p, limit, p10, p90                         *float64
		battery, starter, cable, charging, control float64
		loss, cost                                 *int64
	)
	err := row.Scan(append([]any{
		&f.Unit, &f.Depot, &f.Rank, &f.Band, &p, &limit, &p10, &p90, &f.Suspect,
		&battery, &starter, &cable, &charging, &control, &loss, &cost, optDateInto(&f.SwapBy), &f.Evidence,
	}, more...)...)
	f.NoStartProbability = fleet.FromPtr(p)
	f.ColdLimitC, f.ColdLimitP10C, f.ColdLimitP90C = fleet.FromPtr(limit), fleet.FromPtr(p10), fleet.FromPtr(p90)
	f.SuspectProbabilities = map[fleet.Part]float64{
		fleet.BatteryPart: battery, fleet.StarterPart: starter, fleet.CablePart: cable, fleet.ChargingPart: charging, fleet.ControlPart: control,
	}
	f.ExpectedLoss, f.SwapCost = optMoney(loss), optMoney(cost)
	return f, err
}
