package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// PartPrices are the price lists of all parts, each part's newest first.
func (db *DB) PartPrices(ctx context.Context) ([]fleet.PartPrice, error) {
	rows, _ := db.pool.Query(ctx, `SELECT part, kind, name, from_date, price, core_deposit, free_months, prorata_months FROM part_price JOIN part USING (part)
		ORDER BY part COLLATE "C", from_date DESC`)
	prices, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p fleet.PartPrice, err error) {
		var (
			deposit       *int64
			free, prorata *int
		)
		err = row.Scan(&p.Part, &p.Kind, &p.Name, dateInto(&p.From), &p.Price, &deposit, &free, &prorata)
		p.CoreDeposit, p.FreeMonths, p.ProrataMonths = optMoney(deposit), fleet.FromPtr(free), fleet.FromPtr(prorata)
		return p, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the price lists: %w", err)
	}
	return prices, nil
}

const setPrice = `WITH known AS (INSERT INTO part (part, kind, name) VALUES (@part, @kind, @name)
		ON CONFLICT (part) DO UPDATE SET name = CASE WHEN @name = '' THEN part.name ELSE @name END)
	INSERT INTO part_price (part, from_date, price, core_deposit, free_months, prorata_months) VALUES (@part, @from, @price, @deposit, @free, @prorata)
	ON CONFLICT (part, from_date) DO UPDATE SET price = excluded.price, core_deposit = excluded.core_deposit, free_months = excluded.free_months,
	prorata_months = excluded.prorata_months`

// SetPartPrices puts these lines into the price lists, each in the place of what was there for its day, all or none. A part that is not
// known becomes so; one that is keeps its kind.
func (db *DB) SetPartPrices(ctx context.Context, prices []fleet.PartPrice) error {
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		for _, p := range prices { // one after the other: two lines of a part need it to be known only once
			_, err := tx.Exec(ctx, setPrice, pgx.NamedArgs{
				"part": p.Part, "kind": string(p.Kind), "name": p.Name, "from": sqlDate(p.From), "price": int64(p.Price), "deposit": sqlMoney(p.CoreDeposit),
				"free": p.FreeMonths.Ptr(), "prorata": p.ProrataMonths.Ptr(),
			})
			if err != nil {
				return fmt.Errorf("part %s from %s: %w", p.Part, p.From, err)
			}
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("keep the price lists: %w", err)
	}
	return nil
}

// PartsFitted are the part numbers of batteries and starters that are fitted now.
func (db *DB) PartsFitted(ctx context.Context) ([]string, error) {
	rows, _ := db.pool.Query(ctx, `SELECT part FROM (SELECT part FROM battery_fitting WHERE removed_on IS NULL UNION SELECT part FROM starter_fitting WHERE removed_on IS NULL) fitted
		ORDER BY part COLLATE "C"`)
	parts, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("read which parts are fitted: %w", err)
	}
	return parts, nil
}

const partUse = `SELECT part, kind, sum(fitted)::int, (array_agg(price ORDER BY fitted_on DESC NULLS LAST) FILTER (WHERE price IS NOT NULL))[1],
		max(fitted_on) FILTER (WHERE price IS NOT NULL) FROM (
		SELECT part, 'battery' AS kind, (removed_on IS NULL)::int AS fitted, price, fitted_on FROM battery_fitting
		UNION ALL SELECT part, 'starter', (removed_on IS NULL)::int, price, fitted_on FROM starter_fitting) all_fitted
	GROUP BY part, kind ORDER BY part COLLATE "C", kind`

// PartsInUse are all part numbers of fittings, with how many are fitted now and what was last paid.
func (db *DB) PartsInUse(ctx context.Context) ([]fleet.PartUse, error) {
	rows, _ := db.pool.Query(ctx, partUse)
	parts, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p fleet.PartUse, err error) {
		var price *int64
		err = row.Scan(&p.Part, &p.Kind, &p.Fitted, &price, optDateInto(&p.LastOn))
		p.LastPrice = optMoney(price)
		return p, err
	})
	if err != nil {
		return nil, fmt.Errorf("read which parts are in use: %w", err)
	}
	return parts, nil
}
