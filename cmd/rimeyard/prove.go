package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// byLogger stands for whoever drove when a logger recorded a crank. No sign-in name has a space.
const byLogger = "by logger"

// proveJobs lets the first crank that can be judged after the work on a unit prove it, or bring its job back. Without a list nothing is
// known of how units crank, and all jobs wait.
func proveJobs(ctx context.Context, db *store.DB, log *slog.Logger, now time.Time) error {
	return db.Alone(ctx, "proving of jobs", func(ctx context.Context) error {
		jobs, err := db.Jobs(ctx, nil, "")
		if err != nil {
			return err
		}
		j := &judging{db: db, now: func() time.Time { return now }}
		var failed error // one job that cannot be judged holds up no other
		for _, job := range jobs {
			if job.State != fleet.JobFitted {
				continue
			}
			proven, err := proveJob(ctx, db, j, job, now)
			if errors.Is(err, fleet.ErrNoIssue) {
				return nil
			}
			if err != nil {
				failed = errors.Join(failed, fmt.Errorf("job %d: %w", job.ID, err))
				continue
			}
			if proven != nil {
				log.InfoContext(ctx, "job judged by a crank", "job", job.ID, "good", proven.Good)
			}
		}
		return failed
	})
}

// proveJob is nil where no crank can be judged yet, or where somebody has gone on with the job meanwhile.
func proveJob(ctx context.Context, db *store.DB, j *judging, job fleet.Job, now time.Time) (*fleet.Proof, error) {
	h, err := db.History(ctx, job.Unit)
	if err != nil {
		return nil, err
	}
	if n := len(h.Cranks); n == 0 || !h.Cranks[n-1].At.After(job.FittedAt) {
		return nil, nil //nolint:nilnil // no crank yet is no failure
	}
	judge, err := j.ready(ctx, h.Unit.Depot)
	if err != nil {
		return nil, err
	}
	proving, crankedAt, found, err := judge.FirstProving(h, job.Part, job.FittedAt)
	if err != nil || !found {
		return nil, err
	}
	proof := &fleet.Proof{CrankedAt: crankedAt, Good: proving.Good, Why: proving.Why}
	change := fleet.JobChange{Job: job.ID, Seen: job.Step, To: fleet.JobProven, By: byLogger, At: now, Today: fleet.DateOf(now, time.UTC), Proof: proof}
	if !proof.Good {
		change.To = fleet.JobFound
	}
	_, err = db.ChangeJob(ctx, change)
	if _, gone := errors.AsType[fleet.JobGoneOnError](err); gone {
		return nil, nil //nolint:nilnil // they know better
	}
	return proof, err
}
