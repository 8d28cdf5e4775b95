package plan

import (
	"cmp"
	"slices"
)

// How far branch and bound goes: a search that would visit more is given up, and what it found stays, with its bound.
const (
	mostNodes   = 100_000
	mostOptions = 3_000
)

// branch searches what the prices leave open (Land & Doig 1960). A choice whose gain after prices lies further below its job's best than the
// bound lies above the best plan found cannot be part of a better one; usually that leaves a few dozen.
func (p *problem) branch(best *solution, relaxed []*relaxation) {
	s := search{best: best, bound: best.bound}
	gap, options := best.bound-best.value, 0
	for i, y := range p.yards {
		for j := range y.jobs {
			o := p.openJob(i, j, &best.prices, relaxed[i], gap)
			if s.jobs = append(s.jobs, o); len(o.options) > 1 {
				options += len(o.options)
			}
		}
	}
	if options > mostOptions {
		return
	}
	slices.SortStableFunc(s.jobs, func(a, b openJob) int {
		return cmp.Or(cmp.Compare(min(2, len(a.options)), min(2, len(b.options))), cmp.Compare(b.runnerUp(), a.runnerUp()))
	})
	s.draft = p.emptyPlan()
	s.visit(0, 0)
	if s.nodes <= mostNodes {
		best.bound = best.value
	}
}

// openJob is a job with the choices that may be part of a better plan.
type openJob struct {
	yard, job int
	options   []openOption // dearest first
}

type openOption struct {
	pick pick
	gain int64
	lost int64 // against the job's dearest, after prices
}

func (p *problem) openJob(i, j int, at *prices, r *relaxation, gap int64) openJob {
	y := p.yards[i]
	prices, o := &at.yards[i], openJob{yard: i, job: j}
	add := func(p pick, gain, after int64) {
		if lost := r.dearest[j] - after; lost < gap {
			o.options = append(o.options, openOption{p, gain, lost})
		}
	}
	for k := range y.jobs[j].sets {
		s := &y.jobs[j].sets[k]
		asks := prices.asked(s, at.budget)
		for w, g := range s.gains {
			if g > 0 {
				add(pick{w, k}, g, g-prices.places[w]-asks.in(w, y.soon, prices, s))
			}
		}
	}
	add(pick{nowhere, nowhere}, 0, 0)
	slices.SortStableFunc(o.options, func(a, b openOption) int { return cmp.Compare(a.lost, b.lost) })
	return o
}

// nearest keeps the dearest choices alone.
func (o openJob) nearest(n int) openJob {
	o.options = slices.Clip(o.options[:min(n, len(o.options))])
	return o
}

// runnerUp is what a job loses by its second choice: where much, the first is soon settled.
func (o *openJob) runnerUp() int64 {
	if len(o.options) < 2 {
		return 0
	}
	return o.options[1].lost
}

type search struct {
	best  *solution
	bound int64     // at the root
	jobs  []openJob // settled ones first, then those hardest to do without
	draft *draft
	nodes int
}

// visit tries every way for the jobs from n on. lost is what the choices so far lie below the root's bound.
func (s *search) visit(n int, lost int64) {
	if s.nodes++; s.nodes > mostNodes || s.bound-lost <= s.best.value {
		return
	}
	if n == len(s.jobs) {
		s.draft.of.offer(s.best, s.copied())
		return
	}
	o := &s.jobs[n]
	for _, option := range o.options {
		if s.bound-lost-option.lost <= s.best.value {
			return // the others lose more
		}
		if option.pick.week != nowhere && !s.draft.fits(o.yard, o.job, option.pick) {
			continue
		}
		s.draft.put(o.yard, o.job, option.pick)
		s.visit(n+1, lost+option.lost)
		s.draft.lift(o.yard, o.job)
	}
}

func (s *search) copied() [][]pick {
	all := make([][]pick, len(s.draft.picks))
	for i, picks := range s.draft.picks {
		all[i] = slices.Clone(picks)
	}
	return all
}
