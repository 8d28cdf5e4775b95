package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// KeepLook puts what the look at the fleet of a day found in the place of what was kept, and with it how often units are read by now:
// all or none.
func (db *DB) KeepLook(ctx context.Context, asOf fleet.Date, madeAt time.Time, found []fleet.KeptOddity) error {
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		batch := &pgx.Batch{}
		batch.Queue(`DELETE FROM oddity_look`)
		batch.Queue(`INSERT INTO oddity_look (as_of, made_at) VALUES ($1, $2)`, sqlDate(asOf), madeAt)
		batch.Queue(keepCrankRhythms, sqlDate(asOf), fleet.CranksKind)
		batch.Queue(keepTestRhythms, sqlDate(asOf), fleet.TestsKind)
		for i, o := range found {
			batch.Queue(`INSERT INTO oddity (as_of, place, found_on, kind, unit, other_unit, depot, tester, sentence)
				VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9)`,
				sqlDate(asOf), i+1, sqlDate(o.On), o.Kind, o.Unit, o.OtherUnit, o.Depot, o.Tester, o.Sentence)
		}
		return tx.SendBatch(ctx, batch).Close()
	})
	if err != nil {
		return fmt.Errorf("keep what the look at the fleet found: %w", err)
	}
	return nil
}

// Oddities are what the last look at the fleet found at these depots, in its order; nil depots: at all, and at several at once.
func (db *DB) Oddities(ctx context.Context, of []fleet.DepotID) ([]fleet.KeptOddity, error) {
	rows, _ := db.pool.Query(ctx, `SELECT found_on, kind, unit, other_unit, depot, tester, sentence FROM oddity
		WHERE @of::text[] IS NULL OR depot = ANY(@of) ORDER BY place`, pgx.NamedArgs{"of": depotNames(of)})
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (o fleet.KeptOddity, err error) {
		return o, row.Scan(dateInto(&o.On), &o.Kind, &o.Unit, &o.OtherUnit, &o.Depot, &o.Tester, &o.Sentence)
	})
	if err != nil {
		return nil, fmt.Errorf("read what does not fit: %w", err)
	}
	return list, nil
}

// OdditiesLook is the day of the last look at the fleet, and when it was made; unknown where there was none.
func (db *DB) OdditiesLook(ctx context.Context) (asOf fleet.Opt[fleet.Date], madeAt time.Time, err error) {
	var day fleet.Date
	err = db.pool.QueryRow(ctx, `SELECT as_of, made_at FROM oddity_look`).Scan(dateInto(&day), &madeAt)
	if errors.Is(err, pgx.ErrNoRows) {
		return asOf, madeAt, nil
	}
	if err != nil {
		return asOf, madeAt, fmt.Errorf("look up the last look at the fleet: %w", err)
	}
	return fleet.Known(day), madeAt.UTC(), nil
}
