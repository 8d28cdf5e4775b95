package store

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// ErrNoUnit says that the fleet has no unit of that key.
var ErrNoUnit = errors.New("there is no such unit in the fleet")

// historyBatch is how many units are read at a time: enough that a query's round trip does not count, few enough that
// ten years of cranks of so many units fit into some hundred megabytes.
const historyBatch = 64

// Histories yields the history of every unit of the depots (nil: all), in the bytewise order of keys. Cranks come from
// the weekly digests, so call [DB.RefreshDigests] first. The first error ends it.
func (db *DB) Histories(ctx context.Context, ofDepots []fleet.DepotID) iter.Seq2[fleet.History, error] {
	return func(yield func(fleet.History, error) bool) {
		all, err := db.Units(ctx)
		if err != nil {
			yield(fleet.History{}, err)
			return
		}
		if ofDepots != nil {
			all = slices.DeleteFunc(all, func(u fleet.Unit) bool { return !slices.Contains(ofDepots, u.Depot) })
		}
		db.HistoriesOf(ctx, all)(yield)
	}
}

// HistoriesOf yields the history of each of the units, as [DB.Histories] does, in the order given.
func (db *DB) HistoriesOf(ctx context.Context, units []fleet.Unit) iter.Seq2[fleet.History, error] {
	return func(yield func(fleet.History, error) bool) {
		for batch := range db.batches(ctx, units) {
			if batch.err != nil {
				yield(fleet.History{}, batch.err)
				return
			}
			for _, h := range batch.histories {
				if !yield(h, nil) {
					return
				}
			}
		}
	}
}

// historiesRead is one batch; with an error it is the last.
type historiesRead struct {
	histories []fleet.History
	err       error
}

// batches reads the next batch while the caller is at work on one.
func (db *DB) batches(ctx context.Context, of []fleet.Unit) iter.Seq[historiesRead] {
	return func(yield func(historiesRead) bool) {
		ctx, cancel := context.WithCancel(ctx)
		read := make(chan historiesRead)
		go func() {
			defer close(read)
			for batch := range slices.Chunk(of, historyBatch) {
				histories, err := db.histories(ctx, batch)
				read <- historiesRead{histories, err}
				if err != nil {
					return
				}
			}
		}()
		defer func() {
			cancel()
			for range read { // until the connection is given back
			}
		}()
		for batch := range read {
			if !yield(batch) {
				return
			}
		}
	}
}

// History is all that is recorded of one unit. ErrNoUnit: there is none of that key.
func (db *DB) History(ctx context.Context, unit fleet.UnitID) (fleet.History, error) {
	if err := db.RefreshDigests(ctx); err != nil {
		return fleet.History{}, err
	}
	found, err := units(ctx, db.pool, []string{string(unit)})
	if err != nil {
		return fleet.History{}, err
	}
	if len(found) == 0 {
		return fleet.History{}, fmt.Errorf("unit %q: %w", unit, ErrNoUnit)
	}
	histories, err := db.histories(ctx, found)
	if err != nil {
		return fleet.History{}, err
	}
	return histories[0], nil
}

func (db *DB) histories(ctx context.Context, of []fleet.Unit) ([]fleet.History, error) {
	histories := make([]fleet.History, len(of))
	index := make(map[fleet.UnitID]*fleet.History, len(of))
	names := make([]string, len(of))
	for i, u := range of {
		histories[i].Unit, names[i] = u, string(u.ID)
		index[u.ID] = &histories[i]
	}
	batteries, err := batteryFittings(ctx, db.pool, names)
	if err != nil {
		return nil, err
	}
	for _, f := range batteries {
		index[f.Unit].Batteries = append(index[f.Unit].Batteries, f)
	}
	starters, err := starterFittings(ctx, db.pool, names)
	if err != nil {
		return nil, err
	}
	for _, f := range starters {
		index[f.Unit].Starters = append(index[f.Unit].Starters, f)
	}
	err = errors.Join(addTests(ctx, db.pool, names, index), addCranks(ctx, db.pool, names, index), addBreakdowns(ctx, db.pool, names, index))
	if err != nil {
		return nil, fmt.Errorf("read histories: %w", err)
	}
	return histories, nil
}

