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
