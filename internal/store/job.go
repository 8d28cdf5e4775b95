package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"rimeyard/internal/fleet"
)

const jobColumns = `job, j.unit, u.depot, u.class, j.part, work, state, step, monday, who, part_number, pieces, because, named, exchanged,
	fitted_at, core, paper, opened_at, opened_by, closed_at`

const jobTables = ` FROM job j JOIN unit u USING (unit) `

func scanJob(row pgx.CollectableRow) (fleet.Job, error) {
	var (
		j                fleet.Job
		named, exchanged []byte
		fitted, closed   *time.Time
	)
	err := row.Scan(&j.ID, &j.Unit, &j.Depot, &j.Class, &j.Part, &j.Work, &j.State, &j.Step, optDateInto(&j.Monday), &j.Who, &j.PartNumber, &j.Pieces, &j.Because,
		&named, &exchanged, &fitted, &j.Core, &j.Paper, &j.OpenedAt, &j.OpenedBy, &closed)
	if err != nil {
		return j, err
	}
	if fitted != nil {
		j.FittedAt = *fitted
	}
	if closed != nil {
		j.ClosedAt = *closed
	}
	if named != nil {
		err = json.Unmarshal(named, &j.Named)
	}
	return j, errors.Join(err, json.Unmarshal(exchanged, &j.Exchanged))
}

const addJob = `INSERT INTO job (unit, part, work, state, monday, who, because, named, opened_by)
	VALUES (@unit, @part, @work, @state, @monday, @who, @because, @named, @by)
	ON CONFLICT (unit, part) WHERE state NOT IN ('closed', 'dropped') DO NOTHING RETURNING job`

// OpenJob opens a job. Where the unit has an open one for the part already, or the request was sent before, it is that one, and opened is
// false. With a search for a fault, that names the job from then on. The job's first event is the opening.
func (db *DB) OpenJob(ctx context.Context, n fleet.NewJob) (j fleet.Job, opened bool, err error) {
	if err := n.Check(); err != nil {
		return j, false, fmt.Errorf("open a job: %w", err)
	}
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		id, found, err := requested(ctx, tx, n.By, n.Request)
		if err != nil {
			return err
		}
		if !found {
			if id, opened, err = insertJob(ctx, tx, n); err != nil {
				return err
			}
		}
		if n.Search != 0 {
			if _, err := tx.Exec(ctx, `UPDATE fault_search SET job = @job WHERE search = @search AND unit = @unit`,
				pgx.NamedArgs{"job": id, "search": n.Search, "unit": string(n.Unit)}); err != nil {
				return err
			}
		}
		j, err = jobOf(ctx, tx, id, "")
		return err
	})
	if err != nil {
		return j, false, fmt.Errorf("open a job for the %s of unit %s: %w", n.Part, n.Unit, err)
	}
	return j, opened, nil
}

func insertJob(ctx context.Context, tx pgx.Tx, n fleet.NewJob) (id int64, opened bool, err error) {
	var named []byte
	if n.Named != nil {
		if named, err = json.Marshal(n.Named); err != nil {
			return 0, false, err
		}
	}
	err = tx.QueryRow(ctx, addJob, pgx.NamedArgs{
		"unit": string(n.Unit), "part": string(n.Part), "work": string(n.Work), "state": string(n.State()), "monday": sqlOptDate(n.Monday),
		"who": n.Who, "because": n.Because, "named": named, "by": n.By,
	}).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) {
		err = tx.QueryRow(ctx, `SELECT job FROM job WHERE unit = @unit AND part = @part AND state NOT IN ('closed', 'dropped')`,
			pgx.NamedArgs{"unit": string(n.Unit), "part": string(n.Part)}).Scan(&id)
		return id, false, err
	}
	const foreignKeyViolation = "23503" // PostgreSQL documentation, appendix A
	if pg, ok := errors.AsType[*pgconn.PgError](err); ok && pg.Code == foreignKeyViolation {
		return 0, false, fmt.Errorf("unit %q: %w", n.Unit, ErrNoUnit)
	}
	if err != nil {
		return 0, false, err
	}
	opening := fleet.JobEvent{Job: id, Step: 1, By: n.By, To: n.State(), Note: n.Because, What: fleet.JobFacts{Monday: n.Monday, Who: n.Who}}
	return id, true, addEvent(ctx, tx, opening, n.Request)
}

