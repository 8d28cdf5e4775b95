package store

import (
	"context"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const recentImports = `SELECT i.import, i.started_at, i.source, f.file, f.kind, f.row_count, f.taken, f.already_there, f.kept_apart, f.refused
	FROM (SELECT * FROM import WHERE EXISTS (SELECT FROM import_file f WHERE f.import = import.import) ORDER BY import DESC LIMIT @limit) i JOIN import_file f USING (import)
	ORDER BY i.import DESC, f.file`

// RecentImports are the newest imports with their files, newest first; ones that brought no file are left out.
func (db *DB) RecentImports(ctx context.Context, limit int) ([]fleet.Import, error) {
	return db.imports(ctx, recentImports, pgx.NamedArgs{"limit": limit})
}

const oneImport = `SELECT i.import, i.started_at, i.source, f.file, f.kind, f.row_count, f.taken, f.already_there, f.kept_apart, f.refused
	FROM import i JOIN import_file f USING (import) WHERE i.import = @import ORDER BY f.file`

// Import is one import with its files; found tells whether there is one of this number that brought a file.
func (db *DB) Import(ctx context.Context, id int64) (i fleet.Import, found bool, err error) {
	list, err := db.imports(ctx, oneImport, pgx.NamedArgs{"import": id})
	if err != nil || len(list) == 0 {
		return i, false, err
	}
	return list[0], true, nil
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
