package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const listLows = `SELECT depot, dawn, low_c, typed_by FROM typed_low WHERE dawn BETWEEN @from AND @to
	UNION ALL
	SELECT depot, date, min_c, '' FROM day_temp d WHERE date BETWEEN @from AND @to AND min_c IS NOT NULL
	AND NOT EXISTS (SELECT FROM typed_low t WHERE t.depot = d.depot AND t.dawn = d.date)
	ORDER BY 1, 2`

// Lows are the lowest temperatures foreseen for the dawns from one day to another: what was typed in, else what was imported.
func (db *DB) Lows(ctx context.Context, from, to fleet.Date) ([]fleet.Low, error) {
	rows, _ := db.pool.Query(ctx, listLows, pgx.NamedArgs{"from": sqlDate(from), "to": sqlDate(to)})
	lows, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (l fleet.Low, err error) {
		return l, row.Scan(&l.Depot, dateInto(&l.Dawn), &l.C, &l.Typed)
	})
	if err != nil {
		return nil, fmt.Errorf("read the lows of %s to %s: %w", from, to, err)
	}
	return lows, nil
}

const typeLow = `INSERT INTO typed_low (depot, dawn, low_c, typed_by) VALUES (@depot, @dawn, @low, @by)
	ON CONFLICT (depot, dawn) DO UPDATE SET low_c = excluded.low_c, typed_by = excluded.typed_by, typed_at = now()`

// TypeLow keeps a low that a person typed in, in the place of what was typed before.
func (db *DB) TypeLow(ctx context.Context, l fleet.Low) error {
	_, err := db.pool.Exec(ctx, typeLow, pgx.NamedArgs{"depot": string(l.Depot), "dawn": sqlDate(l.Dawn), "low": l.C, "by": l.Typed})
	if err != nil {
		return fmt.Errorf("keep the low of %s at depot %q: %w", l.Dawn, l.Depot, err)
	}
	return nil
}

// ForgetLow takes back what was typed in, so that an imported forecast counts again.
func (db *DB) ForgetLow(ctx context.Context, depot fleet.DepotID, dawn fleet.Date) error {
	_, err := db.pool.Exec(ctx, `DELETE FROM typed_low WHERE depot = @depot AND dawn = @dawn`, pgx.NamedArgs{"depot": string(depot), "dawn": sqlDate(dawn)})
	if err != nil {
		return fmt.Errorf("take back the low of %s at depot %q: %w", dawn, depot, err)
	}
	return nil
}
