package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// keptSearch is a search that the database holds while it is talked about.
type keptSearch struct {
	db   *store.DB
	kept fleet.FaultSearch
	by   string
	t    *talk
}

// searchKept asks like search, and holds each answer in the database.
func (t *talk) searchKept(cmd *cobra.Command, unit fleet.UnitID) error {
	db, done, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer done()
	ctx := cmd.Context()
	k := &keptSearch{db: db, by: t.o.by, t: t}
	if k.by == "" {
		k.by = fleet.ByCommand
	}
	s, err := k.begin(ctx, unit)
	if err != nil {
		return err
	}
	t.keep = func(after faults.Session) (faults.Session, error) { return k.hold(ctx, after) }
	t.greet(s)
	_, err = t.search(s)
	if err != nil && !errors.Is(err, errLeft) {
		return err
	}
	fmt.Fprintf(t.out, "\nKept as search %d. Anybody goes on, or opens a job, at /faults/%d of the pages, or here with: rimeyard fault %s --keep\n", k.kept.ID, k.kept.ID, unit)
	return nil
}

// begin takes the unit's open search up, or keeps a new one.
func (k *keptSearch) begin(ctx context.Context, unit fleet.UnitID) (faults.Session, error) {
	s, err := k.t.o.recordedIn(ctx, k.db, unit)
	if err != nil {
		return s, err
	}
	begun, err := s.Begun()
	if err != nil {
		return s, fmt.Errorf("keep the search: %w", err)
	}
	id, started, err := k.db.StartFault(ctx, fleet.FaultSearch{Unit: unit, Begun: begun, StartedAt: time.Now(), StartedBy: k.by})
	if err != nil {
		return s, err
	}
	if !started {
		fmt.Fprintln(k.t.out, "A search of this unit is open already: going on with it.")
	}
	return k.load(ctx, id)
}

// load is the search as the database has it.
func (k *keptSearch) load(ctx context.Context, id int64) (s faults.Session, err error) {
	kept, found, err := k.db.Fault(ctx, id, nil)
	if err != nil {
		return s, err
	}
	if !found {
		return s, fmt.Errorf("search %d is gone", id)
	}
	k.kept = kept
	if s, err = faults.Kept(kept); err != nil {
		return s, err
	}
	err = noteClass(ctx, k.db, &s)
	return s, err
}

// hold keeps what the newest answer, or its taking back, made of the session. Where somebody else was faster nothing is kept, and it
// goes on with how the search stands.
func (k *keptSearch) hold(ctx context.Context, after faults.Session) (faults.Session, error) {
	found, err := after.Found()
	if err != nil {
		return after, fmt.Errorf("keep the finding: %w", err)
	}
	change := fleet.FaultChange{Search: k.kept.ID, Step: k.kept.Step, By: k.by, At: time.Now(), Finding: found}
	var done bool
	if n := len(after.Answers); n > len(k.kept.Standing()) {
		done, err = k.db.AnswerFault(ctx, change, after.Answers[n-1].Keep())
	} else {
		done, err = k.db.TakeBackFault(ctx, change)
	}
	if err != nil {
		return after, err
	}
	s, err := k.load(ctx, k.kept.ID)
	if err != nil {
		return s, err
	}
	if !k.kept.Open() {
		fmt.Fprintln(k.t.out, "Somebody has ended this search: nothing more is kept.")
		return s, errLeft
	}
	if !done {
		fmt.Fprintln(k.t.out, "Somebody else answered meanwhile: what you said just now was not kept. This is how it stands.")
	}
	return s, nil
}
