package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// What one shelf's line is made of: what moved, what is put by, what is ordered, what was last paid, and how long orders took.
const stockLines = `SELECT s.depot, s.part, p.kind, p.name, bool_or(counted), sum(on_hand)::int, sum(reserved)::int, sum(on_order)::int,
		coalesce((SELECT unit_price FROM stock_move m WHERE m.part = s.part AND m.unit_price IS NOT NULL ORDER BY moved_at DESC, move DESC LIMIT 1),
			(SELECT price FROM part_price c WHERE c.part = s.part AND from_date <= @today ORDER BY from_date DESC LIMIT 1)),
		(SELECT round(percentile_cont(0.5) WITHIN GROUP (ORDER BY arrived_on - ordered_on))::int FROM part_order o WHERE o.part = s.part AND arrived_on IS NOT NULL)
	FROM (
		SELECT depot, part, true AS counted, pieces AS on_hand, 0 AS reserved, 0 AS on_order FROM stock_move
		UNION ALL
		SELECT depot, part, false, 0, 0, pieces FROM part_order WHERE arrived_on IS NULL AND cancelled_on IS NULL
		UNION ALL
		SELECT u.depot, part_number, false, 0, pieces, 0 FROM job JOIN unit u USING (unit) WHERE state IN ('reserved', 'on_bench') AND part_number <> '') s
	JOIN part p USING (part) WHERE @depots::text[] IS NULL OR s.depot = ANY(@depots)
	GROUP BY s.depot, s.part, p.kind, p.name ORDER BY s.depot COLLATE "C", p.kind, s.part COLLATE "C"`

// StockLines are the parts on the shelves of the depots (nil: all) as they are today.
func (db *DB) StockLines(ctx context.Context, of []fleet.DepotID, today fleet.Date) ([]fleet.StockLine, error) {
	rows, _ := db.pool.Query(ctx, stockLines, pgx.NamedArgs{"depots": depotNames(of), "today": sqlDate(today)})
	lines, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (l fleet.StockLine, err error) {
		var (
			price *int64
			lead  *int
		)
		err = row.Scan(&l.Depot, &l.Part, &l.Kind, &l.Name, &l.Counted, &l.OnHand, &l.Reserved, &l.OnOrder, &price, &lead)
		l.Price, l.LeadDays = optMoney(price), fleet.FromPtr(lead)
		return l, err
	})
	if err != nil {
		return nil, fmt.Errorf("read what is on the shelves: %w", err)
	}
	return lines, nil
}

// Parts are the part numbers that are known, with what they are and what they cost today.
func (db *DB) Parts(ctx context.Context, today fleet.Date) ([]fleet.PricedPart, error) {
	rows, _ := db.pool.Query(ctx, `SELECT part, kind, name, c.price, c.core_deposit, c.free_months, c.prorata_months FROM part p
		LEFT JOIN LATERAL (SELECT * FROM part_price c WHERE c.part = p.part AND from_date <= @today ORDER BY from_date DESC LIMIT 1) c USING (part)
		ORDER BY kind, part COLLATE "C"`, pgx.NamedArgs{"today": sqlDate(today)})
	parts, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p fleet.PricedPart, err error) {
		var (
			price, deposit *int64
			free, prorata  *int
		)
		err = row.Scan(&p.Part, &p.Kind, &p.Name, &price, &deposit, &free, &prorata)
		p.Price, p.CoreDeposit, p.FreeMonths, p.ProrataMonths = optMoney(price), optMoney(deposit), fleet.FromPtr(free), fleet.FromPtr(prorata)
		return p, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the parts: %w", err)
	}
	return parts, nil
}

const listMoves = `SELECT depot, part, pieces, because, unit_price, moved_at, moved_by, note FROM stock_move
	WHERE depot = @depot AND part = @part ORDER BY moved_at DESC, move DESC LIMIT @limit`

// StockMoves are the newest moves of a part at a depot, newest first.
func (db *DB) StockMoves(ctx context.Context, depot fleet.DepotID, part string, limit int) ([]fleet.StockMove, error) {
	rows, _ := db.pool.Query(ctx, listMoves, pgx.NamedArgs{"depot": string(depot), "part": part, "limit": limit})
	moves, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (m fleet.StockMove, err error) {
		var price *int64
		err = row.Scan(&m.Depot, &m.Part, &m.Pieces, &m.Because, &price, &m.At, &m.By, &m.Note)
		m.UnitPrice = optMoney(price)
		return m, err
	})
	if err != nil {
		return nil, fmt.Errorf("read what moved of part %q at depot %q: %w", part, depot, err)
	}
	return moves, nil
}

const openOrders = `SELECT part_order, depot, part, kind, pieces, ordered_on, expected_on, ordered_by FROM part_order JOIN part USING (part)
	WHERE arrived_on IS NULL AND cancelled_on IS NULL AND (@depots::text[] IS NULL OR depot = ANY(@depots))
	ORDER BY depot COLLATE "C", coalesce(expected_on, 'infinity'::date), part_order`

// OpenOrders are what is on its way to the depots (nil: all), what is expected first before the rest.
func (db *DB) OpenOrders(ctx context.Context, of []fleet.DepotID) ([]fleet.PartOrder, error) {
	rows, _ := db.pool.Query(ctx, openOrders, pgx.NamedArgs{"depots": depotNames(of)})
	orders, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (o fleet.PartOrder, err error) {
		return o, row.Scan(&o.ID, &o.Depot, &o.Part, &o.Kind, &o.Pieces, dateInto(&o.OrderedOn), optDateInto(&o.ExpectedOn), &o.By)
	})
	if err != nil {
		return nil, fmt.Errorf("read what is ordered: %w", err)
	}
	return orders, nil
}

const shelfBatteries = `SELECT serial, depot, part, made_on, came_on, charged_on, t.rest_v, (t.tested_at AT TIME ZONE d.timezone)::date
	FROM shelf_battery b JOIN depot d USING (depot)
	LEFT JOIN LATERAL (SELECT rest_v, tested_at FROM shelf_test t WHERE t.serial = b.serial AND rest_v IS NOT NULL ORDER BY tested_at DESC LIMIT 1) t ON true
	WHERE gone_on IS NULL AND (@depots::text[] IS NULL OR depot = ANY(@depots))
	ORDER BY depot COLLATE "C", coalesce(charged_on, made_on, came_on), serial COLLATE "C"`

// ShelfBatteries are the labelled batteries on the shelves of the depots (nil: all), those that were charged longest ago first.
func (db *DB) ShelfBatteries(ctx context.Context, of []fleet.DepotID) ([]fleet.ShelfBattery, error) {
	rows, _ := db.pool.Query(ctx, shelfBatteries, pgx.NamedArgs{"depots": depotNames(of)})
	batteries, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (b fleet.ShelfBattery, err error) {
		var rest *float64
		err = row.Scan(&b.Serial, &b.Depot, &b.Part, optDateInto(&b.MadeOn), dateInto(&b.CameOn), optDateInto(&b.ChargedOn), &rest, optDateInto(&b.TestedOn))
		b.RestV = fleet.FromPtr(rest)
		return b, err
	})
	if err != nil {
		return nil, fmt.Errorf("read the batteries on the shelves: %w", err)
	}
	return batteries, nil
}
