package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// once runs work in a transaction unless the request was sent before.
func (db *DB) once(ctx context.Context, by, request string, work func(pgx.Tx) error) error {
	return pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		if request != "" {
			tag, err := tx.Exec(ctx, `INSERT INTO stock_request (request) VALUES ($1) ON CONFLICT DO NOTHING`, requestKey(by, request))
			if err != nil || tag.RowsAffected() == 0 {
				return err
			}
		}
		return work(tx)
	})
}

// addPart makes a part known that is not; an empty kind: it must be.
func addPart(ctx context.Context, tx pgx.Tx, part string, kind fleet.Part) error {
	if kind != "" {
		if _, err := tx.Exec(ctx, `INSERT INTO part (part, kind) VALUES ($1, $2) ON CONFLICT DO NOTHING`, part, string(kind)); err != nil {
			return err
		}
	}
	var known bool
	if err := tx.QueryRow(ctx, `SELECT EXISTS (SELECT FROM part WHERE part = $1)`, part).Scan(&known); err != nil {
		return err
	}
	if !known {
		return fleet.Refused("no part is known by the number %s: say what it is", part)
	}
	return nil
}

const addMove = `INSERT INTO stock_move (depot, part, pieces, because, unit_price, moved_at, moved_by, note)
	VALUES (@depot, @part, @pieces, @because, @price, @at, @by, @note)`

func insertMove(ctx context.Context, tx pgx.Tx, m fleet.StockMove) error {
	_, err := tx.Exec(ctx, addMove, pgx.NamedArgs{
		"depot": string(m.Depot), "part": m.Part, "pieces": m.Pieces, "because": string(m.Because), "price": sqlMoney(m.UnitPrice), "at": m.At, "by": m.By, "note": m.Note,
	})
	return err
}

// MoveStock adds a move, and with an order lets that arrive. A request that was sent before changes nothing. The error may be a
// fleet.JobRefusedError: nothing was changed then.
func (db *DB) MoveStock(ctx context.Context, m fleet.StockMove) error {
	err := db.once(ctx, m.By, m.Request, func(tx pgx.Tx) error {
		if err := addPart(ctx, tx, m.Part, m.Kind); err != nil {
			return err
		}
		have, err := lockShelf(ctx, tx, m.Depot, m.Part)
		if err != nil {
			return err
		}
		if m.Pieces < 0 && have+m.Pieces < 0 {
			return fleet.Refused("on the shelf of %s there are only %d of %s, so %d cannot leave it. Count it anew if that is wrong", m.Depot, have, m.Part, -m.Pieces)
		}
		if m.Order != 0 {
			if err := arrive(ctx, tx, m); err != nil {
				return err
			}
		}
		return insertMove(ctx, tx, m)
	})
	if err != nil {
		return fmt.Errorf("move part %q at depot %q: %w", m.Part, m.Depot, err)
	}
	return nil
}

func arrive(ctx context.Context, tx pgx.Tx, m fleet.StockMove) error {
	tag, err := tx.Exec(ctx, `UPDATE part_order SET arrived_on = @today WHERE part_order = @order AND depot = @depot AND part = @part
		AND arrived_on IS NULL AND cancelled_on IS NULL`, pgx.NamedArgs{"today": sqlDate(m.Today), "order": m.Order, "depot": string(m.Depot), "part": m.Part})
	if err == nil && tag.RowsAffected() == 0 {
		return fleet.Refused("order %d is not open any more: somebody has received or cancelled it", m.Order)
	}
	return err
}

// lockShelf holds the shelf of a part until the transaction ends, and returns what lies on it.
func lockShelf(ctx context.Context, tx pgx.Tx, depot fleet.DepotID, part string) (pieces int, err error) {
	args := pgx.NamedArgs{"depot": string(depot), "part": part}
	if _, err := tx.Exec(ctx, holdShelf, args); err != nil {
		return 0, err
	}
	err = tx.QueryRow(ctx, `SELECT coalesce(sum(pieces), 0)::int FROM stock_move WHERE depot = @depot AND part = @part`, args).Scan(&pieces)
	return pieces, err
}

// CountStock notes what was counted: as a move of the difference, and returns that. m.Pieces is what lies there.
func (db *DB) CountStock(ctx context.Context, m fleet.StockMove) (difference int, err error) {
	err = db.once(ctx, m.By, m.Request, func(tx pgx.Tx) error {
		if err := addPart(ctx, tx, m.Part, m.Kind); err != nil {
			return err
		}
		have, err := lockShelf(ctx, tx, m.Depot, m.Part)
		if err != nil {
			return err
		}
		if difference = m.Pieces - have; difference == 0 {
			return nil
		}
		move := m
		move.Pieces, move.Because = difference, fleet.MoveCounted
		return insertMove(ctx, tx, move)
	})
	if err != nil {
		return 0, fmt.Errorf("count part %q at depot %q: %w", m.Part, m.Depot, err)
	}
	return difference, nil
}

const addOrder = `INSERT INTO part_order (depot, part, pieces, ordered_on, expected_on, ordered_by) VALUES (@depot, @part, @pieces, @on, @expected, @by)`

