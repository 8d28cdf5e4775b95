// Package store keeps the fleet in Postgres. All SQL of the product is here, one file per noun, each statement beside
// its function. It speaks in fleet types only and knows neither formulas nor pages.
package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5/pgxpool"
)

// DB is the fleet's database. Its methods are safe for use by several goroutines.
type DB struct {
	pool *pgxpool.Pool
}

// New wraps a pool on a migrated database.
func New(pool *pgxpool.Pool) *DB { return &DB{pool: pool} }

// Open connects to the database at url. Close ends it.
func Open(ctx context.Context, url string) (*DB, error) {
	pool, err := pgxpool.New(ctx, url)
	if err != nil {
		return nil, fmt.Errorf("open database: %w", err)
	}
	return New(pool), nil
}

// Pool is for migrations and the session store, which bring their own statements.
func (db *DB) Pool() *pgxpool.Pool { return db.pool }

// Close waits for connections in use and closes them.
func (db *DB) Close() { db.pool.Close() }

// Alone runs work while no other program does work of the same name on this database; where one does, it returns at once
// and the work is left to that one. The lock goes with the connection, so a killed program holds up nobody.
func (db *DB) Alone(ctx context.Context, name string, work func(context.Context) error) (err error) {
	conn, err := db.pool.Acquire(ctx)
	if err != nil {
		return fmt.Errorf("reach the database: %w", err)
	}
	defer conn.Release()
	var ours bool
	if err := conn.QueryRow(ctx, `SELECT pg_try_advisory_lock(hashtext('rimeyard'), hashtext($1))`, name).Scan(&ours); err != nil {
		return fmt.Errorf("claim the %s: %w", name, err)
	}
	if !ours {
		return nil
	}
	defer func() {
		_, unlockErr := conn.Exec(context.WithoutCancel(ctx), `SELECT pg_advisory_unlock(hashtext('rimeyard'), hashtext($1))`, name)
		err = errors.Join(err, unlockErr)
	}()
	return work(ctx)
}
