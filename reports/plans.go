package reports

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"sync"
	"time"

	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// PlanStore is a PlanSource that keeps plans too.
type PlanStore interface {
	PlanSource
	KeepPlan(ctx context.Context, p fleet.KeptPlan) error
	KeptPlans(ctx context.Context, of []fleet.DepotID, before time.Time) ([]fleet.KeptPlan, error)
	HasPlans(ctx context.Context, issue int64) (bool, error)
	PlanRevised(ctx context.Context, of []fleet.DepotID) (map[fleet.DepotID]time.Time, error)
}

// Plans makes the depots' plans and remembers each for as long as nothing that it is made of changes. Depots share neither hands nor
// parts, so each has a plan of its own: a choice costs the planning of one depot.
type Plans struct {
	store PlanStore
	mu    sync.Mutex
	made  map[fleet.DepotID]madePlan
	doing map[string]*planWork // by what the plan is made of
}

// planWork is the making of one depot's plan. All who want it wait for the same.
type planWork struct {
	done chan struct{} // closed when plan and err stand
	plan plan.Plan
	err  error
}

// BeingPlannedError is the error of those who did not want to wait until a plan is worked out. The work goes on.
type BeingPlannedError struct{ Done, Depots int }

func (b BeingPlannedError) Error() string {
	return fmt.Sprintf("the plan is being worked out: %d of %s done", b.Done, Count(b.Depots, "depot"))
}

type madePlan struct {
	of   string // hash of all that it is made of
	plan plan.Plan
}

// NewPlans remembers nothing yet.
func NewPlans(store PlanStore) *Plans {
	return &Plans{store: store, made: map[fleet.DepotID]madePlan{}, doing: map[string]*planWork{}}
}

// Planned is the plan of some depots with what people should see beside it.
type Planned struct {
	Plan    plan.Plan
	Issue   fleet.Issue
	Today   fleet.Date
	Depots  []fleet.Depot
	Choices map[fleet.UnitID]fleet.PlanChoice
	Shelves []fleet.Shelf
	// Revised is when the list was issued or people last chose something for the depot.
	Revised map[fleet.DepotID]time.Time
}

// Depot finds a depot of the plan.
func (p *Planned) Depot(id fleet.DepotID) (fleet.Depot, bool) {
	for _, d := range p.Depots {
		if d.ID == id {
			return d, true
		}
	}
	return fleet.Depot{}, false
}

// Name is what a depot is called in sentences.
func (p *Planned) Name(id fleet.DepotID) string {
	d, _ := p.Depot(id)
	return cmp.Or(d.Name, string(id))
}

// Of is the plan of the depots (nil: all) as things stand today. fleet.ErrNoIssue: no list was issued yet.
func (p *Plans) Of(ctx context.Context, of []fleet.DepotID, today fleet.Date) (Planned, error) {
	return p.Soon(ctx, of, today, 0)
}

// Soon is Of for those who have only so much patience; none is no limit. [BeingPlannedError]: it takes longer. The work goes on, once for all who
// ask, whether or not anybody waits for it.
func (p *Plans) Soon(ctx context.Context, of []fleet.DepotID, today fleet.Date, patience time.Duration) (Planned, error) {
	f, err := gatherFrame(ctx, p.store, of, today)
	if err != nil {
		return Planned{}, err
	}
	out := Planned{Issue: f.issue, Today: today, Depots: f.depots, Choices: map[fleet.UnitID]fleet.PlanChoice{}, Shelves: f.shelves}
	for _, c := range f.choices {
		out.Choices[c.Unit] = c
	}
	if out.Revised, err = p.store.PlanRevised(ctx, of); err != nil {
		return Planned{}, err
	}
	for _, d := range f.depots {
		for _, at := range []time.Time{f.issue.IssuedAt, f.anew[d.ID].At} {
			if out.Revised[d.ID].Before(at) {
				out.Revised[d.ID] = at
			}
		}
	}
	plans, err := p.each(ctx, &f, patience)
	if err != nil {
		return Planned{}, err
	}
	out.Plan = together(f.monday, f.weeks, plans)
	return out, nil
}

// each is the plan of every depot of the frame, in their order.
func (p *Plans) each(ctx context.Context, f *planFrame, patience time.Duration) ([]plan.Plan, error) {
	plans, works := make([]plan.Plan, len(f.planned)), map[int]*planWork{}
	hashes := make([]string, len(f.planned))
	var missing []int
	p.mu.Lock()
	for i := range f.planned {
		hashes[i] = f.hash(i)
		if m := p.made[f.planned[i].ID]; m.of == hashes[i] {
			plans[i] = m.plan
			continue
		}
		if works[i] = p.doing[hashes[i]]; works[i] == nil {
			works[i] = &planWork{done: make(chan struct{})}
			p.doing[hashes[i]] = works[i]
			missing = append(missing, i)
		}
	}
	p.mu.Unlock()
	if len(missing) > 0 {
		go p.work(context.WithoutCancel(ctx), f, missing, hashes, works)
	}
	return plans, await(ctx, works, plans, patience)
}

