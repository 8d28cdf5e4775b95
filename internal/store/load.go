package store

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"

	"rimeyard/internal/fleet"
)

// Load takes the rows of several files, one file at a time, on one connection. It is used by one goroutine.
type Load struct {
	conn     *pgxpool.Conn
	dryRun   pgx.Tx // holds all files of a dry run, to be rolled back; nil otherwise
	file     pgx.Tx // the file at hand; nil between files
	source   string // of an import that is recorded with its first file
	importID int64  // 0: not recorded yet

	// Of the file at hand:
	table     loadTable
	mode      mode
	added     int64
	conflicts int64 // rows that differ from those that are there, or notCompared
	rows      copyRows
	pipe      *pipe      // nil: no copy is under way
	done      chan error // one message: how the copy ended
	first     []firstRow // cranks, until one of the ways to load them is taken
	months    monthSet
	weeks     map[fleet.UnitID]weekBits
}

// notCompared is for files all of whose rows were taken: for them no table of conflicts is made.
const notCompared = -1

// StartLoad records an import and takes a connection until Close. A dry run is one transaction that Close rolls back.
func (db *DB) StartLoad(ctx context.Context, source string, dryRun bool) (*Load, error) {
	conn, err := db.pool.Acquire(ctx)
	if err != nil {
		return nil, fmt.Errorf("reach the database: %w", err)
	}
	l := &Load{conn: conn}
	if err := l.start(ctx, source, dryRun); err != nil {
		return nil, errors.Join(fmt.Errorf("record an import: %w", err), l.Close(context.WithoutCancel(ctx)))
	}
	return l, nil
}

func (l *Load) start(ctx context.Context, source string, dryRun bool) (err error) {
	if dryRun {
		if l.dryRun, err = l.conn.Begin(ctx); err != nil {
			return err
		}
		if _, err := l.dryRun.Exec(ctx, lockMergesAlone); err != nil {
			return err
		}
	}
	return l.db().QueryRow(ctx, `INSERT INTO import (source) VALUES ($1) RETURNING import`, source).Scan(&l.importID)
}

// beginner is a querier that can begin a transaction, or one inside it.
type beginner interface {
	querier
	QueryRow(ctx context.Context, sql string, args ...any) pgx.Row
	Begin(ctx context.Context) (pgx.Tx, error)
}

// db is the innermost transaction, or the bare connection.
func (l *Load) db() beginner {
	switch {
	case l.file != nil:
		return l.file
	case l.dryRun != nil:
		return l.dryRun
	}
	return l.conn
}

// Close gives the connection back. A dry run is taken back, and so is a file that was not finished.
func (l *Load) Close(ctx context.Context) (err error) {
	if l.file != nil {
		err = l.DropFile(ctx)
	}
	if l.dryRun != nil {
		err = errors.Join(err, l.dryRun.Rollback(ctx))
	}
	l.conn.Release()
	return err
}

// Depots lists the depots as the load sees them.
func (l *Load) Depots(ctx context.Context) ([]fleet.Depot, error) { return depots(ctx, l.db()) }

// namesOrAll are the keys as SQL wants them; nil, which means all, stays null.
func namesOrAll(of []fleet.UnitID) []string {
	if of == nil {
		return nil
	}
	return unitNames(of)
}

// Units lists these units, nil: all, as the load sees them.
func (l *Load) Units(ctx context.Context, of []fleet.UnitID) ([]fleet.Unit, error) {
	return units(ctx, l.db(), namesOrAll(of))
}

// BatteryFittings lists the fittings of batteries to these units, nil: to all, as the load sees them.
func (l *Load) BatteryFittings(ctx context.Context, of []fleet.UnitID) ([]fleet.BatteryFitting, error) {
	return batteryFittings(ctx, l.db(), namesOrAll(of))
}

// StartFile begins a file's transaction. A file that Add or Merge has found to hold rows that are there is begun again
// with care.
func (l *Load) StartFile(ctx context.Context, kind fleet.Kind, care bool) (err error) {
	l.table, l.mode = tableOf(kind), staging
	l.added, l.conflicts, l.first = 0, notCompared, nil
	l.months, l.weeks = monthSet{seen: map[time.Time]bool{}}, map[fleet.UnitID]weekBits{}
	if l.file, err = l.db().Begin(ctx); err != nil {
		return fmt.Errorf("begin a file: %w", err)
	}
	if kind == fleet.CranksKind && !care {
		l.mode = undecided
		return nil
	}
	return l.stage(ctx)
}

// stage makes the temporary table in which rows wait, and copies into it from now on.
func (l *Load) stage(ctx context.Context) error {
	l.mode = staging
	before := "0::bigint AS line"
	if l.table.kind == fleet.CranksKind {
		before += ", NULL::date AS week"
	}
	create := fmt.Sprintf(`CREATE TEMPORARY TABLE %s ON COMMIT DROP AS SELECT %s, %s FROM %s WITH NO DATA`,
		l.table.staged(), before, l.table.list(""), l.table.name)
	if _, err := l.file.Exec(ctx, create); err != nil {
		return fmt.Errorf("begin a file: %w", err)
	}
	l.copyInto(ctx, fmt.Sprintf("COPY %s FROM STDIN BINARY", l.table.staged()))
	return nil
}

