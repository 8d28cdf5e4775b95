package store

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
)

// Sessions keeps sign-ins under the SHA-256 of what the browser holds, so that a stolen table opens no door. It is a
// store for scs; a session that is not seen for the idle time ends, and here alone that is decided.
type Sessions struct {
	pool *pgxpool.Pool
	idle time.Duration
}

// Sessions gives the store of sign-ins.
func (db *DB) Sessions(idle time.Duration) *Sessions { return &Sessions{db.pool, idle} }

const (
	findSession = `SELECT data FROM session
	WHERE token_hash = @hash AND expires_at > now() AND seen_at > now() - @idle::interval`
	// A page with its pictures is several requests: once a minute is enough to be seen.
	seeSession = `UPDATE session SET seen_at = now() WHERE token_hash = @hash AND seen_at < now() - interval '1 minute'`
	// Sessions are written at sign-in and sign-out only, which is often enough to sweep out those that ended.
	sweepSessions = `DELETE FROM session WHERE expires_at < now() OR seen_at < now() - @idle::interval`
	putSession    = `INSERT INTO session (token_hash, data, expires_at) VALUES (@hash, @data, @expires_at)
	ON CONFLICT (token_hash) DO UPDATE SET data = excluded.data, seen_at = now(), expires_at = excluded.expires_at`
)

// FindCtx returns what is kept under a token; not found is no error.
func (s *Sessions) FindCtx(ctx context.Context, token string) (data []byte, found bool, err error) {
	hash := sha256.Sum256([]byte(token))
	args := pgx.NamedArgs{"hash": hash[:], "idle": s.idle}
	err = s.pool.QueryRow(ctx, findSession, args).Scan(&data)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil, false, nil
	}
	if err == nil {
		_, err = s.pool.Exec(ctx, seeSession, args)
	}
	if err != nil {
		return nil, false, fmt.Errorf("look up a session: %w", err)
	}
	return data, true, nil
}

// CommitCtx keeps data under a token until expiry.
func (s *Sessions) CommitCtx(ctx context.Context, token string, data []byte, expiry time.Time) error {
	hash := sha256.Sum256([]byte(token))
	args := pgx.NamedArgs{"hash": hash[:], "data": data, "expires_at": expiry, "idle": s.idle}
	for _, statement := range []string{sweepSessions, putSession} {
		if _, err := s.pool.Exec(ctx, statement, args); err != nil {
			return fmt.Errorf("keep a session: %w", err)
		}
	}
	return nil
}

// DeleteCtx ends a session; one that is not there is no error.
func (s *Sessions) DeleteCtx(ctx context.Context, token string) error {
	hash := sha256.Sum256([]byte(token))
	if _, err := s.pool.Exec(ctx, `DELETE FROM session WHERE token_hash = @hash`, pgx.NamedArgs{"hash": hash[:]}); err != nil {
		return fmt.Errorf("end a session: %w", err)
	}
	return nil
}

// Find is FindCtx for callers without a context; scs asks for it and uses the other.
func (s *Sessions) Find(token string) ([]byte, bool, error) {
	return s.FindCtx(context.Background(), token)
}

// Commit is CommitCtx for callers without a context.
func (s *Sessions) Commit(token string, data []byte, expiry time.Time) error {
	return s.CommitCtx(context.Background(), token, data, expiry)
}

// Delete is DeleteCtx for callers without a context.
func (s *Sessions) Delete(token string) error { return s.DeleteCtx(context.Background(), token) }
