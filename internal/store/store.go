// Package store keeps the fleet in Postgres. All SQL of the product is here, one file per noun, each statement beside
// its function. It speaks in fleet types only and knows neither formulas nor pages.
package store

import (
	"context"
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
