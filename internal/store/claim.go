package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"rimeyard/internal/fleet"
)

const claimColumns = `SELECT claim, c.unit, u.depot, serial, part, part_kind, state, expected, paid, opened_on, decided_on, note, made_by FROM claim c JOIN unit u USING (unit)`

func listClaims(ctx context.Context, q querier, where string, args pgx.NamedArgs) ([]fleet.Claim, error) {
	rows, _ := q.Query(ctx, claimColumns+where+` ORDER BY opened_on DESC, claim DESC`, args)
	claims, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c fleet.Claim, err error) {
		var paid *int64
		err = row.Scan(&c.ID, &c.Unit, &c.Depot, &c.Serial, &c.Part, &c.PartKind, &c.State, &c.Expected, &paid, dateInto(&c.OpenedOn), optDateInto(&c.DecidedOn), &c.Note, &c.By)
		c.Paid = optMoney(paid)
		return c, err
	})
	if err != nil {
		return nil, fmt.Errorf("read claims: %w", err)
	}
	return claims, nil
}

// Claims are the warranty claims of the depots' units (nil: of all), newest first.
func (db *DB) Claims(ctx context.Context, of []fleet.DepotID) ([]fleet.Claim, error) {
	return listClaims(ctx, db.pool, ` WHERE @depots::text[] IS NULL OR u.depot = ANY(@depots)`, pgx.NamedArgs{"depots": depotNames(of)})
}

// OpenClaim opens a claim. fleet.ErrClaimed: there is one already that was not refused.
func (db *DB) OpenClaim(ctx context.Context, c fleet.Claim) (id int64, err error) {
	err = db.pool.QueryRow(ctx, `INSERT INTO claim (unit, serial, part, part_kind, state, expected, opened_on, note, made_by)
		VALUES (@unit, @serial, @part, @kind, @state, @expected, @on, @note, @by) RETURNING claim`, pgx.NamedArgs{
		"unit": string(c.Unit), "serial": c.Serial, "part": c.Part, "kind": string(c.PartKind), "state": c.State, "expected": int64(c.Expected), "on": sqlDate(c.OpenedOn),
		"note": c.Note, "by": c.By,
	}).Scan(&id)
	const uniqueViolation = "23505" // PostgreSQL documentation, appendix A
	if pg, ok := errors.AsType[*pgconn.PgError](err); ok && pg.Code == uniqueViolation {
		err = fleet.ErrClaimed
	}
	if err != nil {
		return 0, fmt.Errorf("open a claim for %s %s: %w", c.PartKind, c.Serial, err)
	}
	return id, nil
}

// DecideClaim brings a claim from one state to another. False: it is not in that state any more.
func (db *DB) DecideClaim(ctx context.Context, c fleet.Claim, from string) (bool, error) {
	tag, err := db.pool.Exec(ctx, `UPDATE claim SET state = @state, paid = @paid, decided_on = @on, note = @note, made_by = @by WHERE claim = @claim AND state = @from`, pgx.NamedArgs{
		"claim": c.ID, "state": c.State, "paid": sqlMoney(c.Paid), "on": sqlOptDate(c.DecidedOn), "note": c.Note, "by": c.By, "from": from,
	})
	if err != nil {
		return false, fmt.Errorf("decide claim %d: %w", c.ID, err)
	}
	return tag.RowsAffected() == 1, nil
}
