package main

import (
	"context"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// demoJob is what is done about the part that is to blame, in the demo: how far the work on the likeliest such unit has come.
type demoJob struct {
	part  fleet.Part
	work  fleet.Work
	state fleet.JobState
}

// demoJobList is one job for each stage of the work that needs no hand on a unit.
func demoJobList() []demoJob {
	return []demoJob{
		{fleet.BatteryPart, fleet.WorkSwap, fleet.JobReserved},
		{fleet.StarterPart, fleet.WorkSwap, fleet.JobPlanned},
		{fleet.CablePart, fleet.WorkClean, fleet.JobOnBench},
		{fleet.BatteryPart, fleet.WorkSwap, fleet.JobFound},
	}
}

// demoJobs opens jobs for the units on top of the newest list, one for each stage. Done twice it is done once.
func demoJobs(ctx context.Context, db *store.DB, today fleet.Date) error {
	issue, err := db.LatestIssue(ctx)
	if err != nil {
		return err
	}
	list, err := listOf(ctx, db, issue)
	if err != nil {
		return err
	}
	shelves, err := db.StockLines(ctx, nil, today)
	if err != nil {
		return err
	}
	has := map[fleet.UnitID]bool{}
	for _, d := range demoJobList() {
		for _, f := range list.Units {
			if f.Suspect != d.part || len(f.Evidence) == 0 || has[f.Unit] {
				continue
			}
			opened, err := d.open(ctx, db, f, shelves, today)
			if err != nil {
				return err
			}
			if opened {
				has[f.Unit] = true
				break
			}
		}
	}
	return nil
}

// open opens the job and takes it as far as it has come; false: the part that it needs is not on the shelf.
func (d demoJob) open(ctx context.Context, db *store.DB, f fleet.Forecast, shelves []fleet.StockLine, today fleet.Date) (bool, error) {
	const opener = "mechanic"
	request := "demo job " + string(d.part) + " " + string(d.state)
	step := fleet.JobChange{To: d.state, By: opener, Request: request + " taken", At: today.Midnight(time.UTC), Today: today}
	switch d.state {
	case fleet.JobReserved:
		h, err := db.History(ctx, f.Unit)
		if err != nil {
			return false, err
		}
		if step.PartNumber, step.Pieces = onShelf(h, shelves); step.Pieces == 0 {
			return false, nil
		}
	case fleet.JobPlanned:
		step.Monday = fleet.Known(today.Monday() + daysBetween)
	}
	j, _, err := db.OpenJob(ctx, fleet.NewJob{Unit: f.Unit, Part: d.part, Work: d.work, Because: f.Evidence[0], Named: f.SuspectProbabilities, By: opener, Request: request})
	if err != nil || d.state == fleet.JobFound {
		return err == nil, err
	}
	step.Job, step.Seen = j.ID, j.Step
	_, err = db.ChangeJob(ctx, step)
	return err == nil, err
}

// onShelf is the part number of the batteries that a unit has now, where its depot's shelf holds as many; else no pieces.
func onShelf(h fleet.History, shelves []fleet.StockLine) (number string, pieces int) {
	for _, b := range h.Batteries {
		if !b.RemovedOn.IsKnown() {
			number = b.Part
			pieces++
		}
	}
	for _, s := range shelves {
		if s.Depot == h.Unit.Depot && s.Part == number && s.Counted && s.Free() >= pieces {
			return number, pieces
		}
	}
	return "", 0
}
