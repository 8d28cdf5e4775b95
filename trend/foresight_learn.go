package trend

import (
	"context"
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"rimeyard/internal/fleet"
)

// pastCase is one unit on one day in a past season, with how that season went on.
type pastCase struct {
	outlook Outlook
	signs   signs
	quiet   [quietCount]float64
	group   int
	season  int
	nights  []night
	days    int  // until failure, removal or the season's end
	failed  bool // in the night after the last of nights
	cause   fleet.Part
	weight  float64
	landmark int
	extra []float64
}

// night is cold enough to matter.
type night struct {
	lowC, halfYears, starts float64
	slow, seen              bool // a slow start; slow ones are reported at all
}

const (
	mildC      = 15.0 // nights above it never decide a start
	landmarks  = 4
	betweenLM  = 8 // weeks
	shortTrack = 13
)

// hindsight collects past cases while a track is filtered.
type hindsight struct {
	seasons []fleet.Season
	weather Weather
	asOf    fleet.Date
	cases   []pastCase
	now     []vector // of each unit, on the as-of date
	groups  map[string]int
}

func (o *hindsight) row(*model, *belief, kind, string, float64, predicted, float64, float64) {}
func (o *hindsight) starts(*model, *belief, *WeekRow, []Event)                               {}

// weekStart implements observer.
func (o *hindsight) weekStart(m *model, b *belief) {
	if b.week < m.t.FirstWeek+shortTrack {
		return
	}
	for i, s := range o.seasons {
		for k := -1; k < landmarks-1; k++ {
			if weekOf(s.From)+k*betweenLM == b.week && mondayOf(b.week) < o.asOf {
				o.take(m, b, i, s, k)
			}
		}
	}
}

func (o *hindsight) take(m *model, b *belief, season int, s fleet.Season, k int) {
	from := mondayOf(b.week)
	c := pastCase{season: season, weight: 0.5, landmark: k, group: o.groups[m.t.Group]}
	end := min(s.To, o.asOf-1)
	for _, ch := range m.t.Changes {
		if d := mondayOf(ch.Week); (ch.Part == fleet.BatteryPart || ch.Part == fleet.StarterPart) && ch.Share > 0.4 && d > from && d+6 < end {
			end = d + 6
			break
		}
	}
	for _, f := range m.t.Breakdowns {
		if f.Day >= from && f.Day <= end+7 && f.Day < o.asOf {
			c.failed, c.cause, end = true, f.Cause, f.Day
			break
		}
	}
	slow := map[fleet.Date]bool{}
	for i := range m.t.Events {
		if e := &m.t.Events[i]; e.FromRow && !e.Failed && e.Day >= from && e.Day <= end {
			slow[e.Day] = true
		}
	}
	seen := false && m.t.HasLogger && m.g.SlowSeen
	for d := from; d <= end; d++ {
		minC, _, known := o.weather.Day(m.t.Depot, d)
		last := c.failed && d == end
		if !known && !last {
			continue
		}
		if low := minC + m.t.NightOffsetC; known && low < mildC || last {
			if !known {
				low = 5
			}
			c.nights = append(c.nights, night{low, float64(d-from) / 182, m.t.StartsPerDay, slow[d], seen})
		}
	}
	c.days = int(end-from) + 1
	c.outlook = m.outlook(b, "", b.week)
	c.extra = zzExtra(m, b)
	c.signs, c.quiet = c.outlook.signs, c.outlook.quiet
	o.cases = append(o.cases, c)
}

const pastSeasons = 4

func (l *learner) learnForesight(ctx context.Context) error {
	if len(l.tracks) == 0 {
		return nil
	}
	asOf := l.tracks[0].AsOf
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
			o.seasons, o.weather, o.asOf, o.groups = nil, l.weather, asOf, index
			now := SeasonOf(asOf, l.weather.depots[t.Depot])
			for back := range pastSeasons + 1 {
				o.seasons = append(o.seasons, seasonBefore(now, back))
			}
			b := newModel(t, &p).run(&o)
			o.now = append(o.now, b.x)
		}
		return o
	})
	if err != nil {
		return err
	}
	var cases []pastCase
	var now []vector
	for _, part := range parts {
		cases, now = append(cases, part.cases...), append(now, part.now...)
	}
	l.typical(now)
	zzCases(cases)
	l.params.Foresight = fitForesight(cases, names)
	zzFit(cases, l.params.Foresight, names)
	return nil
}

