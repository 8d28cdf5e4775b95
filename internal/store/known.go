package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"rimeyard/internal/fleet"
)

// querier is a pool or a transaction: whoever loads rows must see what its own transaction has brought so far.
type querier interface {
	Query(ctx context.Context, sql string, args ...any) (pgx.Rows, error)
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}

// Depots are all depots, in the order of their keys.
func (db *DB) Depots(ctx context.Context) ([]fleet.Depot, error) { return depots(ctx, db.pool) }

// Units are all units, in the order of their keys.
func (db *DB) Units(ctx context.Context) ([]fleet.Unit, error) { return units(ctx, db.pool, nil) }

const listDepots = `SELECT depot, name, timezone, latitude, longitude, elevation_m, swaps_per_week, cost_centre
	FROM depot ORDER BY depot COLLATE "C"`

func depots(ctx context.Context, q querier) ([]fleet.Depot, error) {
	rows, _ := q.Query(ctx, listDepots)
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (d fleet.Depot, err error) {
		var (
			latitude, longitude, elevation *float64
			swaps                          *int
		)
		err = row.Scan(&d.ID, &d.Name, &d.Timezone, &latitude, &longitude, &elevation, &swaps, &d.CostCentre)
		d.Latitude, d.Longitude = fleet.FromPtr(latitude), fleet.FromPtr(longitude)
		d.ElevationM, d.SwapsPerWeek = fleet.FromPtr(elevation), fleet.FromPtr(swaps)
		return d, err
	})
	if err != nil {
		return nil, fmt.Errorf("read depots: %w", err)
	}
	return list, nil
}

const listUnits = `SELECT unit, depot, class, fuel, engine_litres, system_volts, batteries, gearbox, parked, in_service_on,
	no_start_cost, vin, starts_per_day, criticality
	FROM unit WHERE @units::text[] IS NULL OR unit = ANY(@units) ORDER BY unit COLLATE "C"`

// units reads those named, or all where names is nil.
func units(ctx context.Context, q querier, names []string) ([]fleet.Unit, error) {
	rows, _ := q.Query(ctx, listUnits, pgx.NamedArgs{"units": names})
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (u fleet.Unit, err error) {
		var (
			litres, starts *float64
			cost           *int64
			criticality    *int
		)
		err = row.Scan(&u.ID, &u.Depot, &u.Class, &u.Fuel, &litres, &u.SystemVolts, &u.Batteries, &u.Gearbox, &u.Parked,
			optDateInto(&u.InServiceOn), &cost, &u.VIN, &starts, &criticality)
		u.EngineLitres, u.StartsPerDay = fleet.FromPtr(litres), fleet.FromPtr(starts)
		u.NoStartCost, u.Criticality = optMoney(cost), fleet.FromPtr(criticality)
		return u, err
	})
	if err != nil {
		return nil, fmt.Errorf("read units: %w", err)
	}
	return list, nil
}

// Classes are the fleet's own words for its kinds of unit, at the depots given (nil: all), in the order of the alphabet.
func (db *DB) Classes(ctx context.Context, of []fleet.DepotID) ([]string, error) {
	rows, _ := db.pool.Query(ctx, `SELECT DISTINCT class COLLATE "C" FROM unit WHERE @depots::text[] IS NULL OR depot = ANY(@depots) ORDER BY 1`,
		pgx.NamedArgs{"depots": depotNames(of)})
	classes, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("read the classes of units: %w", err)
	}
	return classes, nil
}

// depotNames are the keys as SQL wants them; nil stays null.
func depotNames(of []fleet.DepotID) []string {
	if of == nil {
		return nil
	}
	names := make([]string, len(of))
	for i, d := range of {
		names[i] = string(d)
	}
	return names
}

const listBatteryFittings = `SELECT battery, unit, position, part, chemistry, rated_cca_a, cca_standard, rated_ah, made_on,
	fitted_on, removed_on, removed_because, price, core_deposit, core_returned_on, free_months, prorata_months
	FROM battery_fitting WHERE @units::text[] IS NULL OR unit = ANY(@units)
	ORDER BY unit COLLATE "C", fitted_on NULLS FIRST, position, battery COLLATE "C"`

func batteryFittings(ctx context.Context, q querier, names []string) ([]fleet.BatteryFitting, error) {
	rows, _ := q.Query(ctx, listBatteryFittings, pgx.NamedArgs{"units": names})
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (f fleet.BatteryFitting, err error) {
		var (
			ah             *float64
			price, deposit *int64
			free, prorata  *int
		)
		err = row.Scan(&f.Battery, &f.Unit, &f.Position, &f.Part, &f.Chemistry, &f.RatedCCAA, &f.CCAStandard, &ah,
			optDateInto(&f.MadeOn), optDateInto(&f.FittedOn), optDateInto(&f.RemovedOn), &f.RemovedBecause,
			&price, &deposit, optDateInto(&f.CoreReturnedOn), &free, &prorata)
		f.RatedAh, f.Price, f.CoreDeposit = fleet.FromPtr(ah), optMoney(price), optMoney(deposit)
		f.FreeMonths, f.ProrataMonths = fleet.FromPtr(free), fleet.FromPtr(prorata)
		return f, err
	})
	if err != nil {
		return nil, fmt.Errorf("read fittings of batteries: %w", err)
	}
	return list, nil
}

const listStarterFittings = `SELECT starter, unit, part, fitted_on, removed_on, removed_because, price, core_deposit,
	core_returned_on, free_months
	FROM starter_fitting WHERE @units::text[] IS NULL OR unit = ANY(@units)
	ORDER BY unit COLLATE "C", fitted_on NULLS FIRST, starter COLLATE "C"`

func starterFittings(ctx context.Context, q querier, names []string) ([]fleet.StarterFitting, error) {
	rows, _ := q.Query(ctx, listStarterFittings, pgx.NamedArgs{"units": names})
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (f fleet.StarterFitting, err error) {
		var (
			price, deposit *int64
			free           *int
		)
		err = row.Scan(&f.Starter, &f.Unit, &f.Part, optDateInto(&f.FittedOn), optDateInto(&f.RemovedOn), &f.RemovedBecause,
			&price, &deposit, optDateInto(&f.CoreReturnedOn), &free)
		f.Price, f.CoreDeposit, f.FreeMonths = optMoney(price), optMoney(deposit), fleet.FromPtr(free)
		return f, err
	})
	if err != nil {
		return nil, fmt.Errorf("read fittings of starters: %w", err)
	}
	return list, nil
}
