package main

import (
	"context"
	"fmt"
	"sync"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
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
