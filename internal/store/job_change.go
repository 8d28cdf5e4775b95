package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const updateJob = `UPDATE job SET state = @state, step = @step, monday = @monday, who = @who, part_number = @part_number, pieces = @pieces,
	exchanged = @exchanged, fitted_at = @fitted_at, core = @core, paper = @paper, closed_at = @closed_at WHERE job = @job`

// ChangeJob takes a step of a job, with all that it brings about, and returns the job as it is then. A request that was sent before changes
// nothing. The error may be a fleet.JobGoneOnError, a fleet.JobRefusedError or fleet.ErrNoJob: nothing was changed then.
func (db *DB) ChangeJob(ctx context.Context, c fleet.JobChange) (j fleet.Job, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		before, err := jobOf(ctx, tx, c.Job, "FOR UPDATE OF j")
		if err != nil {
			return err
		}
		j = before
		id, sent, err := requested(ctx, tx, c.By, c.Request)
		if err != nil || sent && id == c.Job {
			return err
		}
		if sent {
			return fleet.Refused("this was sent before, for job %d: open the job anew", id)
		}
		if before.Step != c.Seen {
			since, err := jobEvents(ctx, tx, c.Job, c.Seen)
			if err == nil && len(since) == 0 {
				return fleet.Refused("job %d has no step %d: open it anew", c.Job, c.Seen)
			}
			return errors.Join(err, fleet.JobGoneOnError{Job: before, Since: since})
		}
		if err := c.Check(before); err != nil {
			return err
		}
		j, err = takeStep(ctx, tx, before, c)
		return err
	})
	if err != nil {
		return j, fmt.Errorf("change job %d: %w", c.Job, err)
	}
	return j, nil
}

// takeStep does all that a step means, the step itself and its line in the job's record.
func takeStep(ctx context.Context, tx pgx.Tx, j fleet.Job, c fleet.JobChange) (fleet.Job, error) {
	after, event, err := stepped(ctx, tx, j, c)
	if err != nil {
		return j, err
	}
	if c.Core == fleet.CoreReturned {
		if err := returnCores(ctx, tx, after, c.Today); err != nil {
			return j, err
		}
	}
	if err := addBenchResults(ctx, tx, c); err != nil {
		return j, err
	}
	exchanged, err := json.Marshal(after.Exchanged)
	if err != nil {
		return j, err
	}
	args := pgx.NamedArgs{
		"job": after.ID, "state": string(after.State), "step": after.Step, "monday": sqlOptDate(after.Monday), "who": after.Who,
		"part_number": after.PartNumber, "pieces": after.Pieces, "exchanged": exchanged, "fitted_at": nil, "core": string(after.Core),
		"paper": after.Paper, "closed_at": nil,
	}
	if !after.FittedAt.IsZero() {
		args["fitted_at"] = after.FittedAt
	}
	if !after.ClosedAt.IsZero() {
		args["closed_at"] = after.ClosedAt
	}
	if _, err := tx.Exec(ctx, updateJob, args); err != nil {
		return j, err
	}
	if err := addEvent(ctx, tx, event, c.Request); err != nil {
		return j, err
	}
	return jobOf(ctx, tx, j.ID, "") // times as they were kept
}

// stepped is the job after the step, and the line that tells of it. What the step moves on shelves and in units is moved.
func stepped(ctx context.Context, tx pgx.Tx, j fleet.Job, c fleet.JobChange) (fleet.Job, fleet.JobEvent, error) {
	event := fleet.JobEvent{Job: j.ID, Step: j.Step + 1, By: c.By, From: j.State, To: c.To, Note: c.Note}
	event.What = fleet.JobFacts{Proof: c.Proof, Core: c.Core, Paper: c.Paper, Bench: c.Bench}
	moved := j.State != c.To
	j.State, j.Step = c.To, j.Step+1
	if c.Core != fleet.CoreOpen {
		j.Core = c.Core
	}
	j.Paper = j.Paper || c.Paper
	var err error
	switch {
	case c.To == fleet.JobPlanned && c.Monday.IsKnown():
		j.Monday, j.Who = c.Monday, c.Who
		event.What.Monday, event.What.Who = c.Monday, c.Who
	case !moved:
	case c.To == fleet.JobFound:
		j.PartNumber, j.Pieces = "", 0
	case c.To == fleet.JobReserved:
		j.PartNumber, j.Pieces = c.PartNumber, c.Pieces
		event.What.PartNumber, event.What.Pieces = c.PartNumber, c.Pieces
		err = putBy(ctx, tx, j)
	case c.To == fleet.JobFitted:
		j.FittedAt, j.Core, j.Paper, event.What.Minutes = c.At, c.Core, c.Paper, c.Minutes
		event.What.Exchanged, err = fit(ctx, tx, &j, c)
	case c.To == fleet.JobClosed, c.To == fleet.JobDropped:
		j.ClosedAt = c.At
	}
	return j, event, err
}

