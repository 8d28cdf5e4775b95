package main

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// lookForNewDay is how often serve looks whether a day has begun for which no list is issued.
const lookForNewDay = 10 * time.Minute

// issueDaily judges the fleet once a day, so that pages and mail show today's list. The day is that of the first depot.
// Several servers share the work by a lock in the database.
func issueDaily(ctx context.Context, db *store.DB, log *slog.Logger, now func() time.Time) error {
	tick := time.NewTicker(lookForNewDay)
	defer tick.Stop()
	for {
		if err := issueToday(ctx, db, log, now()); err != nil && ctx.Err() == nil {
			log.ErrorContext(ctx, "list of the day not issued", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

func issueToday(ctx context.Context, db *store.DB, log *slog.Logger, now time.Time) error {
	depots, err := db.Depots(ctx)
	if err != nil || len(depots) == 0 {
		return err
	}
	today := fleet.DateOf(now, depots[0].Zone())
	return db.Alone(ctx, "list of the day", func(ctx context.Context) error {
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
}
