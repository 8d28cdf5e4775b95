package store

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const keptColumns = `encode(row_digest, 'hex'), import, file, line, kind, unit, depot, column_name, value, reason, header, fields`

// keptWhere narrows kept_apart by a fleet.KeptFilter.
const keptWhere = ` WHERE (@of::text[] IS NULL OR depot = ANY(@of)) AND (@depot = '' OR depot = @depot) AND (@kind = '' OR kind = @kind)
	AND (@file = '' OR file = @file) AND (@import = 0 OR import = @import) AND (@column = '' OR column_name = @column)
	AND (@reason = '' OR reason = @reason) AND (@value::text IS NULL OR value = @value)
	AND (@with = '' OR EXISTS (SELECT FROM unnest(header, fields) AS f (name, held)
		WHERE lower(btrim(f.name)) = lower(btrim(@with)) AND btrim(f.held) = btrim(@is)))
	AND (@after = '' OR row_digest > decode(@after, 'hex'))`

func keptArgs(f fleet.KeptFilter) pgx.NamedArgs {
	args := pgx.NamedArgs{
		"of": depotNames(f.Of), "depot": string(f.Depot), "kind": string(f.Kind), "file": f.File, "import": f.Import, "column": f.Column,
		"reason": f.Reason, "value": f.Value, "with": f.With, "is": f.Is, "after": f.After, "limit": nil, "offset": f.Offset,
	}
	if f.Limit > 0 {
		args["limit"] = f.Limit
	}
	return args
}

// KeptApart lists the rows that wait to be mended.
func (db *DB) KeptApart(ctx context.Context, f fleet.KeptFilter) ([]fleet.KeptRow, error) {
	order := ` ORDER BY import DESC, file, line`
	if f.ByKey {
		order = ` ORDER BY row_digest`
	}
	rows, _ := db.pool.Query(ctx, `SELECT `+keptColumns+`, decimal_comma FROM kept_apart`+keptWhere+order+` LIMIT @limit OFFSET @offset`, keptArgs(f))
	kept, err := pgx.CollectRows(rows, scanKept)
	if err != nil {
		return nil, fmt.Errorf("list rows kept apart: %w", err)
	}
	return kept, nil
}

func scanKept(row pgx.CollectableRow) (k fleet.KeptRow, err error) {
	return k, row.Scan(append(keptInto(&k), &k.DecimalComma)...)
}

func keptInto(k *fleet.KeptRow) []any {
	return []any{&k.Key, &k.Import, &k.File, &k.Line, &k.Kind, &k.Unit, &k.Depot, &k.Column, &k.Value, &k.Reason, &k.Header, &k.Fields}
}

// CountKept counts the rows that wait to be mended.
func (db *DB) CountKept(ctx context.Context, f fleet.KeptFilter) (n int64, err error) {
	if err := db.pool.QueryRow(ctx, `SELECT count(*) FROM kept_apart`+keptWhere, keptArgs(f)).Scan(&n); err != nil {
		return 0, fmt.Errorf("count rows kept apart: %w", err)
	}
	return n, nil
}

// KeptAlike groups the rows that wait by kind, column, value and reason, the largest groups first.
func (db *DB) KeptAlike(ctx context.Context, f fleet.KeptFilter) ([]fleet.KeptAlike, error) {
	rows, _ := db.pool.Query(ctx, `SELECT kind, column_name, value, reason, count(*) FROM kept_apart`+keptWhere+`
		GROUP BY kind, column_name, value, reason ORDER BY count(*) DESC, kind, column_name, value, reason LIMIT @limit`, keptArgs(f))
	groups, err := pgx.CollectRows(rows, pgx.RowToStructByPos[fleet.KeptAlike])
	if err != nil {
		return nil, fmt.Errorf("group rows kept apart: %w", err)
	}
	return groups, nil
}

// KeptFiles lists the files of which rows wait, newest import first.
func (db *DB) KeptFiles(ctx context.Context, f fleet.KeptFilter) ([]string, error) {
	rows, _ := db.pool.Query(ctx, `SELECT file FROM kept_apart`+keptWhere+` GROUP BY file ORDER BY max(import) DESC, file LIMIT @limit`, keptArgs(f))
	files, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("list files of which rows are kept apart: %w", err)
	}
	return files, nil
}

// KeptRow is the row of this key, if it still waits and is of these depots; nil depots: of any.
func (db *DB) KeptRow(ctx context.Context, key string, of []fleet.DepotID) (k fleet.KeptRow, found bool, err error) {
	rows, _ := db.pool.Query(ctx, `SELECT `+keptColumns+`, decimal_comma FROM kept_apart
		WHERE row_digest = decode(@key, 'hex') AND (@of::text[] IS NULL OR depot = ANY(@of))`, keyArgs(key, of))
	k, err = pgx.CollectExactlyOneRow(rows, scanKept)
	if errors.Is(err, pgx.ErrNoRows) {
		return k, false, nil
	}
	if err != nil {
		return k, false, fmt.Errorf("look up a row kept apart: %w", err)
	}
	return k, true, nil
}

func keyArgs(key string, of []fleet.DepotID) pgx.NamedArgs {
	return pgx.NamedArgs{"key": key, "of": depotNames(of)}
}