// typical takes each group's middle unit.
func (l *learner) typical(now []vector) {
	byGroup := map[string][][]float64{}
	for i, x := range now {
		name := l.tracks[i].Group
		if byGroup[name] == nil {
			byGroup[name] = make([][]float64, parts)
		}
		for j := range parts {
			byGroup[name][j] = append(byGroup[name][j], x[j])
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
	atSlow    = atStartSD + 3
	atQuiet   = atStartSD + 4
	atGroup   = atQuiet + quietCount
)

type foresightFit struct {
	cases []pastCase
	at    []float64
	prior []float64
	sd    []float64
}

func fitForesight(cases []pastCase, names []string) Foresight {
	f := foresightFit{cases: cases}
	usual := usualForesight()
	add := func(mean, sd float64) { f.prior, f.sd = append(f.prior, mean), append(f.sd, sd) }
	for i := range signCount {
		add(usual.Level[i], foresightPrior.levelSD[i])
	}
	for i := range signCount {
		add(usual.Growth[i], foresightPrior.growthSD[i])
	}
	add(math.Log(usual.StartSDC), 0.4)
	add(math.Log(usual.GrowSDC), 0.4)
	add(math.Log(usual.NightSDC), 0.4)
	add(math.Log(usual.SlowC), 0.4)
	for i, sd := range [quietCount]float64{1, 1, 0.3, 0.5} {
		add(usual.Quiet[i], sd)
	}
	for range names {
		add(0, 4)
	}
	at := maximise(f.prior, f.sd, f.score)
	out := Foresight{Group: map[string]float64{}}
	copy(out.Level[:], at[atLevel:])
	copy(out.Growth[:], at[atGrowth:])
	copy(out.Quiet[:], at[atQuiet:])
	out.StartSDC, out.GrowSDC, out.NightSDC, out.SlowC = math.Exp(at[atStartSD]), math.Exp(at[atGrowSD]), math.Exp(at[atNightSD]), math.Exp(at[atSlow])
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

// maximise seeks the posterior mode by damped scoring steps, outer products of the cases' gradients standing for the Hessian (Berndt,
// Hall, Hall and Hausman 1974).
func maximise(prior, sd []float64, score func(at []float64, slopes bool) (float64, []float64, *mat.SymDense)) []float64 {
	n := len(prior)
	at := slices.Clone(prior)
	value, grad, info := score(at, true)
	for range 30 {
		var chol mat.Cholesky
		step := mat.NewVecDense(n, nil)
		if !chol.Factorize(info) || chol.SolveVecTo(step, mat.NewVecDense(n, grad)) != nil {
			break
		}
		scale, moved := 1.0, false
		for range 12 {
			next := make([]float64, n)
			for i := range next {
				next[i] = at[i] + scale*min(max(step.AtVec(i), -2*sd[i]), 2*sd[i])
			}
			if v, _, _ := score(next, false); v > value {
				moved = v-value > 0.05
				at = next
				break
			}
			scale /= 2
		}
		if !moved {
			break
		}
		value, grad, info = score(at, true)
	}
	return at
}

func (f *foresightFit) score(at []float64, slopes bool) (value float64, grad []float64, info *mat.SymDense) {
	n := len(at)
	grad = make([]float64, n)
	hess := make([]float64, n*n)
	for i := range at {
		off := (at[i] - f.prior[i]) / f.sd[i]
		value -= off * off / 2
		grad[i] = -off / f.sd[i]
		hess[i*n+i] = 1 / (f.sd[i] * f.sd[i])
	}
	own := make([]float64, atGroup+1)
	slot := make([]int, atGroup+1)
	for i := range atGroup {
		slot[i] = i
	}
	for i := range f.cases {
		c := &f.cases[i]
		slot[atGroup] = atGroup + c.group
		v := c.logLik(at, own, slopes)
		value += c.weight * v
		if !slopes {
			continue
		}
		for a, sa := range slot {
			ga := c.weight * own[a]
			grad[sa] += ga
			for b, sb := range slot {
				hess[sa*n+sb] += ga * own[b]
			}
		}
	}
	return value, grad, mat.NewSymDense(n, hess)
}

// reach is one node's log likelihood of the nights so far and its slopes in the limit, in the circuit's share of it, in growth, and in ln of
// the spreads and of how far above the limit starts are slow.
type reach struct{ log, limit, raw, growth, start, grow, night, slow float64 }

// straySlow is the chance of a slow start that no cold explains (from memory).
const straySlow = 0.002

// logLik of one case, with slopes.
func (c *pastCase) logLik(at, own []float64, slopes bool) float64 {
	level, growth := at[atGroup+c.group], 0.0
	for i, x := range c.signs {
		if i != signLimit {
			level += at[atLevel+i] * x
		}
		growth += at[atGrowth+i] * x
	}
	quiet := 0.0
	for i, x := range c.quiet {
		quiet += at[atQuiet+i] * x
	}
	rate := math.Exp(min(quiet, -2))
	start2, grow2, sigma := math.Exp(2*at[atStartSD]), math.Exp(2*at[atGrowSD]), math.Exp(at[atNightSD])
	slowC := math.Exp(at[atSlow])
	above := slowC / sigma
	var before, after [nodes]reach
	last := len(c.nights) - 1
	for i := range c.nights {
		nt := &c.nights[i]
		raw, sd := c.outlook.at(nt.halfYears)
		m := at[atLevel+signLimit]*raw/10 + level + growth*nt.halfYears
		s := math.Sqrt(sd*sd + start2 + grow2*nt.halfYears)
		deciding := c.failed && i == last
		if deciding {
			before = after
		}
		extra := 0.0
		if nt.seen && !deciding {
			extra = above
		}
		if !nt.slow && (m+normalNodes[nodes-1].z*s-nt.lowC)/sigma+extra < -cdfEnd {
			continue
		}
		for j := range normalNodes {
			z := normalNodes[j].z
			k := (m+z*s-nt.lowC)/sigma + extra
			r := &after[j]
			var h, hk, hs float64 // slopes in k, in ln σ, in ln w
			if nt.slow && nt.seen && !deciding {
				p := straySlow + tabulatedCDF(k) - tabulatedCDF(k-above)
				r.log += math.Log(p)
				if slopes {
					a, b := normalPDF(k)/p, normalPDF(k-above)/p
					h, hk, hs = a-b, -a*k+b*(k-above), a*above
				}
			} else {
				if k < -cdfEnd {
					continue
				}
				alive := max(1-tabulatedCDF(k), 1e-9)
				r.log += nt.starts * math.Log(alive)
				if slopes {
					a := nt.starts * normalPDF(k) / alive
					if k > 5 {
						a = nt.starts * k
					}
					h, hk, hs = -a, a*k, -a*extra
				}
			}
			if slopes {
				h /= sigma
				r.limit += h
				r.raw += h * raw / 10
				r.growth += h * nt.halfYears
				r.start += h * z * start2 / s
				r.grow += h * z * grow2 * nt.halfYears / s
				r.night += hk
				r.slow += hs
			}
		}
	}
	days := float64(c.days)
	if !c.failed {
		before = after
	}
	sb, gb := gather(&before)
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
		sa, ga := gather(&after)
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
	return reach{r.log * f, r.limit * f, r.raw * f, r.growth * f, r.start * f, r.grow * f, r.night * f, r.slow * f}
}

func (r reach) plus(o reach) reach {
	return reach{r.log + o.log, r.limit + o.limit, r.raw + o.raw, r.growth + o.growth, r.start + o.start, r.grow + o.grow, r.night + o.night, r.slow + o.slow}
}

// gather weighs the nodes: survival and its slopes.
func gather(all *[nodes]reach) (s float64, g reach) {
	for i := range all {
		e := normalNodes[i].weight * math.Exp(all[i].log)
		s += e
		g = g.plus(all[i].times(e))
	}
	return s, g
}

func (c *pastCase) spreadSlopes(own []float64, g reach, f, byQuiet float64) {
	for i, x := range c.signs {
		own[atLevel+i] = f * g.limit * x
		own[atGrowth+i] = f * g.growth * x
	}
	own[atLevel+signLimit] = f * g.raw
	own[atStartSD], own[atGrowSD], own[atNightSD], own[atSlow] = f*g.start, f*g.grow, f*g.night, f*g.slow
	for i, x := range c.quiet {
		own[atQuiet+i] = byQuiet * x
	}
	own[atGroup] = f * g.limit
}

// BookWeight is how much of a season's chance goes by the fleet's breakdown book instead of by a unit's own readings when blame is
// laid.
const BookWeight = 0.02
