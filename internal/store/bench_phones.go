package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const addBenchPhone = `INSERT INTO bench_phone (token_hash, phone, depot, person, fingerprint) VALUES (@hash, @phone, @depot, @person, @fingerprint)
	ON CONFLICT (phone) DO NOTHING`

// AddBenchPhone keeps a phone for the bench under the SHA-256 of its token; false: the name is taken, also by a phone let go.
func (db *DB) AddBenchPhone(ctx context.Context, p fleet.BenchPhone, sha256 [32]byte) (added bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, addBenchPhone, pgx.NamedArgs{
			"hash": sha256[:], "phone": p.Name, "depot": string(p.Depot), "person": p.Person, "fingerprint": p.Fingerprint,
		})
		if err != nil || tag.RowsAffected() == 0 {
			return unknownDepot(err)
		}
		added = true
		return noteChange(ctx, tx, "phone "+p.Name, fmt.Sprintf("kept for the bench of %s", p.Depot))
	})
	if err != nil {
		return false, fmt.Errorf("keep phone %q: %w", p.Name, err)
	}
	return added, nil
}

const benchPhoneColumns = `phone, depot, person, fingerprint, made_at, last_used_at, revoked_at IS NOT NULL`

// BenchPhones lists the phones kept for the bench at the depots (nil: all), newest first, those let go too.
func (db *DB) BenchPhones(ctx context.Context, of []fleet.DepotID) ([]fleet.BenchPhone, error) {
	rows, _ := db.pool.Query(ctx, `SELECT `+benchPhoneColumns+` FROM bench_phone WHERE @of::text[] IS NULL OR depot = ANY(@of)
		ORDER BY made_at DESC, phone`, pgx.NamedArgs{"of": depotNames(of)})
	phones, err := pgx.CollectRows(rows, scanBenchPhone)
	if err != nil {
		return nil, fmt.Errorf("list phones kept for the bench: %w", err)
	}
	return phones, nil
}

// The time of use is for people who look for phones that lie in a drawer; by the minute it costs no write per test.
const (
	useBenchPhone = `UPDATE bench_phone SET last_used_at = now()
	WHERE token_hash = @hash AND (last_used_at IS NULL OR last_used_at < now() - interval '1 minute')`
	benchPhoneByHash = `SELECT ` + benchPhoneColumns + ` FROM bench_phone WHERE token_hash = @hash`
)

// UseBenchPhone looks up a phone by the SHA-256 of its token and notes the time; false: there is none. A phone that was let go is found.
func (db *DB) UseBenchPhone(ctx context.Context, sha256 [32]byte) (fleet.BenchPhone, bool, error) {
	args := pgx.NamedArgs{"hash": sha256[:]}
	rows, _ := db.pool.Query(ctx, benchPhoneByHash, args)
	p, err := pgx.CollectExactlyOneRow(rows, scanBenchPhone)
	if errors.Is(err, pgx.ErrNoRows) {
		return p, false, nil
	}
	if err == nil {
		_, err = db.pool.Exec(ctx, useBenchPhone, args)
	}
	if err != nil {
		return p, false, fmt.Errorf("look up a phone: %w", err)
	}
	return p, true, nil
}

// RevokeBenchPhone lets a phone of these depots (nil: of any) go for good; false: there is none of that name that is kept.
func (db *DB) RevokeBenchPhone(ctx context.Context, name string, of []fleet.DepotID) (found bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, `UPDATE bench_phone SET revoked_at = now()
			WHERE phone = @phone AND revoked_at IS NULL AND (@of::text[] IS NULL OR depot = ANY(@of))`, pgx.NamedArgs{"phone": name, "of": depotNames(of)})
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		found = true
		return noteChange(ctx, tx, "phone "+name, "let go: it opens the bench no more")
	})
	if err != nil {
		return false, fmt.Errorf("let phone %q go: %w", name, err)
	}
	return found, nil
}

func scanBenchPhone(row pgx.CollectableRow) (p fleet.BenchPhone, err error) {
	var used *time.Time
	err = row.Scan(&p.Name, &p.Depot, &p.Person, &p.Fingerprint, &p.MadeAt, &used, &p.Revoked)
	if used != nil {
		p.LastUsedAt = *used
	}
	return p, err
}
