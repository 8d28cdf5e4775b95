package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const listDayTemps = `SELECT depot, date, min_c, max_c FROM day_temp ORDER BY depot COLLATE "C", date`

// DayTemps are all days' temperatures by depot, in the order of time; days to come are forecasts.
func (db *DB) DayTemps(ctx context.Context) (map[fleet.DepotID][]fleet.DayTemp, error) {
	byDepot := map[fleet.DepotID][]fleet.DayTemp{}
	var (
		t        fleet.DayTemp
		low, top *float64
	)
	rows, _ := db.pool.Query(ctx, listDayTemps)
	_, err := pgx.ForEachRow(rows, []any{&t.Depot, dateInto(&t.Date), &low, &top}, func() error {
		t.MinC, t.MaxC = fleet.FromPtr(low), fleet.FromPtr(top)
		byDepot[t.Depot] = append(byDepot[t.Depot], t)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("read temperatures: %w", err)
	}
	return byDepot, nil
}

// DepotTemps are one depot's temperatures, in the order of time; days to come are forecasts.
func (db *DB) DepotTemps(ctx context.Context, depot fleet.DepotID) ([]fleet.DayTemp, error) {
	rows, _ := db.pool.Query(ctx, `SELECT depot, date, min_c, max_c FROM day_temp WHERE depot = @depot ORDER BY date`,
		pgx.NamedArgs{"depot": string(depot)})
	days, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (t fleet.DayTemp, err error) {
		var low, top *float64
		err = row.Scan(&t.Depot, dateInto(&t.Date), &low, &top)
		t.MinC, t.MaxC = fleet.FromPtr(low), fleet.FromPtr(top)
		return t, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the temperatures of depot %q: %w", depot, err)
	}
	return days, nil
}
