package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const addBenchEntry = `INSERT INTO bench_entry (entry, unit, depot, tested_at, entered_by, phone, test, outcome, reason, kept_row)
	VALUES (@entry, @unit, @depot, @at, @by, @phone, @test, @outcome, @reason, @kept)
	ON CONFLICT (entry) DO NOTHING`

// AddBenchEntry keeps what became of a test that was sent. Where its key is there already, what is there stands.
func (db *DB) AddBenchEntry(ctx context.Context, e fleet.BenchEntry) error {
	test, err := json.Marshal(e.Row)
	if err != nil {
		return fmt.Errorf("keep bench entry %q: %w", e.Entry, err)
	}
	_, err = db.pool.Exec(ctx, addBenchEntry, pgx.NamedArgs{
		"entry": e.Entry, "unit": e.Unit, "depot": string(e.Depot), "at": e.At, "by": e.By, "phone": e.Phone, "test": test,
		"outcome": string(e.Outcome), "reason": e.Reason, "kept": e.KeptRow,
	})
	if err != nil {
		return fmt.Errorf("keep bench entry %q: %w", e.Entry, err)
	}
	return nil
}

const settleBenchEntry = `UPDATE bench_entry SET outcome = @outcome, reason = @reason, test = @test, tested_at = @at
	WHERE entry = @entry AND outcome IN ('conflict', 'refused')`

// SettleBenchEntry writes down what a person made of an entry that was not taken; false: it is settled already.
func (db *DB) SettleBenchEntry(ctx context.Context, e fleet.BenchEntry) (bool, error) {
	test, err := json.Marshal(e.Row)
	if err != nil {
		return false, fmt.Errorf("settle bench entry %q: %w", e.Entry, err)
	}
	tag, err := db.pool.Exec(ctx, settleBenchEntry, pgx.NamedArgs{
		"entry": e.Entry, "outcome": string(e.Outcome), "reason": e.Reason, "test": test, "at": e.At,
	})
	if err != nil {
		return false, fmt.Errorf("settle bench entry %q: %w", e.Entry, err)
	}
	return tag.RowsAffected() == 1, nil
}

const benchEntryColumns = `SELECT entry, unit, depot, tested_at, entered_by, phone, test, outcome, reason, kept_row, received_at FROM bench_entry `

// BenchEntry looks one up by its key; false: it never came in.
func (db *DB) BenchEntry(ctx context.Context, entry string) (fleet.BenchEntry, bool, error) {
	rows, _ := db.pool.Query(ctx, benchEntryColumns+`WHERE entry = @entry`, pgx.NamedArgs{"entry": entry})
	e, err := pgx.CollectExactlyOneRow(rows, scanBenchEntry)
	if errors.Is(err, pgx.ErrNoRows) {
		return e, false, nil
	}
	if err != nil {
		return e, false, fmt.Errorf("look up bench entry %q: %w", entry, err)
	}
	return e, true, nil
}

// BenchEntries lists those of a depot, and of unknown units by one person, that came in since, newest first.
func (db *DB) BenchEntries(ctx context.Context, depot fleet.DepotID, person string, since time.Time) ([]fleet.BenchEntry, error) {
	rows, _ := db.pool.Query(ctx, benchEntryColumns+`WHERE received_at >= @since AND (depot = @depot OR depot = '' AND entered_by = @person)
		ORDER BY received_at DESC, entry`, pgx.NamedArgs{"depot": string(depot), "person": person, "since": since})
	list, err := pgx.CollectRows(rows, scanBenchEntry)
	if err != nil {
		return nil, fmt.Errorf("list bench entries of depot %q: %w", depot, err)
	}
	return list, nil
}

func scanBenchEntry(row pgx.CollectableRow) (e fleet.BenchEntry, err error) {
	var test []byte
	err = row.Scan(&e.Entry, &e.Unit, &e.Depot, &e.At, &e.By, &e.Phone, &test, &e.Outcome, &e.Reason, &e.KeptRow, &e.ReceivedAt)
	if err != nil {
		return e, err
	}
	return e, json.Unmarshal(test, &e.Row)
}

// TestAt is the battery test that stands at an instant and a position; false: none does.
func (db *DB) TestAt(ctx context.Context, unit fleet.UnitID, at time.Time, position int) (fleet.Test, bool, error) {
	rows, _ := db.pool.Query(ctx, testColumns+`WHERE unit = @unit AND tested_at = @at AND position = @position`,
		pgx.NamedArgs{"unit": string(unit), "at": at, "position": position})
	t, err := pgx.CollectExactlyOneRow(rows, scanTest)
	if errors.Is(err, pgx.ErrNoRows) {
		return t, false, nil
	}
	if err != nil {
		return t, false, fmt.Errorf("look up a test of unit %q: %w", unit, err)
	}
	return t, true, nil
}

const testColumns = `SELECT unit, tested_at, position, battery, rest_v, cca_a, cca_standard, load_v, load_a, load_s, resistance_mohm,
	soc_pct, temperature_c, tested_by, tester, note FROM battery_test `

func scanTest(row pgx.CollectableRow) (t fleet.Test, err error) {
	var rest, cca, loadV, loadA, loadS, resistance, soc, temperature *float64
	err = row.Scan(&t.Unit, &t.At, &t.Position, &t.Battery, &rest, &cca, &t.CCAStandard, &loadV, &loadA, &loadS, &resistance,
		&soc, &temperature, &t.TestedBy, &t.Tester, &t.Note)
	t.At = t.At.UTC()
	t.RestV, t.CCAA, t.LoadV = fleet.FromPtr(rest), fleet.FromPtr(cca), fleet.FromPtr(loadV)
	t.LoadA, t.LoadS = fleet.FromPtr(loadA), fleet.FromPtr(loadS)
	t.ResistanceMOhm, t.SoCPct, t.TemperatureC = fleet.FromPtr(resistance), fleet.FromPtr(soc), fleet.FromPtr(temperature)
	return t, err
}
