package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// keepBeside puts what belongs to a list in the place of what belonged to the one before it. A list for a past date is not the newest
// and displaces nothing.
func keepBeside(ctx context.Context, tx pgx.Tx, issue fleet.Issue, b fleet.Beside) error {
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
	_, err := tx.CopyFrom(ctx, pgx.Identifier{"outlook"}, []string{"unit", "issue", "ahead"}, pgx.CopyFromSlice(len(b.Outlooks), func(i int) ([]any, error) {
		ahead, err := json.Marshal(b.Outlooks[i])
		return []any{string(b.Outlooks[i].Unit), issue.ID, ahead}, err
	}))
	return err
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
	rows, _ := db.pool.Query(ctx, `SELECT unit, ahead FROM outlook WHERE issue = @issue AND unit = ANY(@units)`, pgx.NamedArgs{"issue": issue, "units": names})
	var (
		unit  fleet.UnitID
		ahead []byte
	)
	_, err = pgx.ForEachRow(rows, []any{&unit, &ahead}, func() error {
		var o fleet.Outlook
		list[at[unit]].Outlook = &o
		return json.Unmarshal(ahead, &o)
	})
	if err != nil {
		return nil, fmt.Errorf("read the outlooks of list %d: %w", issue, err)
	}
	return list, nil
}
