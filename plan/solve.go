package plan

import "math"

// solution is the best plan found, and what is known of the best there is.
type solution struct {
	picks  [][]pick // [yard][job]
	value  int64
	bound  int64
	prices prices // by which the bound holds
}

func (s *solution) exact() bool { return s.value == s.bound }

// Effort that is spent on prices before the best plan found so far is taken, with its bound.
const (
	mostRounds = 80
	fewRounds  = 10 // where prices of nearly the same problem are known
	patience   = 5  // rounds without a lower bound before steps are halved
	mendEvery  = 4  // rounds without one after which a plan is made of a round all the same
)

// start is what may be known when a problem is to be solved.
type start struct {
	picks  [][]pick // a plan that keeps the limits, so that what is found is never worse
	prices *prices
	rounds int
}

// solve finds the best plan. Where places alone are short the first round is exact. Else prices of the other limits are moved by
// subgradient steps (Held, Wolfe & Crowder 1974: step = θ (bound − best) / |overuse|²), each round's plan is mended until it keeps all
// limits, exchanges better it, and what doubt is left goes to branch and bound.
func (p *problem) solve(from start) solution {
	best, at, climb := solution{bound: math.MaxInt64}, p.free(), newClimb(p)
	if from.picks != nil {
		p.offer(&best, from.picks)
	}
	if from.prices != nil {
		at = from.prices.clone()
	}
	relaxed := make([]*relaxation, len(p.yards))
	for i, y := range p.yards {
		relaxed[i] = newRelaxation(y)
	}
	for round := range from.rounds {
		picks := make([][]pick, len(p.yards))
		for i, r := range relaxed {
			r.plan(&at.yards[i], at.budget)
			picks[i] = append([]pick{}, r.picks...)
		}
		bound := p.bound(&at, relaxed)
		if climb.saw(bound < best.bound); bound < best.bound {
			best.bound, best.prices = bound, at.clone()
		}
		if bound == best.bound || round%mendEvery == 0 {
			p.offer(&best, p.mended(picks, &at, relaxed))
		}
		if best.exact() || !climb.step(p, &at, relaxed, best.bound-best.value) {
			break
		}
	}
	if !best.exact() {
		p.polish(&best, relaxed)
	}
	return best
}

// polish betters a plan by exchanges, then by branch and bound.
func (p *problem) polish(best *solution, relaxed []*relaxation) {
	for i, r := range relaxed {
		r.plan(&best.prices.yards[i], best.prices.budget)
	}
	p.exchange(best, relaxed)
	if !best.exact() {
		p.branch(best, relaxed)
	}
}

// offer keeps the better plan; where even, the one found first.
func (p *problem) offer(best *solution, picks [][]pick) {
	value := int64(0)
	for i, y := range p.yards {
		v, _ := y.tally(picks[i])
		value += v
	}
	if best.picks == nil || value > best.value {
		best.picks, best.value = picks, value
	}
}
