package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

// lookForNewDay is how often serve looks whether a day has begun for which no list is issued.
const lookForNewDay = 10 * time.Minute

// workDaily judges the fleet once a day, keeps the plan made of it and audits past seasons, and looks for what does not fit and what stopped reporting, so that pages and mail show what is true today. The day is that of the first depot.
// Several servers share the work by a lock in the database.
func workDaily(ctx context.Context, db *store.DB, log *slog.Logger, now func() time.Time) error {
	tick := time.NewTicker(lookForNewDay)
	defer tick.Stop()
	for {
		if err := workOfTheDay(ctx, db, log, now()); err != nil && ctx.Err() == nil {
			log.ErrorContext(ctx, "work of the day not done", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func workOfTheDay(ctx context.Context, db *store.DB, log *slog.Logger, now time.Time) error {
	depots, err := db.Depots(ctx)
	if err != nil || len(depots) == 0 {
		return err
	}
	today := fleet.DateOf(now, depots[0].Zone())
	err = db.Alone(ctx, "list of the day", func(ctx context.Context) error {
		began := time.Now()
		issued, err := issueOnce(ctx, db, today, nil)
		if errors.Is(err, errNoUnits) {
			return nil
		}
		if err == nil && issued {
			log.InfoContext(ctx, "list of the day issued", "as_of", today.String(), "took_ms", time.Since(began).Milliseconds())
		}
		return err
	})
	if err != nil {
		return err
	}
	if err := keepPlans(ctx, db, log, today); err != nil {
		return fmt.Errorf("plan of the day: %w", err)
	}
	if err := auditToday(ctx, db, log, today); err != nil {
		return fmt.Errorf("audit of the day: %w", err)
	}
	if err := lookToday(ctx, db, log, today, now); err != nil {
		return fmt.Errorf("look of the day: %w", err)
	}
	if err := proveJobs(ctx, db, log, now); err != nil {
		return fmt.Errorf("proving of jobs: %w", err)
	}
	if err := bookToday(ctx, db, log, today); err != nil {
		return fmt.Errorf("ledger of the day: %w", err)
	}
	return nil
}

// keepPlans keeps the plan of each depot once for each list, so that pages need not make it and changes can be told.
func keepPlans(ctx context.Context, db *store.DB, log *slog.Logger, today fleet.Date) error {
	return db.Alone(ctx, "plan of the day", func(ctx context.Context) error {
		began := time.Now()
		kept, err := reports.NewPlans(db).Keep(ctx, today)
		if errors.Is(err, fleet.ErrNoIssue) {
			return nil
		}
		if kept > 0 {
			log.InfoContext(ctx, "plan of the day kept", "depots", kept, "took_ms", time.Since(began).Milliseconds())
		}
		return err
	})
}
