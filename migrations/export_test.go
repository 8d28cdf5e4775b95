package migrations

import (
	"context"
	"io/fs"

	"github.com/jackc/pgx/v5"
)

// ApplyFrom is Apply with other files, for the tests, which live outside as pgtest imports this package.
func ApplyFrom(ctx context.Context, conn *pgx.Conn, fsys fs.FS) ([]string, error) {
	known, err := load(fsys)
	if err != nil {
		return nil, err
	}
	return apply(ctx, conn, known)
}

// Files are the embedded migrations.
var Files fs.FS = files
