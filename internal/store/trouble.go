package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const troubles = `SELECT i.import, i.started_at, i.source, f.file, f.kind, f.row_count, f.taken, f.already_there, f.kept_apart, f.refused
	FROM import i JOIN import_file f USING (import) WHERE i.started_at > @since AND (f.refused <> '' OR f.kept_apart > 0)
	ORDER BY i.import DESC, f.file`

// Troubles are the imports begun after since that have refused files or kept rows apart, newest first, with those files only.
func (db *DB) Troubles(ctx context.Context, since time.Time) ([]fleet.Import, error) {
	return db.imports(ctx, troubles, pgx.NamedArgs{"since": since})
}

const keptApartOf = `SELECT file, line, kind, unit, depot, column_name, value, reason, header, fields, count(*) OVER () FROM kept_apart
	WHERE import = ANY(@imports) AND (@depots::text[] IS NULL OR depot = ANY(@depots)) ORDER BY import DESC, file, line LIMIT @limit`

// KeptApartOf are rows that these imports kept apart, newest import first: of the depots named, or with nil all, also those of which
// no depot is known. all is how many there are, limit or not.
func (db *DB) KeptApartOf(ctx context.Context, imports []int64, ofDepots []fleet.DepotID, limit int) (kept []fleet.KeptRow, all int, err error) {
	var names []string
	if ofDepots != nil {
		names = texts(ofDepots)
	}
	rows, _ := db.pool.Query(ctx, keptApartOf, pgx.NamedArgs{"imports": imports, "depots": names, "limit": limit})
	kept, err = pgx.CollectRows(rows, func(row pgx.CollectableRow) (k fleet.KeptRow, err error) {
		err = row.Scan(&k.File, &k.Line, &k.Kind, &k.Unit, &k.Depot, &k.Column, &k.Value, &k.Reason, &k.Header, &k.Fields, &all)
		return k, err
	})
	if err != nil {
		return nil, 0, fmt.Errorf("list rows kept apart of %d imports: %w", len(imports), err)
	}
	return kept, all, nil
}
