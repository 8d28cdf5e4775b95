// Package migrations brings a database to the tables that this program speaks of. The numbered SQL files are embedded,
// run in order, each in its own transaction, forward only; a file is never edited once it is released.
package migrations

import (
	"context"
	"crypto/sha256"
	"embed"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"strings"

	"github.com/jackc/pgx/v5"
)

//go:embed *.sql
var files embed.FS

// ErrNewer means that the database holds a migration that this program does not know.
var ErrNewer = errors.New("the database was made by a newer rimeyard; update this program")

// lockKey is the advisory lock that migrating programs take. Any fixed number will do; these are the bytes of "rimeyard".
const lockKey = 0x72696d6579617264

const createRecord = `CREATE TABLE IF NOT EXISTS schema_migration (
	name       text PRIMARY KEY,
	sha256     text NOT NULL,
	applied_at timestamptz NOT NULL DEFAULT now()
)`

// migration is one file: its name without ".sql", its statements and their hash.
type migration struct{ name, sql, sha256 string }

// Apply runs what the database has not had yet and returns the names of what it ran, in order; none when all was there.
// It holds an advisory lock meanwhile, so of several programs starting at once one migrates and the others wait for it.
// A failing file is rolled back whole; those before it stay. A database that knows more than this program gives
// ErrNewer, and nothing is run then.
func Apply(ctx context.Context, conn *pgx.Conn) (applied []string, err error) {
	known, err := load(files)
	if err != nil {
		return nil, fmt.Errorf("read migrations: %w", err)
	}
	return apply(ctx, conn, known)
}

// Hash identifies the whole set of migrations: two programs with the same hash make the same tables.
func Hash() string {
	known, err := load(files)
	if err != nil {
		panic(err) // the files are embedded: the program was built with names that it cannot order
	}
	h := sha256.New()
	for _, m := range known {
		fmt.Fprintln(h, m.name, m.sha256)
	}
	return hex.EncodeToString(h.Sum(nil))
}

func load(fsys fs.FS) ([]migration, error) {
	names, err := fs.Glob(fsys, "*.sql") // sorted
	if err != nil {
		return nil, err
	}
	known := make([]migration, len(names))
	for i, file := range names {
		if !strings.HasPrefix(file, fmt.Sprintf("%04d_", i+1)) {
			return nil, fmt.Errorf("%s: want number %04d, as no number may be missing or used twice", file, i+1)
		}
		sql, err := fs.ReadFile(fsys, file)
		if err != nil {
			return nil, err
		}
		sum := sha256.Sum256(sql)
		known[i] = migration{strings.TrimSuffix(file, ".sql"), string(sql), hex.EncodeToString(sum[:])}
	}
	return known, nil
}

func apply(ctx context.Context, conn *pgx.Conn, known []migration) (applied []string, err error) {
	if _, err := conn.Exec(ctx, `SELECT pg_advisory_lock($1)`, int64(lockKey)); err != nil {
		return nil, fmt.Errorf("wait for the migration lock: %w", err)
	}
	defer func() { // should this fail, the connection is gone, and the lock with it
		_, _ = conn.Exec(context.WithoutCancel(ctx), `SELECT pg_advisory_unlock($1)`, int64(lockKey))
	}()
	if _, err := conn.Exec(ctx, createRecord); err != nil {
		return nil, fmt.Errorf("create table schema_migration: %w", err)
	}
	pending, err := pendingOf(ctx, conn, known)
	if err != nil {
		return nil, err
	}
	for _, m := range pending {
		if err := run(ctx, conn, m); err != nil {
			return applied, fmt.Errorf("migration %s: %w", m.name, err)
		}
		applied = append(applied, m.name)
	}
	return applied, nil
}

// pendingOf compares what the database has had with what the program knows: the former must be the beginning of the latter.
func pendingOf(ctx context.Context, conn *pgx.Conn, known []migration) ([]migration, error) {
	rows, _ := conn.Query(ctx, `SELECT name, sha256 FROM schema_migration ORDER BY name`)
	had, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (m migration, err error) {
		return m, row.Scan(&m.name, &m.sha256)
	})
	if err != nil {
		return nil, fmt.Errorf("read table schema_migration: %w", err)
	}
	sums := map[string]string{}
	for _, m := range known {
		sums[m.name] = m.sha256
	}
	for i, m := range had {
		switch sum, ok := sums[m.name]; {
		case !ok:
			return nil, fmt.Errorf("migration %s is not known here: %w", m.name, ErrNewer)
		case sum != m.sha256:
			return nil, fmt.Errorf("migration %s was changed after this database had it (SHA-256 %.12s then, %.12s now): "+
				"run the program that made the database, or one released after it", m.name, m.sha256, sum)
		case m.name != known[i].name:
			return nil, fmt.Errorf("the database had migration %s, but not %s before it: restore it from a backup", m.name, known[i].name)
		}
	}
	return known[len(had):], nil
}

func run(ctx context.Context, conn *pgx.Conn, m migration) error {
	return pgx.BeginFunc(ctx, conn, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, m.sql); err != nil {
			return err
		}
		_, err := tx.Exec(ctx, `INSERT INTO schema_migration (name, sha256) VALUES ($1, $2)`, m.name, m.sha256)
		return err
	})
}