// OrderPart notes that pieces were ordered.
func (db *DB) OrderPart(ctx context.Context, o fleet.PartOrder) error {
	err := db.once(ctx, o.By, o.Request, func(tx pgx.Tx) error {
		if err := addPart(ctx, tx, o.Part, o.Kind); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, addOrder, pgx.NamedArgs{
			"depot": string(o.Depot), "part": o.Part, "pieces": o.Pieces, "on": sqlDate(o.OrderedOn), "expected": sqlOptDate(o.ExpectedOn), "by": o.By,
		})
		return err
	})
	if err != nil {
		return fmt.Errorf("order part %q for depot %q: %w", o.Part, o.Depot, err)
	}
	return nil
}

// CancelOrder notes that pieces will not come; false: the depot has no such open order.
func (db *DB) CancelOrder(ctx context.Context, depot fleet.DepotID, order int64, today fleet.Date) (bool, error) {
	tag, err := db.pool.Exec(ctx, `UPDATE part_order SET cancelled_on = @today WHERE part_order = @order AND depot = @depot AND arrived_on IS NULL AND cancelled_on IS NULL`,
		pgx.NamedArgs{"today": sqlDate(today), "order": order, "depot": string(depot)})
	if err != nil {
		return false, fmt.Errorf("cancel order %d: %w", order, err)
	}
	return tag.RowsAffected() == 1, nil
}

// LabelShelfBattery names one of the pieces on a shelf by its label, so that its age and charge can be followed. A request that was
// sent before changes nothing.
func (db *DB) LabelShelfBattery(ctx context.Context, b fleet.ShelfBattery) error {
	err := db.once(ctx, b.By, b.Request, func(tx pgx.Tx) error {
		have, err := lockShelf(ctx, tx, b.Depot, b.Part)
		if err != nil {
			return err
		}
		var labelled int
		if err := tx.QueryRow(ctx, `SELECT count(*) FROM shelf_battery WHERE depot = $1 AND part = $2 AND gone_on IS NULL`, string(b.Depot), b.Part).Scan(&labelled); err != nil {
			return err
		}
		if labelled >= have {
			return fleet.Refused("every piece of %s on the shelf of %s has its label noted, %d of %d: receive more or count the shelf first", b.Part, b.Depot, labelled, have)
		}
		tag, err := tx.Exec(ctx, `INSERT INTO shelf_battery (serial, depot, part, made_on, came_on, charged_on) VALUES (@serial, @depot, @part, @made, @came, @charged)
			ON CONFLICT (serial) DO UPDATE SET depot = excluded.depot, part = excluded.part, made_on = excluded.made_on, came_on = excluded.came_on,
			charged_on = excluded.charged_on, gone_on = NULL, gone_because = '' WHERE shelf_battery.gone_on IS NOT NULL`, pgx.NamedArgs{
			"serial": b.Serial, "depot": string(b.Depot), "part": b.Part, "made": sqlOptDate(b.MadeOn), "came": sqlDate(b.CameOn), "charged": sqlOptDate(b.ChargedOn),
		})
		if err == nil && tag.RowsAffected() == 0 {
			return fleet.Refused("battery %s is on a shelf already", b.Serial)
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("label a battery on the shelf of %q: %w", b.Depot, err)
	}
	return nil
}

// CareForShelfBattery notes that a battery on a shelf was charged or its rest volts were read; false: the depot's shelf has no such battery.
func (db *DB) CareForShelfBattery(ctx context.Context, depot fleet.DepotID, serial string, charged fleet.Opt[fleet.Date], restV fleet.Opt[float64], at time.Time, by string) (bool, error) {
	found := false
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, `UPDATE shelf_battery SET charged_on = coalesce(@charged, charged_on) WHERE serial = @serial AND depot = @depot AND gone_on IS NULL RETURNING true`,
			pgx.NamedArgs{"charged": sqlOptDate(charged), "serial": serial, "depot": string(depot)}).Scan(&found)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil || !restV.IsKnown() {
			return err
		}
		_, err = tx.Exec(ctx, `INSERT INTO shelf_test (serial, tested_at, rest_v, tested_by) VALUES ($1, $2, $3, $4) ON CONFLICT DO NOTHING`, serial, at, restV.Ptr(), by)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("note what was done to battery %q: %w", serial, err)
	}
	return found, nil
}

// DropShelfBattery takes a labelled battery off its shelf and writes it off; false: the depot's shelf has no such battery.
func (db *DB) DropShelfBattery(ctx context.Context, depot fleet.DepotID, serial string, m fleet.StockMove) (bool, error) {
	found := false
	args := pgx.NamedArgs{"today": sqlDate(m.Today), "serial": serial, "depot": string(depot)}
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, `SELECT part FROM shelf_battery WHERE serial = @serial AND depot = @depot AND gone_on IS NULL`, args).Scan(&m.Part)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		if _, err := lockShelf(ctx, tx, depot, m.Part); err != nil { // so that nobody counts the shelf meanwhile
			return err
		}
		tag, err := tx.Exec(ctx, `UPDATE shelf_battery SET gone_on = @today, gone_because = 'written_off' WHERE serial = @serial AND depot = @depot AND gone_on IS NULL`, args)
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		found, m.Depot, m.Pieces, m.Because = true, depot, -1, fleet.MoveWrittenOff
		return insertMove(ctx, tx, m)
	})
	if err != nil {
		return false, fmt.Errorf("write battery %q off: %w", serial, err)
	}
	return found, nil
}
