package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const addToken = `INSERT INTO token (token_hash, name, use, depot) VALUES (@hash, @name, @use, nullif(@depot, ''))
	ON CONFLICT (name) DO NOTHING`

// AddToken keeps a new token under the SHA-256 of its text; false: the name is taken, also by a revoked one.
func (db *DB) AddToken(ctx context.Context, t fleet.Token, sha256 [32]byte) (added bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, addToken, pgx.NamedArgs{
			"hash": sha256[:], "name": t.Name, "use": string(t.Use), "depot": string(t.Depot),
		})
		if err != nil || tag.RowsAffected() == 0 {
			return unknownDepot(err)
		}
		added = true
		of := "all depots"
		if t.Depot != "" {
			of = string(t.Depot)
		}
		return noteChange(ctx, tx, "token "+t.Name, fmt.Sprintf("added for %s of %s", t.Use, of))
	})
	if err != nil {
		return false, fmt.Errorf("add token %q: %w", t.Name, err)
	}
	return added, nil
}

const tokenColumns = `name, use, coalesce(depot, ''), created_at, last_used_at, revoked_at IS NOT NULL`

// Tokens lists all tokens by name, revoked ones too.
func (db *DB) Tokens(ctx context.Context) ([]fleet.Token, error) {
	rows, _ := db.pool.Query(ctx, `SELECT `+tokenColumns+` FROM token ORDER BY name`)
	tokens, err := pgx.CollectRows(rows, scanToken)
	if err != nil {
		return nil, fmt.Errorf("list tokens: %w", err)
	}
	return tokens, nil
}

// The time of use is for people who look for stale tokens; by the minute it costs no write per batch.
const (
	useToken = `UPDATE token SET last_used_at = now()
	WHERE token_hash = @hash AND (last_used_at IS NULL OR last_used_at < now() - interval '1 minute')`
	tokenByHash = `SELECT ` + tokenColumns + ` FROM token WHERE token_hash = @hash AND revoked_at IS NULL`
)

// UseToken looks up a token by the SHA-256 of its text and notes the time; false: there is none, or it is revoked.
func (db *DB) UseToken(ctx context.Context, sha256 [32]byte) (fleet.Token, bool, error) {
	args := pgx.NamedArgs{"hash": sha256[:]}
	rows, _ := db.pool.Query(ctx, tokenByHash, args)
	t, err := pgx.CollectExactlyOneRow(rows, scanToken)
	if errors.Is(err, pgx.ErrNoRows) {
		return fleet.Token{}, false, nil
	}
	if err == nil {
		_, err = db.pool.Exec(ctx, useToken, args)
	}
	if err != nil {
		return fleet.Token{}, false, fmt.Errorf("look up a token: %w", err)
	}
	return t, true, nil
}

// RevokeToken ends a token for good; false: there is none of that name.
func (db *DB) RevokeToken(ctx context.Context, name string) (found bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		args := pgx.NamedArgs{"name": name}
		tag, err := tx.Exec(ctx, `UPDATE token SET revoked_at = now() WHERE name = @name AND revoked_at IS NULL`, args)
		if err != nil {
			return err
		}
		if tag.RowsAffected() > 0 {
			found = true
			return noteChange(ctx, tx, "token "+name, "revoked")
		}
		return tx.QueryRow(ctx, `SELECT EXISTS (SELECT 1 FROM token WHERE name = @name)`, args).Scan(&found)
	})
	if err != nil {
		return false, fmt.Errorf("revoke token %q: %w", name, err)
	}
	return found, nil
}

func scanToken(row pgx.CollectableRow) (t fleet.Token, err error) {
	var used *time.Time
	err = row.Scan(&t.Name, &t.Use, &t.Depot, &t.CreatedAt, &used, &t.Revoked)
	if used != nil {
		t.LastUsedAt = *used
	}
	return t, err
}
