package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"math"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// keepBeside puts what belongs to a list in the place of what belonged to the one before it. A list for a past date is not the newest
// and displaces nothing.
func keepBeside(ctx context.Context, tx pgx.Tx, issue fleet.Issue, units []fleet.Forecast, b fleet.Beside) error {
	var newest int64
	if err := tx.QueryRow(ctx, `SELECT issue FROM issue ORDER BY as_of DESC, issue DESC LIMIT 1`).Scan(&newest); err != nil || newest != issue.ID {
		return err
	}
	if _, err := tx.Exec(ctx, `DELETE FROM outlook`); err != nil {
		return err
	}
	if _, err := tx.Exec(ctx, `DELETE FROM learned`); err != nil {
		return err
	}
	if b.Learned != nil {
		if _, err := tx.Exec(ctx, `INSERT INTO learned (issue, lesson) VALUES (@issue, @lesson)`, pgx.NamedArgs{"issue": issue.ID, "lesson": b.Learned}); err != nil {
			return err
		}
	}
	depots := make(map[fleet.UnitID]fleet.DepotID, len(units))
	for _, f := range units {
		depots[f.Unit] = f.Depot
	}
	columns := []string{"unit", "issue", "depot", "night_limit_c", "freezes_at_c", "winters", "by_winter", "ahead"}
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"outlook"}, columns, pgx.CopyFromSlice(len(b.Outlooks), func(i int) ([]any, error) {
		o := b.Outlooks[i]
		winters, byWinter := winterColumns(o.ByWinter)
		o.ByWinter = nil // most of all, and few read it
		ahead, err := json.Marshal(o)
		return []any{string(o.Unit), issue.ID, string(depots[o.Unit]), o.Night.LimitC, o.FreezesAtC.Ptr(), winters, byWinter, ahead}, err
	}))
	return err
}

// winterColumns are the years of winters, and their chances one after the other in ten-thousandths, to which they are rounded.
func winterColumns(winters []fleet.PastWinter) (years, chances []int16) {
	years, chances = make([]int16, len(winters)), []int16{}
	for i, w := range winters {
		years[i] = int16(w.Year)
		for _, p := range w.Chance {
			chances = append(chances, int16(math.Round(p*tenThousand)))
		}
	}
	return years, chances
}

const tenThousand = 10_000

// pastWinters reads what winterColumns wrote.
func pastWinters(years, chances []int16) []fleet.PastWinter {
	if len(years) == 0 {
		return nil
	}
	winters, flat, months := make([]fleet.PastWinter, len(years)), make([]float64, len(chances)), len(chances)/len(years)
	for i, p := range chances {
		flat[i] = float64(p) / tenThousand
	}
	for i := range winters {
		winters[i] = fleet.PastWinter{Year: int(years[i]), Chance: flat[i*months : (i+1)*months : (i+1)*months]}
	}
	return winters
}

// Learned is what the newest list learned from the fleet, as JSON, with that list's issue. ErrNoIssue: nothing is kept.
func (db *DB) Learned(ctx context.Context) (fleet.Issue, []byte, error) {
	var (
		id     int64
		lesson []byte
	)
	err := db.pool.QueryRow(ctx, `SELECT issue, lesson FROM learned ORDER BY issue DESC LIMIT 1`).Scan(&id, &lesson)
	if errors.Is(err, pgx.ErrNoRows) {
		return fleet.Issue{}, nil, ErrNoIssue
	}
	if err != nil {
		return fleet.Issue{}, nil, fmt.Errorf("read what was learned from the fleet: %w", err)
	}
	issue, err := db.issue(ctx, issueColumns+`WHERE issue = @issue`, pgx.NamedArgs{"issue": id})
	return issue, lesson, err
}

// Listed is what the filter lets through of one issue's list, in its order, each line with its unit and, while the list is the newest,
// its outlook.
func (db *DB) Listed(ctx context.Context, issue int64, filter ForecastFilter) ([]fleet.Listed, error) {
	forecasts, err := db.Forecasts(ctx, issue, filter)
	if err != nil {
		return nil, err
	}
	return db.withOutlooks(ctx, issue, forecasts)
}

// Overnight is Listed for the units of a depot whose starts the coming night may concern: by their cold limit, or because the battery may
// freeze, at the temperature given or above. Units without an outlook are not among them.
func (db *DB) Overnight(ctx context.Context, issue int64, depot fleet.DepotID, fromC float64) ([]fleet.Listed, error) {
	// With the units as an array and the day of the list, only their own rows are read, by key.
	rows, _ := db.pool.Query(ctx, listForecasts+` AND as_of = (SELECT as_of FROM issue WHERE issue = @issue) AND unit = ANY (ARRAY(
			SELECT unit FROM outlook WHERE issue = @issue AND depot = @at AND (night_limit_c >= @from OR freezes_at_c >= @from)
			UNION SELECT unit FROM anew WHERE issue = @issue AND depot = @at AND (night_limit_c >= @from OR freezes_at_c >= @from))) ORDER BY rank`,
		merged(forecastArgs(issue, ForecastFilter{Depots: []fleet.DepotID{depot}}), pgx.NamedArgs{"at": string(depot), "from": fromC}))
	forecasts, err := pgx.CollectRows(rows, forecastOf)
	if err != nil {
		return nil, fmt.Errorf("read whom the night concerns at depot %q: %w", depot, err)
	}
	return db.withOutlooks(ctx, issue, forecasts)
}

func merged(a, b pgx.NamedArgs) pgx.NamedArgs {
	maps.Copy(a, b)
	return a
}

func (db *DB) withOutlooks(ctx context.Context, issue int64, forecasts []fleet.Forecast) ([]fleet.Listed, error) {
	list, names, at := make([]fleet.Listed, len(forecasts)), make([]string, len(forecasts)), make(map[fleet.UnitID]int, len(forecasts))
	for i, f := range forecasts {
		list[i].Forecast, names[i], at[f.Unit] = f, string(f.Unit), i
	}
	all, err := units(ctx, db.pool, names)
	if err != nil {
		return nil, err
	}
	for _, u := range all {
		list[at[u.ID]].Unit = u
	}
	rows, _ := db.pool.Query(ctx, `SELECT unit, winters, by_winter, ahead FROM outlook WHERE issue = @issue AND unit = ANY(@units)`, pgx.NamedArgs{"issue": issue, "units": names})
	var (
		unit              fleet.UnitID
		winters, byWinter []int16
		ahead             []byte
	)
	_, err = pgx.ForEachRow(rows, []any{&unit, &winters, &byWinter, &ahead}, func() error {
		o := fleet.Outlook{ByWinter: pastWinters(winters, byWinter)}
		list[at[unit]].Outlook = &o
		return json.Unmarshal(ahead, &o)
	})
	if err != nil {
		return nil, fmt.Errorf("read the outlooks of list %d: %w", issue, err)
	}
	return list, db.addAnew(ctx, issue, list, names, at)
}
