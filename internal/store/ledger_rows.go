package store

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// unitsOf are the units of the depots (nil: all).
func (db *DB) unitsOf(ctx context.Context, of []fleet.DepotID) ([]fleet.Unit, error) {
	all, err := db.Units(ctx)
	return slices.DeleteFunc(all, func(u fleet.Unit) bool { return of != nil && !slices.Contains(of, u.Depot) }), err
}

// MoneyRows are the units of the depots (nil: all) with all that was ever fitted to them and with their breakdowns; the rest is left out.
func (db *DB) MoneyRows(ctx context.Context, of []fleet.DepotID) (rows fleet.Bookable, err error) {
	if rows, err = db.brokenDown(ctx, of); err != nil || len(rows.Units) == 0 {
		return rows, err
	}
	var names []string // nil: all
	if of != nil {
		for _, u := range rows.Units {
			names = append(names, string(u.ID))
		}
	}
	if rows.Batteries, err = batteryFittings(ctx, db.pool, names); err != nil {
		return rows, err
	}
	rows.Starters, err = starterFittings(ctx, db.pool, names)
	return rows, err
}

// Unpriced are, as MoneyRows, all rows of those units of the depots (nil: all) of which a fitting has no price or no day, or a breakdown no cost.
func (db *DB) Unpriced(ctx context.Context, of []fleet.DepotID) (rows fleet.Bookable, err error) {
	found, _ := db.pool.Query(ctx, `SELECT unit FROM unit WHERE (@depots::text[] IS NULL OR depot = ANY(@depots)) AND unit IN (
		SELECT unit FROM battery_fitting WHERE price IS NULL OR fitted_on IS NULL UNION ALL SELECT unit FROM starter_fitting WHERE price IS NULL OR fitted_on IS NULL
		UNION ALL SELECT unit FROM breakdown WHERE cost IS NULL)`, pgx.NamedArgs{"depots": depotNames(of)})
	names, err := pgx.CollectRows(found, pgx.RowTo[string])
	if err != nil {
		return rows, fmt.Errorf("read which units have rows without a price: %w", err)
	}
	index := make(map[fleet.UnitID]*fleet.History, len(names))
	for _, name := range names {
		index[fleet.UnitID(name)] = &fleet.History{}
	}
	if rows.Units, err = units(ctx, db.pool, names); err != nil {
		return rows, err
	}
	if rows.Batteries, err = batteryFittings(ctx, db.pool, names); err != nil {
		return rows, err
	}
	if rows.Starters, err = starterFittings(ctx, db.pool, names); err != nil {
		return rows, err
	}
	if err := addBreakdowns(ctx, db.pool, names, index); err != nil {
		return rows, fmt.Errorf("read breakdowns: %w", err)
	}
	for _, u := range rows.Units {
		rows.Breakdowns = append(rows.Breakdowns, index[u.ID].Breakdowns...)
	}
	return rows, nil
}

// brokenDown are the units of the depots (nil: all) and their breakdowns, in the order of units and time.
func (db *DB) brokenDown(ctx context.Context, of []fleet.DepotID) (rows fleet.Bookable, err error) {
	if rows.Units, err = db.unitsOf(ctx, of); err != nil {
		return rows, err
	}
	found, _ := db.pool.Query(ctx, `SELECT unit, happened_at, cause, cost, hours_down FROM breakdown JOIN unit USING (unit) WHERE @depots::text[] IS NULL OR depot = ANY(@depots)
		ORDER BY unit COLLATE "C", happened_at`, pgx.NamedArgs{"depots": depotNames(of)})
	rows.Breakdowns, err = pgx.CollectRows(found, func(row pgx.CollectableRow) (b fleet.Breakdown, err error) {
		var (
			cost  *int64
			hours *float64
		)
		err = row.Scan(&b.Unit, &b.At, &b.Cause, &cost, &hours)
		b.At, b.Cost, b.HoursDown = b.At.UTC(), optMoney(cost), fleet.FromPtr(hours)
		return b, err
	})
	if err != nil {
		return rows, fmt.Errorf("read breakdowns: %w", err)
	}
	return rows, nil
}

// ShelfUse are the parts on the shelves of the depots (nil: all) with what left them to be fitted in the year before a day, and when a piece
// last came and went.
func (db *DB) ShelfUse(ctx context.Context, of []fleet.DepotID, on fleet.Date) ([]fleet.ShelfUse, error) {
	rows, _ := db.pool.Query(ctx, `SELECT depot, part, kind, sum(pieces)::int, (-coalesce(sum(pieces) FILTER (WHERE because = 'fitted' AND moved_at >= @on::date - 365), 0))::int,
			max(moved_at) FILTER (WHERE pieces > 0), max(moved_at) FILTER (WHERE pieces < 0 AND because <> 'counted')
		FROM stock_move JOIN part USING (part) WHERE (@depots::text[] IS NULL OR depot = ANY(@depots)) AND moved_at < @on::date + 1
		GROUP BY depot, part, kind ORDER BY depot COLLATE "C", part COLLATE "C"`, pgx.NamedArgs{"depots": depotNames(of), "on": sqlDate(on)})
	shelves, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s fleet.ShelfUse, err error) {
		var in, out *time.Time
		err = row.Scan(&s.Depot, &s.Part, &s.Kind, &s.OnHand, &s.FittedInYear, &in, &out)
		if in != nil {
			s.LastIn = fleet.Known(fleet.DateOf(*in, time.UTC))
		}
		if out != nil {
			s.LastOut = fleet.Known(fleet.DateOf(*out, time.UTC))
		}
		return s, err
	})
	if err != nil {
		return nil, fmt.Errorf("read how shelves are used: %w", err)
	}
	return shelves, nil
}

// LedgerBooked is when something was booked last; zero: never.
func (db *DB) LedgerBooked(ctx context.Context) (at time.Time, err error) {
	var last *time.Time
	if err := db.pool.QueryRow(ctx, `SELECT (SELECT booked_at FROM ledger_entry ORDER BY entry DESC LIMIT 1)`).Scan(&last); err != nil {
		return at, fmt.Errorf("look up the ledger: %w", err)
	}
	if last != nil {
		at = *last
	}
	return at, nil
}
