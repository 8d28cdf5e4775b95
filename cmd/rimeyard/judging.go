package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

// judging judges single units with all that is recorded so far, by what the newest list learned from the fleet. It makes itself ready anew
// when another list is issued or another day begins.
type judging struct {
	db  *store.DB
	now func() time.Time

	mu    sync.Mutex
	issue int64
	asOf  fleet.Date
	judge *alerts.Judge
}

// unit judges one unit as of tomorrow, so that today's readings count, and tells what readings since a day changed. fleet.ErrNoIssue: no
// list was issued yet.
func (j *judging) unit(ctx context.Context, id fleet.UnitID, since fleet.Date) (alerts.Judgement, error) {
	h, err := j.db.History(ctx, id)
	if err != nil {
		return alerts.Judgement{}, err
	}
	judge, err := j.ready(ctx, h.Unit.Depot)
	if err != nil {
		return alerts.Judgement{}, fmt.Errorf("judge unit %s: %w", id, err)
	}
	return judge.Unit(h, since)
}

// newsAtATime is how many units are judged anew before it is looked again which come first.
const newsAtATime = 200

// catchUp judges anew the units of which something has come since the newest list, for a command that shows what pages show: where no server
// runs, nobody else has done it. What cannot be judged is said, and shown as the list has it.
func catchUp(cmd *cobra.Command, db *store.DB) {
	j := &judging{db: db, now: time.Now}
	for judged := newsAtATime; judged == newsAtATime; {
		var err error
		if judged, err = reports.JudgeNews(cmd.Context(), db, j.unit, j.now(), "", newsAtATime); err != nil {
			fmt.Fprintln(cmd.ErrOrStderr(), "note: as the list has it, without what has come since:", err)
		}
	}
}

// noteUncounted says on stderr what a list of today, which nobody asked for by date, does not know: what is dated today counts from tomorrow
// on. Who has just brought a test in and looks at its unit must not take the old verdict for the new one.
func noteUncounted(cmd *cobra.Command, db *store.DB, asOf *asOfFlag, unit fleet.UnitID) error {
	if asOf.date.IsKnown() {
		return nil
	}
	units, last, err := db.CountDatedFrom(cmd.Context(), asOf.day(), time.Now(), unit)
	day, some := last.Get()
	if err != nil || !some {
		return err
	}
	whose := "a part or a test of " + string(unit) + " is"
	if unit == "" {
		whose = "parts or tests of " + reports.Count(units, "unit") + " are"
	}
	fmt.Fprintf(cmd.ErrOrStderr(), "note: %s dated %s or later and not counted here, as a day counts from the next one on; --as-of %s counts all\n", whose, asOf.day(), day+1)
	return nil
}

// proves judges a crank after a part of the unit was worked on. fleet.ErrNoIssue: no list was issued yet.
func (j *judging) proves(ctx context.Context, id fleet.UnitID, part fleet.Part, crank fleet.Crank) (alerts.Proving, error) {
	h, err := j.db.History(ctx, id)
	if err != nil {
		return alerts.Proving{}, err
	}
	judge, err := j.ready(ctx, h.Unit.Depot)
	if err != nil {
		return alerts.Proving{}, fmt.Errorf("judge a crank of unit %s: %w", id, err)
	}
	return judge.Proves(h, part, crank)
}

func (j *judging) ready(ctx context.Context, of fleet.DepotID) (*alerts.Judge, error) {
	depots, err := j.db.Depots(ctx)
	if err != nil {
		return nil, err
	}
	asOf := fleet.DateOf(j.now(), time.UTC) + 1
	for _, d := range depots {
		if d.ID == of {
			asOf = fleet.DateOf(j.now(), d.Zone()) + 1
		}
	}
	j.mu.Lock()
	defer j.mu.Unlock()
	issue, err := j.db.LatestIssue(ctx)
	if err != nil {
		return nil, err
	}
	if j.judge != nil && j.issue == issue.ID && j.asOf == asOf {
		return j.judge, nil
	}
	_, lesson, err := j.db.Learned(ctx)
	if err != nil {
		return nil, err
	}
	learned, err := alerts.ReadLearned(lesson)
	if err != nil {
		return nil, err
	}
	temps, err := j.db.DayTemps(ctx)
	if err != nil {
		return nil, err
	}
	j.judge, j.issue, j.asOf = alerts.NewJudge(learned, alerts.Input{AsOf: asOf, Depots: depots, Temps: temps}), issue.ID, asOf
	return j.judge, nil
}
