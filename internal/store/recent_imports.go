package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const recentImports = `SELECT i.import, i.started_at, i.source, f.file, f.kind, f.row_count, f.taken, f.already_there, f.kept_apart, f.refused
	FROM (SELECT * FROM import ORDER BY import DESC LIMIT @limit) i JOIN import_file f USING (import)
	ORDER BY i.import DESC, f.file`

// RecentImports are the newest imports with their files, newest first; ones that brought no file are left out.
func (db *DB) RecentImports(ctx context.Context, limit int) ([]fleet.Import, error) {
	return db.imports(ctx, recentImports, pgx.NamedArgs{"limit": limit})
}

// imports reads imports with their files; those of one import must follow each other.
func (db *DB) imports(ctx context.Context, query string, args pgx.NamedArgs) ([]fleet.Import, error) {
	var (
		list []fleet.Import
		i    fleet.Import
		f    fleet.FileResult
	)
	rows, _ := db.pool.Query(ctx, query, args)
	_, err := pgx.ForEachRow(rows, []any{
		&i.ID, &i.StartedAt, &i.Source, &f.File, &f.Kind, &f.Rows, &f.Taken, &f.AlreadyThere, &f.KeptApart, &f.Refused,
	}, func() error {
		if len(list) == 0 || list[len(list)-1].ID != i.ID {
			list = append(list, i)
		}
		last := &list[len(list)-1]
		last.Files = append(last.Files, f)
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("list imports: %w", err)
	}
	return list, nil
}

const recentKeptApart = `SELECT file, line, kind, unit, depot, column_name, value, reason, header, fields FROM kept_apart
	WHERE @depots::text[] IS NULL OR depot = ANY(@depots) ORDER BY import DESC, file, line LIMIT @limit`

// RecentKeptApart are rows kept apart, newest import first: of the depots named, or with nil all, also those of which no
// depot is known.
func (db *DB) RecentKeptApart(ctx context.Context, ofDepots []fleet.DepotID, limit int) ([]fleet.KeptRow, error) {
	var names []string
	if ofDepots != nil {
		names = texts(ofDepots)
	}
	rows, _ := db.pool.Query(ctx, recentKeptApart, pgx.NamedArgs{"depots": names, "limit": limit})
	kept, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (k fleet.KeptRow, err error) {
		err = row.Scan(&k.File, &k.Line, &k.Kind, &k.Unit, &k.Depot, &k.Column, &k.Value, &k.Reason, &k.Header, &k.Fields)
		return k, err
	})
	if err != nil {
		return nil, fmt.Errorf("list rows kept apart: %w", err)
	}
	return kept, nil
}
