package plan

import (
	"cmp"
	"slices"

	"rimeyard/internal/fleet"
)

// How far branch and bound goes: a search that would visit more is given up, and what it found stays, with its bound.
const (
	mostNodes   = 300_000
	mostOptions = 3_000
)

// branch searches what the prices leave open (Land & Doig 1960). A choice whose gain after prices lies further below its job's best than the
// bound lies above the best plan found cannot be part of a better one; usually that leaves a few dozen.
func (p *problem) branch(best *solution) {
	s := search{problem: p, best: best, at: &best.prices}
	if !s.open() {
		return
	}
	s.draft = p.emptyPlan()
	s.rest = best.bound
	s.visit(0, 0)
	if s.nodes <= mostNodes {
		best.bound = best.value
	}
}

type search struct {
	problem *problem
	best    *solution
	at      *prices
	jobs    []openJob // hardest to do without first
	draft   *draft
	rest    int64 // the bound at the root
	nodes   int
}

type openJob struct {
	yard, job int
	dearest   int64
	options   []openOption // dearest first
}

type openOption struct {
	pick pick
	gain int64
	lost int64 // against the job's dearest, after prices
}

// open lists what may still be chosen; false: too much.
func (s *search) open() bool {
	gap, options := s.best.bound-s.best.value, 0
	for i, y := range s.problem.yards {
		for j := range y.jobs {
			o := s.openJob(i, j, gap)
			s.jobs = append(s.jobs, o)
			if len(o.options) > 1 {
				options += len(o.options)
			}
		}
	}
	slices.SortStableFunc(s.jobs, func(a, b openJob) int {
		return cmp.Or(cmp.Compare(min(2, len(a.options)), min(2, len(b.options))), cmp.Compare(b.runnerUp(), a.runnerUp()))
	})
	return options <= mostOptions
}

// runnerUp is what a job loses by its second choice: where much, the first is soon settled.
func (o *openJob) runnerUp() int64 {
	if len(o.options) < 2 {
		return 0
	}
	return o.options[1].lost
}

func (s *search) openJob(i, j int, gap int64) openJob {
	y := s.problem.yards[i]
	at, one := &s.at.yards[i], &y.jobs[j]
	o := openJob{yard: i, job: j, dearest: y.dearest(one, at, s.at.budget)}
	add := func(p pick, gain, after int64) {
		if lost := o.dearest - after; lost < gap {
			o.options = append(o.options, openOption{p, gain, lost})
		}
	}
	for k := range one.sets {
		set := &one.sets[k]
		for w, g := range set.gains {
			if g > 0 {
				add(pick{w, k}, g, g-at.places[w]-at.of(set, w, y.soon, s.at.budget))
			}
		}
	}
	add(pick{nowhere, nowhere}, 0, 0)
	slices.SortStableFunc(o.options, func(a, b openOption) int { return cmp.Compare(a.lost, b.lost) })
	return o
}

// visit tries every way for the jobs from n on. lost is what the choices so far lie below the root's bound.
func (s *search) visit(n int, lost int64) {
	if s.nodes++; s.nodes > mostNodes || s.rest-lost <= s.best.value {
		return
	}
	if n == len(s.jobs) {
		s.problem.offer(s.best, s.copied())
		return
	}
	o := &s.jobs[n]
	y, used := s.problem.yards[o.yard], &s.draft.used[o.yard]
	for _, option := range o.options {
		if s.rest-lost-option.lost <= s.best.value {
			return // the others lose more
		}
		if option.pick.week == nowhere {
			s.visit(n+1, lost+option.lost)
			continue
		}
		set := &y.jobs[o.job].sets[option.pick.set]
		if !y.fits(used, set, option.pick.week, used.spent+s.draft.left) {
			continue
		}
		s.take(o, option.pick, set, 1)
		s.visit(n+1, lost+option.lost)
		s.take(o, option.pick, set, -1)
	}
}

func (s *search) take(o *openJob, p pick, set *set, n int) {
	s.problem.yards[o.yard].add(&s.draft.used[o.yard], set, p.week, n)
	s.draft.left -= set.spent * fleet.Money(n)
	if s.draft.picks[o.yard][o.job] = p; n < 0 {
		s.draft.picks[o.yard][o.job] = pick{nowhere, nowhere}
	}
}

func (s *search) copied() [][]pick {
	all := make([][]pick, len(s.draft.picks))
	for i, picks := range s.draft.picks {
		all[i] = slices.Clone(picks)
	}
	return all
}