const listTests = `SELECT unit, tested_at, position, battery, rest_v, cca_a, cca_standard, load_v, load_a, load_s, resistance_mohm,
	soc_pct, temperature_c, tested_by, tester, note FROM battery_test WHERE unit = ANY(@units) ORDER BY unit, tested_at, position`

func addTests(ctx context.Context, q querier, names []string, index map[fleet.UnitID]*fleet.History) error {
	rows, _ := q.Query(ctx, listTests, pgx.NamedArgs{"units": names})
	var (
		t                                                            fleet.Test
		rest, cca, loadV, loadA, loadS, resistance, soc, temperature *float64
	)
	into := []any{
		&t.Unit, &t.At, &t.Position, &t.Battery, &rest, &cca, &t.CCAStandard, &loadV, &loadA, &loadS, &resistance,
		&soc, &temperature, &t.TestedBy, &t.Tester, &t.Note,
	}
	_, err := pgx.ForEachRow(rows, into, func() error {
		row := t
		row.At = row.At.UTC()
		row.RestV, row.CCAA, row.LoadV = fleet.FromPtr(rest), fleet.FromPtr(cca), fleet.FromPtr(loadV)
		row.LoadA, row.LoadS = fleet.FromPtr(loadA), fleet.FromPtr(loadS)
		row.ResistanceMOhm, row.SoCPct, row.TemperatureC = fleet.FromPtr(resistance), fleet.FromPtr(soc), fleet.FromPtr(temperature)
		index[row.Unit].Tests = append(index[row.Unit].Tests, row)
		return nil
	})
	return err
}

const listCrankWeeks = `SELECT unit, pack FROM crank_week WHERE unit = ANY(@units) ORDER BY unit, week`

// addCranks unpacks weeks as the server sent them: to scan a value by itself takes longer than to unpack it.
func addCranks(ctx context.Context, q querier, names []string, index map[fleet.UnitID]*fleet.History) error {
	rows, _ := q.Query(ctx, listCrankWeeks, pgx.QueryResultFormats{pgx.BinaryFormatCode}, pgx.NamedArgs{"units": names})
	defer rows.Close()
	var (
		of     fleet.UnitID
		cranks []fleet.Crank // of one unit after the other, so that each gets as much memory as it needs
	)
	keep := func() {
		if h := index[of]; h != nil {
			h.Cranks = slices.Clone(cranks)
		}
	}
	for rows.Next() {
		columns := rows.RawValues()
		if string(columns[0]) != string(of) {
			keep()
			of, cranks = fleet.UnitID(columns[0]), cranks[:0]
		}
		var err error
		if cranks, err = appendCranks(cranks, of, columns[1]); err != nil {
			return fmt.Errorf("unit %s: %w", of, err)
		}
	}
	keep()
	return rows.Err()
}

const listBreakdowns = `SELECT unit, happened_at, cause, cost, hours_down FROM breakdown WHERE unit = ANY(@units) ORDER BY unit, happened_at`

func addBreakdowns(ctx context.Context, q querier, names []string, index map[fleet.UnitID]*fleet.History) error {
	rows, _ := q.Query(ctx, listBreakdowns, pgx.NamedArgs{"units": names})
	var (
		b     fleet.Breakdown
		cost  *int64
		hours *float64
	)
	_, err := pgx.ForEachRow(rows, []any{&b.Unit, &b.At, &b.Cause, &cost, &hours}, func() error {
		row := b
		row.At, row.Cost, row.HoursDown = row.At.UTC(), optMoney(cost), fleet.FromPtr(hours)
		index[row.Unit].Breakdowns = append(index[row.Unit].Breakdowns, row)
		return nil
	})
	return err
}

const firstReading = `SELECT least((SELECT min(tested_at) FROM battery_test), (SELECT min(cranked_at) FROM crank))`

// FirstReading is the day of the oldest battery test or crank, in UTC; unknown while there is none.
func (db *DB) FirstReading(ctx context.Context) (fleet.Opt[fleet.Date], error) {
	var at *time.Time
	if err := db.pool.QueryRow(ctx, firstReading).Scan(&at); err != nil {
		return fleet.Opt[fleet.Date]{}, fmt.Errorf("look up the first reading: %w", err)
	}
	if at == nil {
		return fleet.Opt[fleet.Date]{}, nil
	}
	return fleet.Known(fleet.DateOf(*at, time.UTC)), nil
}
