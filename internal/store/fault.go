package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgtype"

	"rimeyard/internal/fleet"
)

// Of one unit one search is open at a time, which the index fault_search_open holds.
const (
	addFault = `INSERT INTO fault_search (unit, depot, session, step, started_at, started_by, changed_at, changed_by, finding)
	VALUES (nullif(@unit, ''), CASE WHEN @unit = '' THEN nullif(@depot, '') END, @begun, @step, @at, @by, @at, @by, @finding)
	ON CONFLICT (unit) WHERE ended_at IS NULL DO NOTHING RETURNING search`
	addFaultAnswers = `INSERT INTO fault_answer (search, step, checked, answer, value, said_by, said_at)
	VALUES (@search, @step, @check, @answer, @value, @by, @at)`
)

// StartFault keeps a new search with the answers that it begins with; ID, Step and times of change are given to it. Where one of the
// unit is open already, started is false, nothing is kept, and id is that one.
func (db *DB) StartFault(ctx context.Context, f fleet.FaultSearch) (id int64, started bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		err := tx.QueryRow(ctx, addFault, pgx.NamedArgs{
			"unit": string(f.Unit), "depot": string(f.Depot), "begun": f.Begun, "step": len(f.Answers), "at": f.StartedAt, "by": f.StartedBy,
			"finding": jsonOrNull(f.Finding),
		}).Scan(&id)
		if errors.Is(err, pgx.ErrNoRows) {
			return tx.QueryRow(ctx, `SELECT search FROM fault_search WHERE unit = @unit AND ended_at IS NULL`, pgx.NamedArgs{"unit": string(f.Unit)}).Scan(&id)
		}
		if err != nil {
			return unknownDepot(err)
		}
		started = true
		for i, a := range f.Answers {
			if _, err := tx.Exec(ctx, addFaultAnswers, answerArgs(id, i+1, a)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return 0, false, fmt.Errorf("keep a new search for a fault: %w", err)
	}
	return id, started, nil
}

func answerArgs(search int64, step int, a fleet.FaultAnswer) pgx.NamedArgs {
	return pgx.NamedArgs{"search": search, "step": step, "check": a.Check, "answer": a.Answer, "value": a.Value.Ptr(), "by": a.By, "at": a.At}
}

func jsonOrNull(b []byte) any {
	if len(b) == 0 {
		return nil
	}
	return b
}

const faultColumns = `s.search, coalesce(s.unit, ''), coalesce(u.depot, s.depot, ''), s.session, s.step, s.started_at, s.started_by, s.changed_at,
	s.changed_by, s.ended_at, s.ended_by, s.finding, coalesce(s.job, 0)`

// A search is its unit's depot's; one of a vehicle that is not recorded has a depot of its own, or is of those who see all.
const faultFrom = ` FROM fault_search s LEFT JOIN unit u USING (unit) WHERE (@of::text[] IS NULL OR coalesce(u.depot, s.depot) = ANY(@of))`

func scanFault(row pgx.CollectableRow) (f fleet.FaultSearch, err error) {
	var ended pgtype.Timestamptz
	err = row.Scan(&f.ID, &f.Unit, &f.Depot, &f.Begun, &f.Step, &f.StartedAt, &f.StartedBy, &f.ChangedAt, &f.ChangedBy, &ended, &f.EndedBy, &f.Finding, &f.Job)
	f.EndedAt = ended.Time
	return f, err
}

// Fault is the search with this number and its answers, if it is of these depots; nil: of any.
func (db *DB) Fault(ctx context.Context, id int64, of []fleet.DepotID) (f fleet.FaultSearch, found bool, err error) {
	// Both are read as of one moment: an answer without its step would be given twice.
	err = pgx.BeginTxFunc(ctx, db.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead, AccessMode: pgx.ReadOnly}, func(tx pgx.Tx) error {
		args := pgx.NamedArgs{"search": id, "of": depotNames(of)}
		rows, _ := tx.Query(ctx, `SELECT `+faultColumns+faultFrom+` AND s.search = @search`, args)
		f, err = pgx.CollectExactlyOneRow(rows, scanFault)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		found = true
		rows, _ = tx.Query(ctx, `SELECT step, checked, answer, value, said_by, said_at, taken_back_at, taken_back_by FROM fault_answer
			WHERE search = @search ORDER BY step`, args)
		f.Answers, err = pgx.CollectRows(rows, scanFaultAnswer)
		return err
	})
	if err != nil {
		return f, false, fmt.Errorf("read search %d: %w", id, err)
	}
	return f, found, nil
}

func scanFaultAnswer(row pgx.CollectableRow) (a fleet.FaultAnswer, err error) {
	var value *float64
	var back pgtype.Timestamptz
	err = row.Scan(&a.Step, &a.Check, &a.Answer, &value, &a.By, &a.At, &back, &a.TakenBackBy)
	a.Value, a.TakenBackAt = fleet.FromPtr(value), back.Time
	return a, err
}

