package trend

import (
	"context"
	"maps"
	"math"
	"slices"

	"golang.org/x/sync/errgroup"
	"gonum.org/v1/gonum/mat"

	"rimeyard/internal/fleet"
)

// learnForesight filters every track once more and looks back from days in past seasons.
func (l *learner) learnForesight(ctx context.Context, how search) error {
	if len(l.tracks) == 0 {
		return nil
	}
	p := l.params
	names := slices.Sorted(maps.Keys(p.Groups))
	index := map[string]int{}
	for i, name := range names {
		index[name] = i
	}
	parts, err := inChunks(ctx, l, func(tracks []Track) hindsight {
		var o hindsight
		for i := range tracks {
			t := &tracks[i]
			o.seasons, o.weather, o.asOf, o.groups = nil, l.weatherOf(t), t.AsOf, index
			now := SeasonOf(t.AsOf, l.weather.depots[t.Depot])
			for back := range pastSeasons + 1 {
				o.seasons = append(o.seasons, seasonBefore(now, back))
			}
			m := newModel(t, &p)
			if b := m.run(&o); b.week <= b.readWeek+fadesAfter {
				o.now = append(o.now, standing{t, kindOf(t), b.x, m.batteryAge(b.week), m.outlook(&b)})
			}
		}
		return o
	})
	if err != nil {
		return err
	}
	var cases []pastCase
	var now []standing
	for _, part := range parts {
		cases, now = append(cases, part.cases...), append(now, part.now...)
	}
	cases = complete(cases)
	l.typical(now)
	l.params.Foresight = fitForesight(cases, names, &l.prior, &p.Foresight, how, l.workers)
	l.params.Shown = l.prior.shown(l.params.Foresight.Taught())
	l.learnUnread(now)
	l.params.Causes = learnCauses(cases, &l.prior.Causes, l.prior.CausesSD)
	return nil
}

// weatherOf is what was known when the track ends.
func (l *learner) weatherOf(t *Track) Weather {
	if t.then == nil {
		return l.weather.settled()
	}
	return l.weather
}

// typical takes each group's middle unit.
func (l *learner) typical(now []standing) {
	byGroup := map[string][][]float64{}
	for i := range now {
		name := now[i].track.Group
		if byGroup[name] == nil {
			byGroup[name] = make([][]float64, parts)
		}
		for j, x := range now[i].x {
			byGroup[name][j] = append(byGroup[name][j], x)
		}
	}
	for name, x := range byGroup {
		g := l.params.Groups[name]
		for j := range parts {
			g.Typical[j] = median(x[j])
		}
		l.params.Groups[name] = g
	}
}

// The unknowns of the fit, in order.
const (
	atLevel   = 0
	atGrowth  = signCount
	atStartSD = 2 * signCount
	atGrowSD  = atStartSD + 1
	atNightSD = atStartSD + 2
	atSpared  = atStartSD + 3
	atQuiet   = atStartSD + 4
	atGroup   = atQuiet + quietCount
)

type foresightFit struct {
	cases     []pastCase
	workers   int
	prior, sd []float64
}

// fitForesight seeks the posterior mode from what is believed so far.
func fitForesight(cases []pastCase, names []string, p *Prior, from *Foresight, how search, workers int) Foresight {
	f := foresightFit{cases: thinned(cases, how.most), workers: workers}
	add := func(mean, sd float64) { f.prior, f.sd = append(f.prior, mean), append(f.sd, sd) }
	for i := range signCount {
		add(p.Level[i], p.LevelSD[i])
	}
	for i := range signCount {
		add(p.Growth[i], p.GrowthSD[i])
	}
	for _, v := range p.LogSD {
		add(v, p.LogSDSD)
	}
	add(p.Spared, p.SparedSD)
	for i := range quietCount {
		add(p.Quiet[i], p.QuietSD[i])
	}
	for range names {
		add(0, 2)
	}
	lowest, highest := make([]float64, len(f.prior)), make([]float64, len(f.prior))
	for i := range f.prior {
		lowest[i], highest[i] = math.Inf(-1), math.Inf(1)
		if i < atStartSD {
			switch worse[i%signCount] {
			case 1:
				lowest[i] = 0
			case -1:
				highest[i] = 0
			}
		}
		f.prior[i] = min(max(f.prior[i], lowest[i]), highest[i]) // which holds for the start too
	}
	at := maximise(f.start(from, names), f.sd, lowest, highest, how.enough, f.score)
	out := Foresight{Group: map[string]float64{}}
	copy(out.Level[:], at[atLevel:])
	copy(out.Growth[:], at[atGrowth:])
	copy(out.Quiet[:], at[atQuiet:])
	out.Spared = shareOf(at[atSpared])
	out.StartSDC, out.GrowSDC, out.NightSDC = math.Exp(at[atStartSD]), math.Exp(at[atGrowSD]), math.Exp(at[atNightSD])
	for i, name := range names {
		out.Group[name] = at[atGroup+i]
	}
	seasons := map[int]bool{}
	for _, c := range cases {
		seasons[c.season] = true
		if c.failed {
			out.Failures++
		}
	}
	out.Seasons = len(seasons)
	return out
}

