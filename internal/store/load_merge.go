package store

import (
	"context"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

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

// Merge moves the staged rows into their table. Of rows with one key the first stands: the one that was there before,
// else the one on the lowest line. A row with the key of another and the same values is already there; one with other
// values conflicts, and stays staged for Conflicts.
func (l *Load) Merge(ctx context.Context) (taken, conflicts int64, err error) {
	if err := l.endCopy(nil); err != nil {
		return 0, 0, fmt.Errorf("stage rows: %w", err)
	}
	if err := l.lockForMerge(ctx); err != nil {
		return 0, 0, fmt.Errorf("merge rows: %w", err)
	}
	tag, err := l.file.Exec(ctx, mergeSQL(l.table))
	if err != nil {
		return 0, 0, fmt.Errorf("merge rows: %w", err)
	}
	taken = tag.RowsAffected()
	if l.table.kind == fleet.CranksKind && taken > 0 {
		if _, err := l.file.Exec(ctx, markStale); err != nil {
			return 0, 0, fmt.Errorf("mark weeks to be digested: %w", err)
		}
	}
	var staged int64
	if err := l.file.QueryRow(ctx, "SELECT count(*) FROM "+l.table.staged()).Scan(&staged); err != nil {
		return 0, 0, fmt.Errorf("count rows: %w", err)
	}
	if taken == staged {
		return taken, 0, nil
	}
	tag, err = l.file.Exec(ctx, conflictSQL(l.table))
	if err != nil {
		return 0, 0, fmt.Errorf("compare rows: %w", err)
	}
	return taken, tag.RowsAffected(), nil
}

func (l *Load) lockForMerge(ctx context.Context) error {
	if l.dryRun == nil {
		if _, err := l.file.Exec(ctx, lockMerges); err != nil {
			return err
		}
	}
	// Sorting in 64 MB instead of the default 4 MB halves the time of a merge of a million rows.
	if _, err := l.file.Exec(ctx, `SET LOCAL work_mem = '64MB'`); err != nil {
		return err
	}
	if l.table.kind != fleet.CranksKind {
		return nil
	}
	return l.ensureMonths(ctx)
}

// mergeSQL inserts in the order of the key, so that two who insert the same rows wait for each other and never deadlock.
func mergeSQL(t loadTable) string {
	return fmt.Sprintf(`INSERT INTO %s (%s) SELECT DISTINCT ON (%s) %s FROM %s ORDER BY %s, line ON CONFLICT DO NOTHING`,
		t.name, t.list(""), t.keyOrder(""), t.list(""), t.staged(), t.keyOrder(""))
}

const markStale = `INSERT INTO crank_week_stale (unit, week)
	SELECT DISTINCT unit COLLATE "C", date_trunc('week', cranked_at AT TIME ZONE 'UTC')::date FROM staged_crank ORDER BY 1, 2
	ON CONFLICT DO NOTHING`

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

// ensureMonths makes the partitions that the staged cranks need. A partition is made apart and then attached, because
// that lets others go on reading and writing the months that are there.
func (l *Load) ensureMonths(ctx context.Context) error {
	missing, err := l.missingMonths(ctx)
	if err != nil || len(missing) == 0 {
		return err
	}
	if _, err := l.file.Exec(ctx, lockMonths); err != nil {
		return err
	}
	if missing, err = l.missingMonths(ctx); err != nil { // another may have made them meanwhile
		return err
	}
	for _, month := range missing {
		name := "crank_" + month.Format("2006_01")
		const bound = "2006-01-02 15:04:05Z"
		statements := fmt.Sprintf(`CREATE TABLE %s (LIKE crank INCLUDING DEFAULTS INCLUDING CONSTRAINTS INCLUDING INDEXES);
			ALTER TABLE crank ATTACH PARTITION %s FOR VALUES FROM ('%s') TO ('%s')`,
			name, name, month.Format(bound), month.AddDate(0, 1, 0).Format(bound))
		if _, err := l.file.Exec(ctx, statements); err != nil {
			return fmt.Errorf("make room for cranks of %s: %w", month.Format("2006-01"), err)
		}
	}
	return nil
}

func (l *Load) missingMonths(ctx context.Context) ([]time.Time, error) {
	rows, err := l.file.Query(ctx, `
		WITH month AS (SELECT DISTINCT date_trunc('month', cranked_at AT TIME ZONE 'UTC') AS m FROM staged_crank)
		SELECT m FROM month WHERE NOT EXISTS (
			SELECT FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid
			WHERE inhparent = 'crank'::regclass AND relname = to_char(m, '"crank_"YYYY_MM')) ORDER BY m`)
	if err != nil {
		return nil, err
	}
	return pgx.CollectRows(rows, pgx.RowTo[time.Time])
}
