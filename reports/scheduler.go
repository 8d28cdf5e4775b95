package reports

import (
	"context"
	"fmt"
	"log/slog"
	"sync"
	"time"

	"github.com/robfig/cron/v3"

	"rimeyard/internal/fleet"
)

// Schedules is where schedules are kept. AdvanceSchedule marks a run's slot as dealt with and queues its letters, both or
// neither, and returns false where another server was first.
type Schedules interface {
	Schedules(ctx context.Context) ([]fleet.Schedule, error)
	AdvanceSchedule(ctx context.Context, id int64, run fleet.Run) (bool, error)
	NoteScheduleError(ctx context.Context, id int64, why string) error
}

// Scheduler queues the letters of schedules that are due. Any number of them may work on one database.
type Scheduler struct {
	Schedules Schedules
	Desk      Desk
	Now       func() time.Time
	Log       *slog.Logger
}

// Run looks for due schedules at once and then every minute, until ctx ends, which is no error.
func (s Scheduler) Run(ctx context.Context) error {
	var looking sync.Mutex // a slow look makes the next one wait for its turn, not pile up
	look := func() {
		if !looking.TryLock() {
			return
		}
		defer looking.Unlock()
		if _, err := s.QueueDue(ctx); err != nil && ctx.Err() == nil {
			s.Log.ErrorContext(ctx, "schedules not looked through", "error", err)
		}
	}
	look()
	c := cron.New(cron.WithLocation(time.UTC))
	if _, err := c.AddFunc("* * * * *", look); err != nil {
		return fmt.Errorf("start the scheduler: %w", err)
	}
	c.Start()
	<-ctx.Done()
	<-c.Stop().Done()
	return nil
}

// QueueDue queues what every schedule has due and returns how many of them were. A schedule whose report cannot be made
// keeps its reason and stays due; it does not hold up the others.
func (s Scheduler) QueueDue(ctx context.Context) (queued int, err error) {
	schedules, err := s.Schedules.Schedules(ctx)
	if err != nil {
		return 0, err
	}
	now := s.Now()
	for _, sc := range schedules {
		advanced, err := s.queueOne(ctx, sc, now)
		switch {
		case ctx.Err() != nil:
			return queued, ctx.Err()
		case err != nil:
			s.Log.ErrorContext(ctx, "schedule not queued", "schedule", sc.ID, "report", sc.Report, "error", err)
			if err := s.Schedules.NoteScheduleError(ctx, sc.ID, oneLine(err.Error())); err != nil {
				return queued, err
			}
		case advanced:
			queued++
		}
	}
	return queued, nil
}

func (s Scheduler) queueOne(ctx context.Context, sc fleet.Schedule, now time.Time) (bool, error) {
	if !sc.Enabled {
		return false, nil
	}
	tt, err := TimetableOf(sc)
	if err != nil {
		return false, err
	}
	slot, due := tt.DueSlot(sc.LastSlot, now)
	if !due {
		return false, nil
	}
	run, err := s.Desk.due(ctx, sc, slot, now)
	if err != nil {
		return false, err
	}
	advanced, err := s.Schedules.AdvanceSchedule(ctx, sc.ID, run)
	if err == nil && advanced {
		s.Log.InfoContext(ctx, "schedule queued", "schedule", sc.ID, "report", sc.Report, "slot", slot, "letters", len(run.Letters), "left_out", run.Note)
	}
	return advanced, err
}

// Letters addresses the report to each recipient. The letters' keys are key and the recipient, so that queueing them
// again queues nothing.
func (c Content) Letters(from string, recipients []string, key string, at time.Time) ([]fleet.Letter, error) {
	letters := make([]fleet.Letter, 0, len(recipients))
	for _, to := range recipients {
		l, err := c.Letter(Envelope{From: from, To: to, DedupeKey: key + "/" + to, At: at})
		if err != nil {
			return nil, err
		}
		letters = append(letters, l)
	}
	return letters, nil
}
