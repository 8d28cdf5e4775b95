package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const (
	unitsOfDepot = `SELECT unit FROM unit WHERE depot = @depot AND (@unit = '' OR unit = @unit)`
	// The newest of each position, and the newest that has cold cranking amps, which need not be the same.
	newestTests = `SELECT DISTINCT ON (unit, position, cca_a IS NULL) unit, tested_at, position, battery, rest_v, cca_a, cca_standard, load_v,
		load_a, load_s, resistance_mohm, soc_pct, temperature_c, tested_by, tester, note
		FROM battery_test WHERE unit = ANY(@units) ORDER BY unit, position, cca_a IS NULL, tested_at DESC`
)

// BenchUnits are the units of a depot with what a test is held against, in the order of their keys; with a unit, that one alone.
func (db *DB) BenchUnits(ctx context.Context, depot fleet.DepotID, unit fleet.UnitID, today fleet.Date) ([]fleet.BenchUnit, error) {
	list, err := db.benchUnits(ctx, depot, unit, today)
	if err != nil {
		return nil, fmt.Errorf("read the bench's units of depot %q: %w", depot, err)
	}
	return list, nil
}

func (db *DB) benchUnits(ctx context.Context, depot fleet.DepotID, unit fleet.UnitID, today fleet.Date) ([]fleet.BenchUnit, error) {
	rows, _ := db.pool.Query(ctx, unitsOfDepot, pgx.NamedArgs{"depot": string(depot), "unit": string(unit)})
	names, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil || len(names) == 0 {
		return nil, err
	}
	all, err := units(ctx, db.pool, names)
	if err != nil {
		return nil, err
	}
	list, at := make([]fleet.BenchUnit, len(all)), make(map[fleet.UnitID]*fleet.BenchUnit, len(all))
	for i, u := range all {
		list[i].Unit, at[u.ID] = u, &list[i]
	}
	fittings, err := batteryFittings(ctx, db.pool, names)
	if err != nil {
		return nil, err
	}
	for _, f := range fittings {
		if u := at[f.Unit]; u != nil && f.FittedAt(today) {
			u.Batteries = append(u.Batteries, f)
		}
	}
	for i := range list {
		slices.SortStableFunc(list[i].Batteries, func(a, b fleet.BatteryFitting) int { return a.Position - b.Position })
	}
	rows, _ = db.pool.Query(ctx, newestTests, pgx.NamedArgs{"units": names})
	tests, err := pgx.CollectRows(rows, scanTest)
	if err != nil {
		return nil, err
	}
	for _, t := range tests {
		if u := at[t.Unit]; u != nil {
			u.Tests = append(u.Tests, t)
		}
	}
	for i := range list {
		slices.SortStableFunc(list[i].Tests, func(a, b fleet.Test) int { return b.At.Compare(a.At) })
	}
	return list, nil
}