// copyInto begins a copy that runs beside the one who adds rows.
func (l *Load) copyInto(ctx context.Context, sql string) {
	in, done := newPipe(), make(chan error, 1)
	l.pipe, l.done = in, done
	l.rows.buf = append(l.rows.buf[:0], copyStart...)
	pg := l.file.Conn().PgConn()
	go func() {
		_, err := pg.CopyFrom(ctx, in, sql)
		in.stopReading(err)
		done <- err
	}()
}

// copyChunk is how much is gathered before it is handed to the connection.
const copyChunk = 256 << 10

// Add takes a row, which may be overwritten once Add has returned. The error may be fleet.ErrRowsThere: the file must then
// be dropped, and begun again with care.
func (l *Load) Add(ctx context.Context, line int64, row fleet.Row) error {
	l.added++
	crank, isCrank := row.(*fleet.Crank)
	if isCrank {
		l.note(crank)
	}
	switch l.mode {
	case undecided:
		l.first = append(l.first, firstRow{line, *crank})
		if len(l.first) < firstRows {
			return nil
		}
		return l.decide(ctx)
	case direct:
		return l.addDirect(ctx, crank)
	default:
		return l.addStaged(line, row)
	}
}

func (l *Load) addStaged(line int64, row fleet.Row) error {
	l.rows.add(line, row)
	return l.flushIfFull()
}

func (l *Load) flushIfFull() error {
	if len(l.rows.buf) < copyChunk {
		return nil
	}
	if err := l.flush(); err != nil {
		return l.copyFailed(err)
	}
	return nil
}

func (l *Load) flush() (err error) {
	l.rows.buf, err = l.pipe.give(l.rows.buf)
	return err
}

// endCopy waits until all rows are with the server; with a reason, until the copy is given up.
func (l *Load) endCopy(reason error) error {
	if l.pipe == nil {
		return nil
	}
	if reason == nil {
		l.rows.buf = append(l.rows.buf, copyEnd...)
		reason = l.flush()
	}
	l.pipe.end(reason)
	err := <-l.done
	l.pipe = nil
	return err
}

// errDropped ends the copying of a file that is not to be taken.
var errDropped = errors.New("the file was dropped")

// DropFile takes back what was done since StartFile.
func (l *Load) DropFile(ctx context.Context) error {
	if l.file == nil {
		return nil
	}
	_ = l.endCopy(errDropped) // that it did not end well is the point
	err := l.file.Rollback(ctx)
	l.file = nil
	if err != nil {
		return fmt.Errorf("take a file back: %w", err)
	}
	return nil
}

// FinishFile records what became of a file and the rows kept apart, and commits.
func (l *Load) FinishFile(ctx context.Context, result fleet.FileResult, kept iter.Seq2[fleet.KeptRow, error]) (err error) {
	if l.file == nil {
		if l.file, err = l.db().Begin(ctx); err != nil {
			return fmt.Errorf("record a file: %w", err)
		}
	} else if err := l.dropStaged(ctx); err != nil {
		return fmt.Errorf("record a file: %w", err)
	}
	if err := l.recordFile(ctx, result, kept); err != nil {
		return err
	}
	err = l.file.Commit(ctx)
	l.file = nil
	if err != nil {
		return fmt.Errorf("commit a file: %w", err)
	}
	return nil
}

// dropStaged makes room for the next file, which in a dry run comes in the same transaction.
func (l *Load) dropStaged(ctx context.Context) error {
	if l.mode != staging {
		return nil
	}
	tables := l.table.staged()
	if l.conflicts != notCompared {
		tables += ", conflict"
	}
	_, err := l.file.Exec(ctx, "DROP TABLE "+tables)
	return err
}

// pipe hands buffers from the one who fills them to the one who sends them, so that both work at the same time.
type pipe struct {
	full, empty chan []byte
	stopped     chan struct{} // closed when nobody reads any more
	why         error         // of that
	ended       error         // what the reader sees at the end; set before full is closed
	rest, whole []byte
}

func newPipe() *pipe {
	p := &pipe{full: make(chan []byte, 1), empty: make(chan []byte, 2), stopped: make(chan struct{})}
	for range cap(p.empty) {
		p.empty <- make([]byte, 0, copyChunk+copyChunk/4)
	}
	return p
}

// give hands over a full buffer and returns an empty one.
func (p *pipe) give(buf []byte) ([]byte, error) {
	select {
	case p.full <- buf:
	case <-p.stopped:
		return buf[:0], p.stopReason()
	}
	select {
	case next := <-p.empty:
		return next[:0], nil
	case <-p.stopped:
		return nil, p.stopReason()
	}
}

func (p *pipe) stopReason() error {
	if p.why == nil {
		return errors.New("the connection stopped taking rows")
	}
	return p.why
}

// end tells the reader that no more comes: well, or for a reason that spoils what came.
func (p *pipe) end(reason error) {
	p.ended = io.EOF
	if reason != nil {
		p.ended = reason
	}
	close(p.full)
}

func (p *pipe) stopReading(err error) {
	p.why = err
	close(p.stopped)
}

// Read implements io.Reader for the connection's side.
func (p *pipe) Read(to []byte) (int, error) {
	if len(p.rest) == 0 {
		if p.whole != nil {
			p.empty <- p.whole // has room for all buffers there are
			p.whole = nil
		}
		buf, more := <-p.full
		if !more {
			return 0, p.ended
		}
		p.whole, p.rest = buf, buf
	}
	n := copy(to, p.rest)
	p.rest = p.rest[n:]
	return n, nil
}
