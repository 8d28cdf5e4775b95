package store

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// Cranks come in by the million, and mostly they are new. So a file of them is copied straight into the table, unless
// some of its first rows are there already. If it then turns out that rows further down are, or that two in the file
// have one key, the server refuses the copy, and the file is read once more and staged as every other kind is. That is
// more than twice as fast as staging all of them, and costs at most one copy where it fails.

// firstRows is how many cranks are looked at before one of the two ways is taken. Shorter files and batches are staged.
const firstRows = 2000

type mode int

const (
	staging mode = iota
	undecided
	direct
)

type firstRow struct {
	line  int64
	crank fleet.Crank
}

// decide takes one of the ways for the rows seen so far and all that follow.
func (l *Load) decide(ctx context.Context) error {
	units, times := make([]string, len(l.first)), make([]time.Time, len(l.first))
	for i, r := range l.first {
		units[i], times[i] = string(r.crank.Unit), r.crank.At
	}
	var there bool
	err := l.file.QueryRow(ctx, `SELECT EXISTS (SELECT FROM unnest($1::text[], $2::timestamptz[]) AS f (unit, cranked_at)
		JOIN crank USING (unit, cranked_at))`, units, times).Scan(&there)
	if err != nil {
		return fmt.Errorf("look for rows that are there: %w", err)
	}
	if there {
		return l.stageFirst(ctx)
	}
	l.mode = direct
	if err := l.lockForMerge(ctx); err != nil {
		return fmt.Errorf("make ready to copy rows: %w", err)
	}
	l.copyDirect(ctx)
	for _, r := range l.first {
		if err := l.addDirect(ctx, &r.crank); err != nil {
			return err
		}
	}
	l.first = nil
	return nil
}

// stageFirst stages the rows seen so far.
func (l *Load) stageFirst(ctx context.Context) error {
	if err := l.stage(ctx); err != nil {
		return err
	}
	for _, r := range l.first {
		if err := l.addStaged(r.line, &r.crank); err != nil {
			return err
		}
	}
	l.first = nil
	return nil
}

func (l *Load) copyDirect(ctx context.Context) {
	l.copyInto(ctx, fmt.Sprintf("COPY crank (%s) FROM STDIN BINARY", l.table.list("")))
}

// addDirect copies a crank into the table itself. Where its month has no partition yet, the copy is interrupted for it.
func (l *Load) addDirect(ctx context.Context, c *fleet.Crank) error {
	if !l.months.ready(c.At) {
		if err := l.endCopy(nil); err != nil {
			return l.copyFailed(err)
		}
		if err := l.ensureMonths(ctx); err != nil {
			return fmt.Errorf("copy rows: %w", err)
		}
		l.copyDirect(ctx)
	}
	l.rows.row(len(l.table.columns))
	l.rows.crank(c)
	return l.flushIfFull()
}

// copyFailed tells rows that are there from all else that may end a copy.
func (l *Load) copyFailed(err error) error {
	if l.mode == direct && hasCode(err, uniqueViolation, deadlockDetected) {
		return fmt.Errorf("copy rows: %w: %w", fleet.ErrRowsThere, err)
	}
	return fmt.Errorf("copy rows: %w", err)
}

// markStale puts the weeks of the file's cranks on the list of those to be digested.
func (l *Load) markStale(ctx context.Context) error {
	const page = 10_000
	units, weeks := make([]string, 0, page), make([]int32, 0, page)
	put := func() error {
		_, err := l.file.Exec(ctx, `INSERT INTO crank_week_stale (unit, week)
			SELECT unit, '1970-01-01'::date + week FROM unnest($1::text[], $2::int[]) AS w (unit, week)
			ON CONFLICT DO NOTHING`, units, weeks)
		units, weeks = units[:0], weeks[:0]
		return err
	}
	for _, unit := range slices.Sorted(maps.Keys(l.weeks)) { // sorted, so that two who mark the same weeks cannot deadlock
		for week := range l.weeks[unit].all {
			units, weeks = append(units, string(unit)), append(weeks, int32(week))
			if len(units) == page {
				if err := put(); err != nil {
					return err
				}
			}
		}
	}
	return put()
}

// weekBits is the set of weeks in which one unit cranked, a bit for each week since the first Monday of 1970.
type weekBits []uint64

const (
	firstMonday = fleet.Date(4)
	daysPerWeek = 7
	wordBits    = 64
)

// add returns the set with the week that begins on monday.
func (w weekBits) add(monday fleet.Date) weekBits {
	n := int(monday-firstMonday) / daysPerWeek
	for len(w) <= n/wordBits {
		w = append(w, 0)
	}
	w[n/wordBits] |= 1 << (n % wordBits)
	return w
}

// all yields the Mondays in order.
func (w weekBits) all(yield func(fleet.Date) bool) {
	for n := range len(w) * wordBits {
		if w[n/wordBits]&(1<<(n%wordBits)) != 0 && !yield(firstMonday+fleet.Date(n*daysPerWeek)) {
			return
		}
	}
}

// note remembers the month and the week of a crank.
func (l *Load) note(c *fleet.Crank) {
	l.months.add(c.At)
	monday := weekOf(c.At)
	old := l.weeks[c.Unit]
	if grown := old.add(monday); len(grown) != len(old) {
		l.weeks[c.Unit] = grown
	}
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
		name := partitionOf(month)
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

func partitionOf(month time.Time) string { return "crank_" + month.Format("2006_01") }

// missingMonths lists the months seen that have no partition, and notes which have.
func (l *Load) missingMonths(ctx context.Context) ([]time.Time, error) {
	if len(l.months.seen) == 0 {
		return nil, nil
	}
	rows, err := l.file.Query(ctx, `SELECT relname FROM pg_inherits JOIN pg_class ON pg_class.oid = inhrelid WHERE inhparent = 'crank'::regclass`)
	if err != nil {
		return nil, err
	}
	there, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, err
	}
	var missing []time.Time
	for _, m := range slices.SortedFunc(maps.Keys(l.months.seen), time.Time.Compare) {
		if !slices.Contains(there, partitionOf(m)) {
			missing = append(missing, m)
		}
		l.months.seen[m] = true // it has one, or is about to get it
	}
	return missing, nil
}

// monthSet gathers the months, in UTC, of cranks.
type monthSet struct {
	seen       map[time.Time]bool // by the month's start: whether there is a partition
	start, end time.Time          // of the latest month: most rows fall into that of the row before
	isReady    bool               // whether the latest month has a partition
}

func (m *monthSet) add(at time.Time) {
	if !at.Before(m.start) && at.Before(m.end) {
		return
	}
	m.start = monthOf(at)
	m.end = m.start.AddDate(0, 1, 0)
	m.isReady = m.seen[m.start]
	m.seen[m.start] = m.isReady
}

// ready tells whether there is a partition for a crank at that instant, whose month was added.
func (m *monthSet) ready(at time.Time) bool {
	if m.isReady && !at.Before(m.start) && at.Before(m.end) {
		return true
	}
	return m.seen[monthOf(at)]
}

func monthOf(at time.Time) time.Time {
	year, month, _ := at.UTC().Date()
	return time.Date(year, month, 1, 0, 0, 0, 0, time.UTC)
}