// await fills in the plans that are being worked on.
func await(ctx context.Context, works map[int]*planWork, plans []plan.Plan, patience time.Duration) error {
	var over <-chan time.Time
	if patience > 0 {
		timer := time.NewTimer(patience)
		defer timer.Stop()
		over = timer.C
	}
	for i, w := range works {
		select {
		case <-w.done:
			if w.err != nil {
				return w.err
			}
			plans[i] = w.plan
		case <-ctx.Done():
			return ctx.Err()
		case <-over:
			b := BeingPlannedError{Done: len(plans) - len(works), Depots: len(plans)}
			for _, w := range works {
				select {
				case <-w.done:
					b.Done++
				default:
				}
			}
			return b
		}
	}
	return nil
}

// longestPlanning ends work that hangs, so that the next who asks begins anew.
const longestPlanning = 10 * time.Minute

// work reads the plans that were kept and makes the others, and tells each as soon as it is there.
func (p *Plans) work(ctx context.Context, f *planFrame, missing []int, hashes []string, works map[int]*planWork) {
	ctx, cancel := context.WithTimeout(ctx, longestPlanning)
	defer cancel()
	tell := func(i int, made plan.Plan, err error) {
		p.mu.Lock()
		defer p.mu.Unlock()
		if p.doing[hashes[i]] != works[i] {
			return // told already
		}
		works[i].plan, works[i].err = made, err
		delete(p.doing, hashes[i])
		if err == nil {
			p.made[f.planned[i].ID] = madePlan{hashes[i], made}
		}
		close(works[i].done)
	}
	still, err := p.kept(ctx, f, missing, hashes, tell)
	if err == nil {
		err = f.makeAll(ctx, p.store, still, tell)
	}
	for _, i := range missing { // of those told already nothing changes
		tell(i, plan.Plan{}, err)
	}
}

