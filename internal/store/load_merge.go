package store

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"rimeyard/internal/fleet"
)

// Merges may go on side by side, as each goes through its keys in one order. Two things need the field to themselves:
// a dry run, which merges several files in one transaction and so in no one order; and making digests, which must not
// miss cranks that another transaction is about to commit into a week it has just digested. The number is arbitrary.
const (
	mergeLock       = "7203481"
	lockMerges      = `SELECT pg_advisory_xact_lock_shared(` + mergeLock + `)`
	lockMergesAlone = `SELECT pg_advisory_xact_lock(` + mergeLock + `)`
	// lockMonths is held by one who makes partitions, and taken after the merge lock.
	lockMonths = `SELECT pg_advisory_xact_lock(7203482)`
)

// mergeMemory is what one sort of a merge or of the digests may use, instead of the 4 MB that are Postgres's default.
const mergeMemory = `SET LOCAL work_mem = '64MB'`

// Merge ends the adding: it moves staged rows into their table. Of rows with one key the first stands: the one that was
// there before, else the one on the lowest line. A row with the key of another and the same values is already there; one
// with other values conflicts, and stays staged for Conflicts. The error may be fleet.ErrRowsThere, as Add's.
func (l *Load) Merge(ctx context.Context) (taken, conflicts int64, err error) {
	if l.mode == undecided {
		if err := l.stageFirst(ctx); err != nil {
			return 0, 0, err
		}
	}
	if err := l.endCopy(nil); err != nil {
		return 0, 0, l.copyFailed(err)
	}
	taken = l.added
	if l.mode == staging {
		if err := l.lockForMerge(ctx); err != nil {
			return 0, 0, fmt.Errorf("merge rows: %w", err)
		}
		if taken, err = l.mergeStaged(ctx); err != nil {
			return 0, 0, fmt.Errorf("merge rows: %w", err)
		}
	}
	if taken > 0 {
		if err := l.markStale(ctx); err != nil {
			return 0, 0, fmt.Errorf("mark weeks to be digested: %w", err)
		}
	}
	if taken == l.added {
		return taken, 0, nil
	}
	tag, err := l.file.Exec(ctx, conflictSQL(l.table))
	if err != nil {
		return 0, 0, fmt.Errorf("compare rows: %w", err)
	}
	l.conflicts = tag.RowsAffected()
	return taken, l.conflicts, nil
}

func (l *Load) lockForMerge(ctx context.Context) error {
	if l.dryRun == nil {
		if _, err := l.file.Exec(ctx, lockMerges); err != nil {
			return err
		}
	}
	if _, err := l.file.Exec(ctx, mergeMemory); err != nil {
		return err
	}
	return l.ensureMonths(ctx)
}

// mergeStaged inserts the staged rows that are not there. Those who merge go through their keys in one order, but one who
// copies straight into the table goes in that of a file: where the server finds that each waits for the other, this one
// has nothing to lose by beginning again.
func (l *Load) mergeStaged(ctx context.Context) (taken int64, err error) {
	const tries = 5
	for try := 1; ; try++ {
		err = pgx.BeginFunc(ctx, l.file, func(tx pgx.Tx) error {
			tag, err := tx.Exec(ctx, mergeSQL(l.table))
			taken = tag.RowsAffected()
			return err
		})
		if try == tries || !hasCode(err, deadlockDetected) {
			return taken, err
		}
	}
}

// The conditions that a load answers; PostgreSQL manual, appendix A.
const (
	uniqueViolation  = "23505"
	deadlockDetected = "40P01"
)

func hasCode(err error, codes ...string) bool {
	pg, ok := errors.AsType[*pgconn.PgError](err)
	return ok && slices.Contains(codes, pg.Code)
}

// mergeSQL inserts in the order of the key, so that two who insert the same rows wait for each other and never deadlock.
// Cranks go week by week, which is an order of keys too, because then the index of one month at a time is at work: of a
// file with two years of a thousand units, the merge takes little more than half the time.
func mergeSQL(t loadTable) string {
	order := t.keyOrder("") + ", line"
	if t.kind == fleet.CranksKind {
		order = "week, " + order
	}
	return fmt.Sprintf(`INSERT INTO %s (%s) SELECT %s FROM %s ORDER BY %s ON CONFLICT DO NOTHING`,
		t.name, t.list(""), t.list(""), t.staged(), order)
}

// conflictSQL finds the staged rows that differ from the row that stands, and in which column first.
func conflictSQL(t loadTable) string {
	var which, ours, theirs strings.Builder
	for _, c := range t.columns {
		if c.key {
			continue
		}
		differs := fmt.Sprintf("WHEN s.%s IS DISTINCT FROM t.%s THEN ", c.name, c.name)
		fmt.Fprintf(&which, "%s'%s' ", differs, c.name)
		fmt.Fprintf(&ours, "%scoalesce(%s, '') ", differs, c.show("s."))
		fmt.Fprintf(&theirs, "%scoalesce(%s, '') ", differs, c.show("t."))
	}
	return fmt.Sprintf(`CREATE TEMPORARY TABLE conflict ON COMMIT DROP AS
		SELECT s.line, CASE %s END AS column_name, CASE %s END AS value, CASE %s END AS there
		FROM %s s JOIN %s t ON %s WHERE (%s) IS DISTINCT FROM (%s)`,
		which.String(), ours.String(), theirs.String(), t.staged(), t.name, t.keyEqual("s.", "t."), t.list("s."), t.list("t."))
}

// Conflicts returns a page of the rows that conflict, on lines above after, in order of lines.
func (l *Load) Conflicts(ctx context.Context, after int64) ([]fleet.KeptRow, error) {
	const page = 5000
	rows, err := l.file.Query(ctx, `SELECT line, column_name, value, there FROM conflict WHERE line > $1 ORDER BY line LIMIT $2`, after, page)
	if err != nil {
		return nil, fmt.Errorf("read rows that conflict: %w", err)
	}
	key := keyInWords(l.table)
	found, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (fleet.KeptRow, error) {
		var k fleet.KeptRow
		var there string
		err := row.Scan(&k.Line, &k.Column, &k.Value, &there)
		if there == "" {
			there = "nothing"
		}
		k.Reason = fmt.Sprintf("a row with the same %s is there already and says %s for %s; the first one stands: leave this row out if it is wrong", key, there, k.Column)
		if amendable(l.table.kind) {
			k.Reason += ", or import with --amend if it tells of a change"
		}
		return k, err
	})
	if err != nil {
		return nil, fmt.Errorf("read rows that conflict: %w", err)
	}
	return found, nil
}

func keyInWords(t loadTable) string {
	var names []string
	for _, c := range t.keyColumns() {
		names = append(names, c.name)
	}
	if last := len(names) - 1; last > 0 {
		return strings.Join(names[:last], ", ") + " and " + names[last]
	}
	return names[0]
}