// start is where the search begins; with the prior's own foresight that is the prior.
func (f *foresightFit) start(from *Foresight, names []string) []float64 {
	at := make([]float64, 0, len(f.prior))
	at = append(append(at, from.Level[:]...), from.Growth[:]...)
	at = append(at, math.Log(from.StartSDC), math.Log(from.GrowSDC), math.Log(from.NightSDC), math.Log(from.Spared/(1-from.Spared)))
	at = append(at, from.Quiet[:]...)
	for _, name := range names {
		at = append(at, from.Group[name])
	}
	return at
}

// maximise seeks the posterior mode from a start by damped scoring steps, outer products of the cases' gradients standing for the Hessian
// (Berndt, Hall, Hall and Hausman 1974), until a step gains less than enough. Whole steps nearly always do, so slopes are taken with them.
func maximise(start, sd, lowest, highest []float64, enough float64, score func(at []float64, slopes bool) (float64, []float64, *mat.SymDense)) []float64 {
	n := len(start)
	at := slices.Clone(start)
	value, grad, info := score(at, true)
	for range 60 {
		for i := range at { // what stands at its bound and wants beyond it stays there
			if (at[i] <= lowest[i] && grad[i] < 0) || (at[i] >= highest[i] && grad[i] > 0) {
				for j := range n {
					info.SetSym(i, j, 0)
				}
				info.SetSym(i, i, 1)
				grad[i] = 0
			}
		}
		var chol mat.Cholesky
		step := mat.NewVecDense(n, nil)
		if !chol.Factorize(info) || chol.SolveVecTo(step, mat.NewVecDense(n, grad)) != nil {
			break
		}
		before := value
		for scale := 1.0; scale > 1.0/4096 && value <= before; scale /= 2 {
			next := make([]float64, n)
			for i := range next {
				next[i] = min(max(at[i]+scale*min(max(step.AtVec(i), -2*sd[i]), 2*sd[i]), lowest[i]), highest[i])
			}
			v, g, h := score(next, scale == 1)
			if v <= before {
				continue
			}
			if scale < 1 {
				v, g, h = score(next, true)
			}
			at, value, grad, info = next, v, g, h
		}
		if value-before <= enough {
			break
		}
	}
	return at
}

// caseChunk is how many cases' sums are taken together; fixed, so that sums do not depend on the number of workers.
const caseChunk = 512

// partial is what some cases add to the log posterior, its gradient and information.
type partial struct {
	value      float64
	grad, hess []float64
}

func (f *foresightFit) score(at []float64, slopes bool) (value float64, grad []float64, info *mat.SymDense) {
	n := len(at)
	parts := make([]partial, (len(f.cases)+caseChunk-1)/caseChunk)
	var group errgroup.Group
	group.SetLimit(max(1, f.workers))
	for i := range parts {
		group.Go(func() error {
			parts[i] = sumCases(f.cases[i*caseChunk:min(len(f.cases), (i+1)*caseChunk)], at, slopes)
			return nil
		})
	}
	_ = group.Wait() // no part can fail
	grad, hess := make([]float64, n), make([]float64, n*n)
	for i := range at {
		off := (at[i] - f.prior[i]) / f.sd[i]
		value -= off * off / 2
		grad[i] = -off / f.sd[i]
		hess[i*n+i] = 1 / (f.sd[i] * f.sd[i])
	}
	for _, p := range parts {
		value += p.value
		for i, g := range p.grad {
			grad[i] += g
		}
		for i, h := range p.hess {
			hess[i] += h
		}
	}
	return value, grad, mat.NewSymDense(n, hess)
}

func sumCases(cases []pastCase, at []float64, slopes bool) (p partial) {
	n := len(at)
	if slopes {
		p.grad, p.hess = make([]float64, n), make([]float64, n*n)
	}
	own := make([]float64, atGroup+1)
	used := make([]int, 0, len(own))
	for i := range cases {
		c := &cases[i]
		p.value += c.weight * c.logLik(at, own, slopes)
		if !slopes {
			continue
		}
		slot := func(k int) int {
			if k == atGroup {
				return atGroup + c.group
			}
			return k
		}
		used = used[:0] // most signs are 0, so most slopes are
		for k, g := range own {
			if g != 0 {
				used = append(used, k)
				p.grad[slot(k)] += c.weight * g
			}
		}
		for i, a := range used { // of what is symmetric only the upper half is read
			row, x := p.hess[slot(a)*n:], c.weight*own[a]
			for _, b := range used[i:] {
				row[slot(b)] += x * own[b]
			}
		}
	}
	return p
}

// reach is one node's log survival and its slopes in the limit, in the circuit's share of it, in growth, in ln of the three spreads and of
// the odds of being spared.
type reach struct{ log, limit, raw, growth, start, grow, night, spared float64 }

// noneLeft is ln of a survival that adds nothing to the sum over nodes. The warmest get there within weeks.
const noneLeft = -30

