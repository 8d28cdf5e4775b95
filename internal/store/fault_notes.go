package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const addClassNote = `INSERT INTO class_note (class, notes, changed_at, changed_by) VALUES (@class, @notes, @at, @by)
	ON CONFLICT (class) DO UPDATE SET notes = excluded.notes, changed_at = excluded.changed_at, changed_by = excluded.changed_by`

// KeepClassNote keeps the notes of a class in the place of those before.
func (db *DB) KeepClassNote(ctx context.Context, n fleet.ClassNote) error {
	_, err := db.pool.Exec(ctx, addClassNote, pgx.NamedArgs{"class": n.Class, "notes": n.Notes, "at": n.ChangedAt, "by": n.ChangedBy})
	if err != nil {
		return fmt.Errorf("keep the notes of class %q: %w", n.Class, err)
	}
	return nil
}

// ClassNote are the notes of a class, if there are any.
func (db *DB) ClassNote(ctx context.Context, class string) (n fleet.ClassNote, found bool, err error) {
	rows, _ := db.pool.Query(ctx, `SELECT class, notes, changed_at, changed_by FROM class_note WHERE class = @class`, pgx.NamedArgs{"class": class})
	n, err = pgx.CollectExactlyOneRow(rows, pgx.RowToStructByPos[fleet.ClassNote])
	if errors.Is(err, pgx.ErrNoRows) {
		return n, false, nil
	}
	if err != nil {
		return n, false, fmt.Errorf("read the notes of class %q: %w", class, err)
	}
	return n, true, nil
}

const lastLow = `SELECT depot, dawn, low_c, by FROM (
		SELECT depot, dawn, low_c, typed_by AS by, 0 AS after FROM typed_low
		UNION ALL
		SELECT depot, date, min_c, '', 1 FROM day_temp WHERE min_c IS NOT NULL) AS l
	WHERE depot = @depot AND dawn BETWEEN @from AND @to ORDER BY dawn DESC, after LIMIT 1`

// LastLow is the newest low of a depot within these days: what was typed in, else what was imported.
func (db *DB) LastLow(ctx context.Context, depot fleet.DepotID, from, to fleet.Date) (l fleet.Low, found bool, err error) {
	rows, _ := db.pool.Query(ctx, lastLow, pgx.NamedArgs{"depot": string(depot), "from": sqlDate(from), "to": sqlDate(to)})
	l, err = pgx.CollectExactlyOneRow(rows, func(row pgx.CollectableRow) (l fleet.Low, err error) {
		return l, row.Scan(&l.Depot, dateInto(&l.Dawn), &l.C, &l.Typed)
	})
	if errors.Is(err, pgx.ErrNoRows) {
		return l, false, nil
	}
	if err != nil {
		return l, false, fmt.Errorf("read the last low of depot %q: %w", depot, err)
	}
	return l, true, nil
}