// Faults lists searches without their answers: open ones by their last change, then the others by their end, newest first.
func (db *DB) Faults(ctx context.Context, f fleet.FaultFilter) ([]fleet.FaultSearch, error) {
	args := pgx.NamedArgs{"of": depotNames(f.Of), "unit": string(f.Unit), "open": f.Open.Ptr(), "found": f.Found, "limit": nil}
	if f.Limit > 0 {
		args["limit"] = f.Limit
	}
	rows, _ := db.pool.Query(ctx, `SELECT `+faultColumns+faultFrom+` AND (@unit = '' OR s.unit = @unit)
		AND (@open::boolean IS NULL OR (s.ended_at IS NULL) = @open) AND (NOT @found OR s.finding IS NOT NULL)
		ORDER BY s.ended_at IS NULL DESC, coalesce(s.ended_at, s.changed_at) DESC, s.search DESC LIMIT @limit`, args)
	list, err := pgx.CollectRows(rows, scanFault)
	if err != nil {
		return nil, fmt.Errorf("list searches for faults: %w", err)
	}
	return list, nil
}

// An open search is changed only by whoever saw its newest step.
const addFaultAnswer = `WITH moved AS (UPDATE fault_search SET step = step + 1, changed_at = @at, changed_by = @by, finding = @finding
		WHERE search = @search AND step = @seen AND ended_at IS NULL RETURNING search, step)
	INSERT INTO fault_answer (search, step, checked, answer, value, said_by, said_at)
	SELECT search, step, @check, @answer, @value::float8, @said_by, @at FROM moved`

func changeArgs(c fleet.FaultChange) pgx.NamedArgs {
	return pgx.NamedArgs{"search": c.Search, "seen": c.Step, "by": c.By, "at": c.At, "finding": jsonOrNull(c.Finding)}
}

// AnswerFault adds an answer; false: the search has another step by now or is ended, and nothing was changed.
func (db *DB) AnswerFault(ctx context.Context, c fleet.FaultChange, a fleet.FaultAnswer) (done bool, err error) {
	args := changeArgs(c)
	args["check"], args["answer"], args["value"], args["said_by"] = a.Check, a.Answer, a.Value.Ptr(), a.By
	tag, err := db.pool.Exec(ctx, addFaultAnswer, args)
	if err != nil {
		return false, fmt.Errorf("keep an answer of search %d: %w", c.Search, err)
	}
	return tag.RowsAffected() == 1, nil
}

// TakeBackFault takes the newest answer that stands back; false: there is none, the search has another step by now, or it is ended.
func (db *DB) TakeBackFault(ctx context.Context, c fleet.FaultChange) (done bool, err error) {
	tag, err := db.pool.Exec(ctx, `WITH last AS (SELECT max(step) AS step FROM fault_answer WHERE search = @search AND taken_back_at IS NULL),
		moved AS (UPDATE fault_search SET step = step + 1, changed_at = @at, changed_by = @by, finding = @finding
			WHERE search = @search AND step = @seen AND ended_at IS NULL AND (SELECT step IS NOT NULL FROM last) RETURNING search)
		UPDATE fault_answer a SET taken_back_at = @at, taken_back_by = @by FROM moved, last WHERE a.search = moved.search AND a.step = last.step`, changeArgs(c))
	if err != nil {
		return false, fmt.Errorf("take an answer of search %d back: %w", c.Search, err)
	}
	return tag.RowsAffected() == 1, nil
}

// EndFault closes a search with its finding, or without one; false: it has another step by now, or is ended already.
func (db *DB) EndFault(ctx context.Context, c fleet.FaultChange) (done bool, err error) {
	tag, err := db.pool.Exec(ctx, `UPDATE fault_search SET ended_at = @at, ended_by = @by, finding = @finding
		WHERE search = @search AND step = @seen AND ended_at IS NULL`, changeArgs(c))
	if err != nil {
		return false, fmt.Errorf("end search %d: %w", c.Search, err)
	}
	return tag.RowsAffected() == 1, nil
}

// ReopenFault lets an ended search be gone on with; false: it is open, or another one of the unit is.
func (db *DB) ReopenFault(ctx context.Context, c fleet.FaultChange) (done bool, err error) {
	tag, err := db.pool.Exec(ctx, `UPDATE fault_search s SET ended_at = NULL, ended_by = '', step = step + 1, changed_at = @at, changed_by = @by
		WHERE search = @search AND ended_at IS NOT NULL AND job IS NULL
		AND NOT EXISTS (SELECT FROM fault_search o WHERE o.unit = s.unit AND o.ended_at IS NULL)`, changeArgs(c))
	if hasCode(err, uniqueViolation) { // somebody was as fast
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("take search %d up again: %w", c.Search, err)
	}
	return tag.RowsAffected() == 1, nil
}
