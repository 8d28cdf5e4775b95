package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// ownFigures names the rows of table setting.
func ownFigures(f *fleet.OwnFigures) map[string]any {
	return map[string]any{
		"currency": &f.Currency, "labour_per_hour": &f.LabourPerHour, "down_per_hour": &f.DownPerHour, "core_days": &f.CoreDays, "lead_weeks": &f.LeadWeeks,
		"horizon_months": &f.HorizonMonths,
	}
}

// OwnFigures are what the fleet has set for itself.
func (db *DB) OwnFigures(ctx context.Context) (f fleet.OwnFigures, err error) {
	into := ownFigures(&f)
	rows, _ := db.pool.Query(ctx, `SELECT name, value FROM setting`)
	var (
		name  string
		value []byte
	)
	_, err = pgx.ForEachRow(rows, []any{&name, &value}, func() error {
		if to, known := into[name]; known {
			return json.Unmarshal(value, to)
		}
		return nil
	})
	if err != nil {
		return f, fmt.Errorf("read the fleet's own figures: %w", err)
	}
	return f, nil
}

// SetOwnFigures puts these figures in the place of those before, and notes that the context's actor did so, in what words.
func (db *DB) SetOwnFigures(ctx context.Context, f fleet.OwnFigures, what string) error {
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		values := ownFigures(&f)
		for _, name := range slices.Sorted(maps.Keys(values)) { // in one order, so that two cannot wait for each other
			text, err := json.Marshal(values[name])
			if err != nil {
				return err
			}
			_, err = tx.Exec(ctx, `INSERT INTO setting (name, value, changed_by) VALUES (@name, @value, @by) ON CONFLICT (name) DO UPDATE
				SET value = excluded.value, changed_at = now(), changed_by = excluded.changed_by WHERE setting.value::text <> excluded.value::text`,
				pgx.NamedArgs{"name": name, "value": text, "by": fleet.Actor(ctx)})
			if err != nil {
				return err
			}
		}
		return noteChange(ctx, tx, "figures", what)
	})
	if err != nil {
		return fmt.Errorf("keep the fleet's own figures: %w", err)
	}
	return nil
}

// bookedOn is the row of table setting in which the work of the day remembers that the ledger is booked.
const bookedOn = "booked_on"

// BookedOn is the day on which the work of the day last booked the ledger; unknown: never.
func (db *DB) BookedOn(ctx context.Context) (day fleet.Opt[fleet.Date], err error) {
	var value []byte
	err = db.pool.QueryRow(ctx, `SELECT value FROM setting WHERE name = @name`, pgx.NamedArgs{"name": bookedOn}).Scan(&value)
	if errors.Is(err, pgx.ErrNoRows) {
		return day, nil
	}
	if err == nil {
		err = json.Unmarshal(value, &day)
	}
	if err != nil {
		return day, fmt.Errorf("look up when the ledger was booked: %w", err)
	}
	return day, nil
}

// NoteBookedOn remembers that the ledger is booked for a day.
func (db *DB) NoteBookedOn(ctx context.Context, day fleet.Date) error {
	value, err := json.Marshal(day)
	if err == nil {
		_, err = db.pool.Exec(ctx, `INSERT INTO setting (name, value, changed_by) VALUES (@name, @value, @by)
			ON CONFLICT (name) DO UPDATE SET value = excluded.value, changed_at = now(), changed_by = excluded.changed_by`,
			pgx.NamedArgs{"name": bookedOn, "value": value, "by": fleet.Actor(ctx)})
	}
	if err != nil {
		return fmt.Errorf("note that the ledger is booked: %w", err)
	}
	return nil
}