// SetAside takes a row of these depots off the list for good, with a note why. It is false where the row no longer waits.
func (db *DB) SetAside(ctx context.Context, key string, of []fleet.DepotID, person, note string) (bool, error) {
	args := keyArgs(key, of)
	args["person"], args["note"] = person, note
	tag, err := db.pool.Exec(ctx, `WITH gone AS (DELETE FROM kept_apart WHERE row_digest = decode(@key, 'hex')
			AND (@of::text[] IS NULL OR depot = ANY(@of)) RETURNING *)
		INSERT INTO kept_aside (row_digest, import, file, line, kind, unit, depot, column_name, value, reason, header, fields, decimal_comma, note, person)
		SELECT row_digest, import, file, line, kind, unit, depot, column_name, value, reason, header, fields, decimal_comma, @note, @person FROM gone
		ON CONFLICT (row_digest) DO NOTHING`, args)
	if err != nil {
		return false, fmt.Errorf("set a row aside: %w", err)
	}
	return tag.RowsAffected() == 1, nil
}

// PutBack lets a row of these depots that was set aside wait again. It is false where no such row is set aside.
func (db *DB) PutBack(ctx context.Context, key string, of []fleet.DepotID) (bool, error) {
	tag, err := db.pool.Exec(ctx, `WITH back AS (DELETE FROM kept_aside WHERE row_digest = decode(@key, 'hex')
			AND (@of::text[] IS NULL OR depot = ANY(@of)) RETURNING *)
		INSERT INTO kept_apart (import, file, line, kind, unit, depot, column_name, value, reason, header, fields, row_digest, decimal_comma)
		SELECT import, file, line, kind, unit, depot, column_name, value, reason, header, fields, row_digest, decimal_comma FROM back
		ON CONFLICT (row_digest) DO NOTHING`, keyArgs(key, of))
	if err != nil {
		return false, fmt.Errorf("put a row back: %w", err)
	}
	return tag.RowsAffected() == 1, nil
}

// settledRows are the rows mended and those set aside, newest first.
const settledRows = `SELECT ` + keptColumns + `, false, '', mended_header, mended_fields, person, mended_at AS at FROM kept_mended` + settledWhere + `
	UNION ALL
	SELECT ` + keptColumns + `, true, note, NULL, NULL, person, aside_at FROM kept_aside` + settledWhere + `
	ORDER BY at DESC, file, line LIMIT @limit`

const settledWhere = ` WHERE (@of::text[] IS NULL OR depot = ANY(@of)) AND (@key = '' OR row_digest = decode(@key, 'hex'))`

// SettledRows are the rows of these depots that were mended in place or set aside, newest first; with a key, only those of it.
func (db *DB) SettledRows(ctx context.Context, key string, of []fleet.DepotID, limit int) ([]fleet.SettledRow, error) {
	args := keyArgs(key, of)
	args["limit"] = limit
	rows, _ := db.pool.Query(ctx, settledRows, args)
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s fleet.SettledRow, err error) {
		err = row.Scan(append(keptInto(&s.KeptRow), &s.Aside, &s.Note, &s.MendedHeader, &s.MendedFields, &s.Person, &s.At)...)
		return s, err
	})
	if err != nil {
		return nil, fmt.Errorf("list rows that were settled: %w", err)
	}
	return list, nil
}

// StartMend takes a connection for mended rows. The import is recorded with its first file: what is not taken leaves no trace.
func (db *DB) StartMend(ctx context.Context, source string) (*Load, error) {
	conn, err := db.pool.Acquire(ctx)
	if err != nil {
		return nil, fmt.Errorf("reach the database: %w", err)
	}
	return &Load{conn: conn, source: source}, nil
}

// recordImport records, with its first file, an import that is not recorded yet.
func (l *Load) recordImport(ctx context.Context) error {
	if l.importID != 0 {
		return nil
	}
	return l.file.QueryRow(ctx, `INSERT INTO import (source) VALUES ($1) RETURNING import`, l.source).Scan(&l.importID)
}

// ClaimKept locks the rows of these keys that still wait until the file ends. Of two who claim a row, the second waits until
// the first has taken it or not. In the order of keys, as those who keep rows apart go, so that nobody deadlocks.
func (l *Load) ClaimKept(ctx context.Context, keys []string) (map[string]bool, error) {
	digests, err := digestsOf(keys)
	if err != nil {
		return nil, err
	}
	rows, _ := l.file.Query(ctx, `SELECT encode(row_digest, 'hex') FROM kept_apart WHERE row_digest = ANY($1) ORDER BY row_digest FOR UPDATE`, digests)
	found, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("claim rows kept apart: %w", err)
	}
	waiting := make(map[string]bool, len(found))
	for _, key := range found {
		waiting[key] = true
	}
	return waiting, nil
}

func digestsOf(keys []string) ([][]byte, error) {
	digests := make([][]byte, len(keys))
	for i, key := range keys {
		var err error
		if digests[i], err = hex.DecodeString(key); err != nil {
			return nil, fmt.Errorf("row %q: %w", key, err)
		}
	}
	return digests, nil
}

// SettleKept takes claimed rows off the list and writes down what stood in them, what was taken instead, and who mended them.
func (l *Load) SettleKept(ctx context.Context, person string, mends []fleet.Mend) error {
	if err := l.recordImport(ctx); err != nil {
		return fmt.Errorf("record an import: %w", err)
	}
	batch := &pgx.Batch{}
	for _, m := range mends {
		batch.Queue(`WITH gone AS (DELETE FROM kept_apart WHERE row_digest = decode(@key, 'hex') RETURNING *)
			INSERT INTO kept_mended (import, row_digest, file, line, kind, unit, depot, column_name, value, reason, header, fields,
				mended_header, mended_fields, person)
			SELECT @import, row_digest, file, line, kind, unit, depot, column_name, value, reason, header, fields, @header, @mended, @person FROM gone`,
			pgx.NamedArgs{"key": m.Row.Key, "import": l.importID, "header": m.Header, "mended": m.Fields, "person": person})
	}
	if err := l.file.SendBatch(ctx, batch).Close(); err != nil {
		return fmt.Errorf("take mended rows off the list: %w", err)
	}
	return nil
}