// kept reads the plans that were kept and are still good, and returns those that are missing all the same.
func (p *Plans) kept(ctx context.Context, f *planFrame, missing []int, hashes []string, tell func(int, plan.Plan, error)) (still []int, err error) {
	ids := make([]fleet.DepotID, len(missing))
	for k, i := range missing {
		ids[k] = f.planned[i].ID
	}
	kept, err := p.store.KeptPlans(ctx, ids, time.Time{})
	if err != nil {
		return nil, err
	}
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, i := range missing {
		at := slices.IndexFunc(kept, func(k fleet.KeptPlan) bool {
			return k.Depot == f.planned[i].ID && k.MadeOf == hashes[i] && k.Left != nil
		})
		if at < 0 {
			still = append(still, i)
			continue
		}
		g.Go(func() error {
			var read plan.Plan
			err := errors.Join(json.Unmarshal(kept[at].Result, &read), json.Unmarshal(kept[at].Left, &read.Left))
			if err == nil {
				tell(i, read, nil)
			}
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, fmt.Errorf("read a kept plan: %w", err)
	}
	return still, nil
}

// makeAll plans the depots that are missing, side by side. Their units are read at once: the list is gone through once, not for each.
func (f *planFrame) makeAll(ctx context.Context, from PlanSource, missing []int, tell func(int, plan.Plan, error)) error {
	if len(missing) == 0 {
		return nil
	}
	ids := make([]fleet.DepotID, len(missing))
	for k, i := range missing {
		ids[k] = f.planned[i].ID
	}
	units, err := f.units(ctx, from, ids)
	if err != nil {
		return err
	}
	of := map[fleet.DepotID][]plan.Unit{}
	for _, u := range units {
		of[u.Depot] = append(of[u.Depot], u)
	}
	var g errgroup.Group
	g.SetLimit(runtime.GOMAXPROCS(0))
	for _, i := range missing {
		g.Go(func() error {
			d := f.planned[i]
			choices := f.choicesOf(d.ID)
			in := f.input([]plan.Depot{d}, choices)
			in.Units = of[d.ID]
			made, err := plan.Make(in)
			name(made, choices)
			tell(i, made, err)
			return nil
		})
	}
	return g.Wait()
}

// name gives locked visits to whom people have given them.
func name(p plan.Plan, choices []fleet.PlanChoice) {
	for _, d := range p.Depots {
		for _, w := range d.Weeks {
			for v := range w.Visits {
				visit := &w.Visits[v]
				i := slices.IndexFunc(choices, func(c fleet.PlanChoice) bool { return c.Unit == visit.Unit })
				if i >= 0 && visit.Locked && choices[i].Who != "" {
					visit.Who = choices[i].Who
				}
			}
		}
	}
}

func (f *planFrame) choicesOf(depot fleet.DepotID) (own []fleet.PlanChoice) {
	for _, c := range f.choices {
		if c.Depot == depot {
			own = append(own, c)
		}
	}
	return own
}

// hash is of all that a depot's plan is made of.
func (f *planFrame) hash(i int) string {
	text, _ := json.Marshal(struct { // of numbers, texts and times, which can all be written
		Method  string
		Issue   int64
		Monday  fleet.Date
		Weeks   int
		Depot   plan.Depot
		Choices []fleet.PlanChoice
		Rules   plan.Rules
		Anew    fleet.AnewCount
	}{plan.Method, f.issue.ID, f.monday, f.weeks, f.planned[i], f.choicesOf(f.planned[i].ID), plan.DefaultRules(), f.anew[f.planned[i].ID]})
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// Keep keeps every depot's plan, unless those of the newest list are kept already, and tells how many it kept.
func (p *Plans) Keep(ctx context.Context, today fleet.Date) (kept int, err error) {
	f, err := gatherFrame(ctx, p.store, nil, today)
	if err != nil {
		return 0, err
	}
	if has, err := p.store.HasPlans(ctx, f.issue.ID); err != nil || has {
		return 0, err
	}
	plans, err := p.each(ctx, &f, 0)
	if err != nil {
		return 0, err
	}
	for i, made := range plans {
		k := fleet.KeptPlan{Issue: f.issue.ID, Depot: f.planned[i].ID, MadeOf: f.hash(i)}
		left := made.Left
		made.Left = nil
		var errs [2]error
		k.Result, errs[0] = json.Marshal(made)
		k.Left, errs[1] = json.Marshal(left)
		if err := errors.Join(errs[0], errs[1]); err != nil {
			return kept, fmt.Errorf("write the plan of depot %s: %w", k.Depot, err)
		}
		if err := p.store.KeepPlan(ctx, k); err != nil {
			return kept, err
		}
		kept++
	}
	return kept, nil
}

// PlanUnder makes one plan of the depots (nil: all) as things stand today, in which the parts of all visits together cost no more than
// the budget; unknown: no limit. fleet.ErrNoIssue: no list was issued yet.
func PlanUnder(ctx context.Context, from PlanSource, of []fleet.DepotID, today fleet.Date, budget fleet.Opt[fleet.Money]) (plan.Plan, error) {
	f, err := gatherFrame(ctx, from, of, today)
	if err != nil {
		return plan.Plan{}, err
	}
	in := f.input(f.planned, f.choices)
	if in.Units, err = f.units(ctx, from, of); err != nil {
		return plan.Plan{}, err
	}
	in.Budget = budget
	made, err := plan.Make(in)
	name(made, f.choices)
	return made, err
}

// Before is the plan of the depots as it was kept last before a time, without the units left; Plan.Monday is that of the oldest. False:
// none was.
func (p *Plans) Before(ctx context.Context, of []fleet.DepotID, t time.Time) (plan.Plan, time.Time, bool, error) {
	kept, err := p.store.KeptPlans(ctx, of, t)
	if err != nil || len(kept) == 0 {
		return plan.Plan{}, time.Time{}, false, err
	}
	plans, made := make([]plan.Plan, len(kept)), kept[0].MadeAt
	for i, k := range kept {
		if err := json.Unmarshal(k.Result, &plans[i]); err != nil {
			return plan.Plan{}, time.Time{}, false, fmt.Errorf("read the plan kept of depot %s: %w", k.Depot, err)
		}
		if k.MadeAt.After(made) {
			made = k.MadeAt
		}
	}
	return together(plans[0].Monday, plans[0].WeekCount, plans), made, true, nil
}

// together puts the plans of depots beside each other, one after the other in all that they list. What they save adds up, and so do
// the bounds: nothing is shared.
func together(monday fleet.Date, weeks int, plans []plan.Plan) plan.Plan {
	all := plan.Plan{
		Monday: monday, WeekCount: weeks, Depots: []plan.DepotPlan{}, Left: []plan.Left{}, Retests: []plan.Retest{}, MissingParts: []plan.MissingPart{},
		Why: []string{}, Notes: []string{},
	}
	all.Exact = true
	for _, p := range plans {
		all.Depots = append(all.Depots, p.Depots...)
		all.Left, all.Retests = append(all.Left, p.Left...), append(all.Retests, p.Retests...)
		all.MissingParts, all.Notes = append(all.MissingParts, p.MissingParts...), append(all.Notes, p.Notes...)
		all.Saved, all.Avoided = plus(all.Saved, p.Saved), plus(all.Avoided, p.Avoided)
		all.Costs, all.Bound = plus(all.Costs, p.Costs), plus(all.Bound, p.Bound)
		all.BoundStarts = plus(all.BoundStarts, p.BoundStarts)
		all.Spent += p.Spent
		all.SavedStarts += p.SavedStarts
		all.Exact = all.Exact && p.Exact
	}
	return all
}

// plus adds what is known; nothing known adds up to nothing known.
func plus[T fleet.Money | float64](a, b fleet.Opt[T]) fleet.Opt[T] {
	if !a.IsKnown() {
		return b
	}
	return fleet.Known(a.Or(0) + b.Or(0))
}
