package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"rimeyard/internal/fleet"
)

// executor is a pool or a transaction.
type executor interface {
	Exec(ctx context.Context, sql string, args ...any) (pgconn.CommandTag, error)
}

// noteChange records what the context's actor does, in the transaction in which it is done.
func noteChange(ctx context.Context, db executor, subject, what string) error {
	_, err := db.Exec(ctx, `INSERT INTO settings_change (by_person, subject, what) VALUES (@by, @subject, @what)`,
		pgx.NamedArgs{"by": fleet.Actor(ctx), "subject": subject, "what": what})
	if err != nil {
		return fmt.Errorf("record a change of %s: %w", subject, err)
	}
	return nil
}

// Changes lists who changed what in the settings, newest first.
func (db *DB) Changes(ctx context.Context, limit int) ([]fleet.Change, error) {
	rows, _ := db.pool.Query(ctx, `SELECT changed_at, by_person, subject, what FROM settings_change ORDER BY change DESC LIMIT @limit`,
		pgx.NamedArgs{"limit": limit})
	changes, err := pgx.CollectRows(rows, pgx.RowToStructByPos[fleet.Change])
	if err != nil {
		return nil, fmt.Errorf("list changes of the settings: %w", err)
	}
	return changes, nil
}

// NoteChange records a change that is kept already and was not recorded with it.
func (db *DB) NoteChange(ctx context.Context, subject, what string) error {
	return noteChange(ctx, db.pool, subject, what)
}

const sentLately = letterHeads + `WHERE sent_at > @since ORDER BY sent_at DESC, letter DESC LIMIT @limit`

// SentLately lists letters handed over after since, newest first. Messages are left empty.
func (db *DB) SentLately(ctx context.Context, since time.Time, limit int) ([]fleet.Letter, error) {
	return db.letters(ctx, sentLately, pgx.NamedArgs{"since": since, "limit": limit})
}
