package store

import (
	"context"
	"crypto/sha256"
	"fmt"
	"iter"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// recordFile records, in the transaction of the file at hand, what became of it and the rows kept apart.
func (l *Load) recordFile(ctx context.Context, r fleet.FileResult, kept iter.Seq2[fleet.KeptRow, error]) error {
	if err := l.recordImport(ctx); err != nil {
		return fmt.Errorf("record an import: %w", err)
	}
	_, err := l.file.Exec(ctx, `INSERT INTO import_file (import, file, kind, row_count, taken, already_there, kept_apart, refused)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8)`, l.importID, r.File, r.Kind, r.Rows, r.Taken, r.AlreadyThere, r.KeptApart, r.Refused)
	if err != nil {
		return fmt.Errorf("record a file: %w", err)
	}
	if r.KeptApart == 0 {
		return nil
	}
	if err := l.keep(ctx, kept); err != nil {
		return fmt.Errorf("keep rows apart: %w", err)
	}
	return nil
}

// keep stores rows kept apart. A row waits once, however often it is brought: where one of the same kind with the same
// columns and fields waits already, that one now belongs to this import, with its new file, line and reason. One that
// somebody has mended in place or set aside waits no more.
func (l *Load) keep(ctx context.Context, kept iter.Seq2[fleet.KeptRow, error]) error {
	if _, err := l.file.Exec(ctx, `CREATE TEMPORARY TABLE staged_kept ON COMMIT DROP AS SELECT * FROM kept_apart WITH NO DATA`); err != nil {
		return err
	}
	next, stop := iter.Pull2(kept)
	defer stop()
	columns := []string{"import", "file", "line", "kind", "unit", "depot", "column_name", "value", "reason", "header", "fields", "row_digest", "decimal_comma"}
	_, err := l.file.CopyFrom(ctx, pgx.Identifier{"staged_kept"}, columns, pgx.CopyFromFunc(func() ([]any, error) {
		k, err, more := next()
		if !more || err != nil {
			return nil, err
		}
		return []any{l.importID, k.File, k.Line, k.Kind, k.Unit, k.Depot, k.Column, k.Value, k.Reason, k.Header, k.Fields, rowDigest(k), k.DecimalComma}, nil
	}))
	if err != nil {
		return err
	}
	_, err = l.file.Exec(ctx, `INSERT INTO kept_apart SELECT DISTINCT ON (row_digest) * FROM staged_kept s
		WHERE NOT EXISTS (SELECT FROM kept_mended m WHERE m.row_digest = s.row_digest)
			AND NOT EXISTS (SELECT FROM kept_aside a WHERE a.row_digest = s.row_digest)
		ORDER BY row_digest, line
		ON CONFLICT (row_digest) DO UPDATE SET (import, file, line, unit, depot, column_name, value, reason, decimal_comma)
			= (excluded.import, excluded.file, excluded.line, excluded.unit, excluded.depot, excluded.column_name, excluded.value, excluded.reason,
				excluded.decimal_comma)`)
	if err != nil {
		return err
	}
	_, err = l.file.Exec(ctx, `DROP TABLE staged_kept`)
	return err
}

// Settle takes off the list of rows kept apart those that once stood at these places: they were mended, and have been taken.
func (l *Load) Settle(ctx context.Context, places []fleet.KeptRow) error {
	var kinds, files []string
	var lines []int64
	for _, p := range places {
		kinds, files, lines = append(kinds, string(p.Kind)), append(files, p.File), append(lines, p.Line)
	}
	_, err := l.file.Exec(ctx, `DELETE FROM kept_apart k USING unnest($1::text[], $2::text[], $3::bigint[]) AS m (kind, file, line)
		WHERE (k.kind, k.file, k.line) = (m.kind, m.file, m.line)`, kinds, files, lines)
	if err != nil {
		return fmt.Errorf("take mended rows off the list: %w", err)
	}
	return nil
}

// rowDigest tells rows kept apart from each other by what they are, not by where they came from.
func rowDigest(k fleet.KeptRow) []byte {
	h := sha256.New()
	fmt.Fprintf(h, "%q %q %q", k.Kind, k.Header, k.Fields)
	return h.Sum(nil)
}