// reached walks through the nights, at each node: before the last morning, and after it.
func (c *pastCase) reached(at []float64, slopes bool) (before, after [nodes]reach) {
	level, growth := at[atGroup+c.group], 0.0
	for i, x := range c.signs {
		if i != signLimit {
			level += at[atLevel+i] * x
		}
		growth += at[atGrowth+i] * x
	}
	start2, grow2, perC := math.Exp(2*at[atStartSD]), math.Exp(2*at[atGrowSD]), math.Exp(-at[atNightSD])
	last, top := len(c.nights)-1, nodes-1
	for i := range c.nights {
		nt := &c.nights[i]
		raw, sd := c.outlook.at(nt.halfYears)
		raw /= 10
		s := math.Sqrt(sd*sd + start2 + grow2*nt.halfYears)
		k0, step := (at[atLevel+signLimit]*raw+level+growth*nt.halfYears-nt.lowC)*perC, s*perC
		if c.failed && i == last {
			before = after
		}
		for top > 0 && after[top].log < noneLeft {
			top--
		}
		if k0+normalNodes[top].z*step < -cdfEnd {
			continue // all start
		}
		byStart, byGrow := start2/s, grow2*nt.halfYears/s
		for j := top; j >= 0; j-- {
			z := normalNodes[j].z
			k := k0 + z*step
			if k < -cdfEnd {
				break // the nodes below are surer still
			}
			log, hazard := survives(k)
			r := &after[j]
			r.log += nt.starts * log
			if !slopes {
				continue
			}
			h := nt.starts * hazard
			r.night += h * k
			h *= -perC
			r.limit += h
			r.raw += h * raw
			r.growth += h * nt.halfYears
			h *= z
			r.start += h * byStart
			r.grow += h * byGrow
		}
	}
	return before, after
}

// logLik of one case, with slopes.
func (c *pastCase) logLik(at, own []float64, slopes bool) float64 {
	quiet := 0.0
	for i, x := range c.quiet {
		quiet += at[atQuiet+i] * x
	}
	rate := math.Exp(min(quiet, -2))
	before, after := c.reached(at, slopes)
	days := float64(c.days)
	if !c.failed {
		before = after
	}
	spared := shareOf(at[atSpared])
	sb, gb := gather(&before, spared)
	if !c.failed {
		v := math.Log(max(sb, 1e-60)) - rate*days
		if slopes {
			c.spreadSlopes(own, gb, 1/max(sb, 1e-60), -rate*days)
		}
		return v
	}
	quietBefore := math.Exp(-rate * (days - 1))
	var p float64
	var slope reach
	var byQuiet float64
	if c.cause == fleet.ControlPart {
		p = sb * quietBefore * rate
		slope, byQuiet = gb.times(quietBefore*rate), p*(1-rate*(days-1))
	} else {
		sa, ga := gather(&after, spared)
		quietAfter := math.Exp(-rate * days)
		p = sb*quietBefore - sa*quietAfter
		slope = gb.times(quietBefore).plus(ga.times(-quietAfter))
		byQuiet = -sb*quietBefore*rate*(days-1) + sa*quietAfter*rate*days
	}
	p = max(p, 1e-60)
	if slopes {
		c.spreadSlopes(own, slope, 1/p, byQuiet/p)
	}
	return math.Log(p)
}

func (r reach) times(f float64) reach {
	return reach{r.log * f, r.limit * f, r.raw * f, r.growth * f, r.start * f, r.grow * f, r.night * f, r.spared * f}
}

func (r reach) plus(o reach) reach {
	return reach{r.log + o.log, r.limit + o.limit, r.raw + o.raw, r.growth + o.growth, r.start + o.start, r.grow + o.grow, r.night + o.night, r.spared + o.spared}
}

// survives is ln(1−Φ(k)) and φ(k)/(1−Φ(k)).
func survives(k float64) (log, hazard float64) {
	x := min(max(k+cdfEnd, 0), cdfEnd+tableEnd) * cdfSteps
	i := int(x)
	w, a, b := x-float64(i), &survivalTable[i], &survivalTable[i+1]
	return a.log + w*(b.log-a.log), a.hazard + w*(b.hazard-a.hazard)
}

// gather weighs the nodes: survival of units of which a share is spared, and its slopes.
func gather(all *[nodes]reach, spared float64) (s float64, g reach) {
	for i := range all {
		e := normalNodes[i].weight * math.Exp(all[i].log)
		s += e
		g = g.plus(all[i].times(e))
	}
	g = g.times(1 - spared)
	g.spared = spared * (1 - spared) * (1 - s)
	return spared + (1-spared)*s, g
}

func (c *pastCase) spreadSlopes(own []float64, g reach, f, byQuiet float64) {
	for i, x := range c.signs {
		own[atLevel+i] = f * g.limit * x
		own[atGrowth+i] = f * g.growth * x
	}
	own[atLevel+signLimit] = f * g.raw
	own[atStartSD], own[atGrowSD], own[atNightSD], own[atSpared] = f*g.start, f*g.grow, f*g.night, f*g.spared
	for i, x := range c.quiet {
		own[atQuiet+i] = byQuiet * x
	}
	own[atGroup] = f * g.limit
}