const addJobEvent = `INSERT INTO job_event (job, step, done_by, from_state, to_state, note, what, request)
	VALUES (@job, @step, @by, @from, @to, @note, @what, nullif(@request, ''))`

func addEvent(ctx context.Context, tx pgx.Tx, e fleet.JobEvent, request string) error {
	what, err := json.Marshal(e.What)
	if err != nil {
		return err
	}
	_, err = tx.Exec(ctx, addJobEvent, pgx.NamedArgs{
		"job": e.Job, "step": e.Step, "by": e.By, "from": string(e.From), "to": string(e.To), "note": e.Note, "what": what, "request": requestKey(e.By, request),
	})
	return err
}

// requestKey keeps the keys of two people apart, who may not learn of each other's requests.
func requestKey(by, request string) string {
	if request == "" {
		return ""
	}
	return by + "/" + request
}

// requested is the job of a request that was sent before.
func requested(ctx context.Context, tx pgx.Tx, by, request string) (id int64, found bool, err error) {
	if request == "" {
		return 0, false, nil
	}
	err = tx.QueryRow(ctx, `SELECT job FROM job_event WHERE request = $1`, requestKey(by, request)).Scan(&id)
	if errors.Is(err, pgx.ErrNoRows) {
		return 0, false, nil
	}
	return id, err == nil, err
}

// jobOf reads one job, and locks it where lock says so.
func jobOf(ctx context.Context, db querier, id int64, lock string) (fleet.Job, error) {
	rows, _ := db.Query(ctx, `SELECT `+jobColumns+jobTables+`WHERE job = $1 `+lock, id)
	j, err := pgx.CollectExactlyOneRow(rows, scanJob)
	if errors.Is(err, pgx.ErrNoRows) {
		return j, fmt.Errorf("job %d: %w", id, fleet.ErrNoJob)
	}
	return j, err
}

// Job is one job and all that has happened to it. fleet.ErrNoJob: there is none.
func (db *DB) Job(ctx context.Context, id int64) (j fleet.Job, events []fleet.JobEvent, err error) {
	if j, err = jobOf(ctx, db.pool, id, ""); err == nil {
		events, err = jobEvents(ctx, db.pool, id, 0)
	}
	if err != nil {
		return j, nil, fmt.Errorf("read job %d: %w", id, err)
	}
	return j, events, nil
}

func jobEvents(ctx context.Context, db querier, id int64, after int) ([]fleet.JobEvent, error) {
	rows, _ := db.Query(ctx, `SELECT job, step, happened_at, done_by, from_state, to_state, note, what FROM job_event WHERE job = $1 AND step > $2 ORDER BY step`, id, after)
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (e fleet.JobEvent, err error) {
		var what []byte
		if err := row.Scan(&e.Job, &e.Step, &e.At, &e.By, &e.From, &e.To, &e.Note, &what); err != nil {
			return e, err
		}
		return e, json.Unmarshal(what, &e.What)
	})
}

// Jobs are those of the depots (nil: all), the longest open first; with a unit, its own alone, also those that have ended.
func (db *DB) Jobs(ctx context.Context, of []fleet.DepotID, unit fleet.UnitID) ([]fleet.Job, error) {
	rows, _ := db.pool.Query(ctx, `SELECT `+jobColumns+jobTables+`WHERE (@depots::text[] IS NULL OR u.depot = ANY(@depots))
		AND CASE WHEN @unit = '' THEN state NOT IN ('closed', 'dropped') ELSE j.unit = @unit END ORDER BY opened_at, job`,
		pgx.NamedArgs{"depots": depotNames(of), "unit": string(unit)})
	jobs, err := pgx.CollectRows(rows, scanJob)
	if err != nil {
		return nil, fmt.Errorf("list jobs: %w", err)
	}
	return jobs, nil
}