const (
	holdShelf = `SELECT pg_advisory_xact_lock(hashtext('rimeyard shelf'), hashtext(@depot || '/' || @part))`
	shelfFree = `SELECT EXISTS (SELECT FROM stock_move WHERE depot = @depot AND part = @part),
		coalesce((SELECT sum(pieces) FROM stock_move WHERE depot = @depot AND part = @part), 0)::int -
		coalesce((SELECT sum(pieces) FROM job JOIN unit u USING (unit) WHERE u.depot = @depot AND part_number = @part
			AND state IN ('reserved', 'on_bench') AND job <> @job), 0)::int`
)

// putBy refuses to reserve what is not on the shelf, where its depot counts that part. Of two who reserve the last piece one is refused.
func putBy(ctx context.Context, tx pgx.Tx, j fleet.Job) error {
	args := pgx.NamedArgs{"depot": string(j.Depot), "part": j.PartNumber, "job": j.ID}
	if _, err := tx.Exec(ctx, holdShelf, args); err != nil {
		return err
	}
	var (
		counted bool
		free    int
	)
	if err := tx.QueryRow(ctx, shelfFree, args).Scan(&counted, &free); err != nil {
		return err
	}
	if counted && free < j.Pieces {
		return fleet.Refused("needed of %s: %d; free on the shelf of %s: %d. Order it, or count the shelf anew", j.PartNumber, j.Pieces, j.Depot, max(0, free))
	}
	return nil
}

const keepBench = `INSERT INTO bench_result (job, serial, part, result, readings, note, tested_at, tested_by)
	VALUES (@job, @serial, @part, @result, @readings, @note, @at, @by)
	ON CONFLICT (job, serial) DO UPDATE SET result = excluded.result, readings = excluded.readings, note = excluded.note,
	tested_at = excluded.tested_at, tested_by = excluded.tested_by`

// addBenchResults keeps what the bench said; a later word on the same part takes the place of the one before, which the job's record keeps.
func addBenchResults(ctx context.Context, tx pgx.Tx, c fleet.JobChange) error {
	for _, b := range c.Bench {
		readings := b.Readings
		if readings == nil {
			readings = map[string]string{}
		}
		raw, err := json.Marshal(readings)
		if err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, keepBench, pgx.NamedArgs{
			"job": c.Job, "serial": b.Serial, "part": string(b.Kind), "result": string(b.Verdict), "readings": raw, "note": b.Note, "at": c.At, "by": c.By,
		}); err != nil {
			return err
		}
	}
	return nil
}

const listBench = `SELECT job, j.unit, b.part, serial, result, readings, note, tested_at, tested_by FROM bench_result b JOIN job j USING (job) JOIN unit u USING (unit)
	WHERE (@depots::text[] IS NULL OR u.depot = ANY(@depots)) AND (@job::bigint = 0 OR job = @job) ORDER BY tested_at, job, serial`

// BenchResults are what the bench said of parts of the depots' units (nil: of all), oldest first; with a job, of its parts alone.
func (db *DB) BenchResults(ctx context.Context, of []fleet.DepotID, job int64) ([]fleet.BenchResult, error) {
	rows, _ := db.pool.Query(ctx, listBench, pgx.NamedArgs{"depots": depotNames(of), "job": job})
	results, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (b fleet.BenchResult, err error) {
		var readings []byte
		if err := row.Scan(&b.Job, &b.Unit, &b.Kind, &b.Serial, &b.Verdict, &readings, &b.Note, &b.TestedAt, &b.TestedBy); err != nil {
			return b, err
		}
		return b, json.Unmarshal(readings, &b.Readings)
	})
	if err != nil {
		return nil, fmt.Errorf("read what the bench said: %w", err)
	}
	return results, nil
}
