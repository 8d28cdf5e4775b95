package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const makeFeed = `INSERT INTO calendar_feed (person, token_hash) VALUES (@person, @hash)
	ON CONFLICT (person) DO UPDATE SET token_hash = excluded.token_hash, made_at = now(), last_used_at = NULL`

// MakeFeed lets calendar programs read what the person may see under a token of that SHA-256, and no longer under the one before.
func (db *DB) MakeFeed(ctx context.Context, person string, sha256 [32]byte) error {
	return db.changeFeed(ctx, makeFeed, person, sha256, "calendar feed: a new address, the one before is ended")
}

// EndFeed ends the person's feed; without one it does nothing.
func (db *DB) EndFeed(ctx context.Context, person string) error {
	return db.changeFeed(ctx, `DELETE FROM calendar_feed WHERE person = @person`, person, [32]byte{}, "calendar feed: ended")
}

func (db *DB) changeFeed(ctx context.Context, change, person string, sha256 [32]byte, what string) error {
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, change, pgx.NamedArgs{"person": person, "hash": sha256[:]})
		if err != nil || tag.RowsAffected() == 0 {
			return err
		}
		return noteChange(ctx, tx, "person "+person, what)
	})
	if err != nil {
		return fmt.Errorf("change the calendar feed of %q: %w", person, err)
	}
	return nil
}

// Feed finds the person's feed; false: there is none.
func (db *DB) Feed(ctx context.Context, person string) (f fleet.Feed, found bool, err error) {
	var used *time.Time
	err = db.pool.QueryRow(ctx, `SELECT made_at, last_used_at FROM calendar_feed WHERE person = @person`, pgx.NamedArgs{"person": person}).Scan(&f.MadeAt, &used)
	if errors.Is(err, pgx.ErrNoRows) {
		return f, false, nil
	}
	if err != nil {
		return f, false, fmt.Errorf("read the calendar feed of %q: %w", person, err)
	}
	if used != nil {
		f.LastUsedAt = *used
	}
	return f, true, nil
}

// The time of use is for people who look for stale feeds; by the hour it costs hardly a write.
const useFeed = `UPDATE calendar_feed SET last_used_at = now() WHERE token_hash = @hash AND (last_used_at IS NULL OR last_used_at < now() - interval '1 hour')`

// UseFeed finds whose feed has a token of that SHA-256 and notes the time; false: nobody's who may sign in.
func (db *DB) UseFeed(ctx context.Context, sha256 [32]byte) (fleet.Person, bool, error) {
	args, name := pgx.NamedArgs{"hash": sha256[:]}, ""
	err := db.pool.QueryRow(ctx, `SELECT person FROM calendar_feed WHERE token_hash = @hash`, args).Scan(&name)
	if errors.Is(err, pgx.ErrNoRows) {
		return fleet.Person{}, false, nil
	}
	if err == nil {
		_, err = db.pool.Exec(ctx, useFeed, args)
	}
	if err != nil {
		return fleet.Person{}, false, fmt.Errorf("look up a calendar feed: %w", err)
	}
	p, found, err := db.Person(ctx, name)
	return p, found && !p.Disabled, err
}
