package trend

import (
	"maps"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// How starts ended, against what the filter thought of the cold limit the week before, teaches where the limit lies. A start
// at T is worse than a threshold with probability
//
//	fails: ε + (1−ε)·Φ((T*−T)/√(σ²+τ²))     slow or fails: 3ε + (1−3ε)·Φ((T*+w−T)/√(σ²+τ²))
//
// τ² being the doubt about T*. The maximum of likelihood and priors over all starts is sought by scoring (outer products
// of the gradients for the Hessian; Berndt, Hall, Hall and Hausman 1974). Groups differ from the fleet by normal effects.

// limitRow is some starts of one unit at one temperature, in one week.
type limitRow struct {
	group    string
	terms    [limitTerms]float64
	meanC    float64 // M of the group, about which the terms were taken
	variance float64 // τ²
	t        float64
	n        float64
	ended    ending
	quiet    bool
}

type ending int8

const (
	wentWell ending = iota
	wasSlow
	hasFailed
)

const (
	sureAboveSD = 3.5 // starts this far above the slow threshold teach only ε
	fewEvents   = 10  // logged slow and failed starts under which a group also learns from quiet mornings
)

// starts implements observer.
func (l *lesson) starts(m *model, b *belief, w *WeekRow, events []Event) {
	if w == nil && len(events) == 0 {
		return
	}
	g := l.group(m.t.Group)
	tStar, h, perRestV, terms := m.limit(&b.x, b.restV)
	row := limitRow{group: m.t.Group, terms: terms, meanC: m.g.MeanLimitC, variance: b.limitVariance(h, perRestV)}
	sure := tStar + m.g.SlowC + sureAboveSD*math.Sqrt(m.g.SpreadC*m.g.SpreadC+row.variance)
	if w != nil {
		row.quiet = w.Quiet
		if w.To > w.From {
			raw := terms[0] + m.g.MeanLimitC
			g.raw.take(raw, 0)
		}
		for _, t := range m.t.Starts[w.From:w.To] {
			switch {
			case float64(t) <= sure:
				row.t, row.n = float64(t), 1
				if n := len(l.limits); n > 0 && l.limits[n-1] == row {
					l.limits[n-1].n++
				} else {
					l.limits = append(l.limits, row)
				}
			case w.Quiet:
				g.quiet++
			default:
				g.sure++
			}
			g.starts++
		}
	}
	for i := range events {
		e := &events[i]
		if e.Weight == 0 {
			continue
		}
		row.t, row.n, row.ended, row.quiet = e.TemperatureC, e.Weight, wasSlow, !e.FromRow
		if e.Failed {
			row.ended = hasFailed
		}
		l.limits = append(l.limits, row)
		if e.FromRow && e.Failed {
			g.failed++
		} else if e.FromRow {
			g.slow++
		}
	}
}

// The unknowns: the limit's terms, then for the fleet δ, ln σ, ln w, ln ε, then the same four for each group as differences.
const (
	ofShift = iota
	ofSpread
	ofSlow
	ofChance
	perGroup
)

type limitFit struct {
	rows   []limitRow
	of     []int // each row's group
	groups []Group
	sure   []float64
	prior  []float64 // centre
	sd     []float64
	lowest []float64
}

func (l *learner) learnLimits(all *lesson) {
	var f limitFit
	index := map[string]int{}
	names := slices.Sorted(maps.Keys(l.params.Groups))
	at := []float64{l.params.Limit.Beta, l.params.Limit.Wear, l.params.Limit.Demand, l.params.Limit.Loop, l.params.Limit.Empty, l.params.Limit.Dip, 0, math.Log(3.5), math.Log(5), math.Log(2e-4)}
	f.prior = append([]float64{1, 0, 0, 0, 0, 0}, 0, math.Log(3.5), math.Log(5), math.Log(2e-4))
	f.sd = []float64{0.35, 8, 8, 8, 6, 4, 6, 0.3, 0.4, 0.8} // °C per unit of the term
	f.lowest = []float64{0.25, 0, 0, 0, 0, -20, -30, math.Log(1.2), math.Log(1), math.Log(1e-6)}
	for i, name := range names {
		g := l.params.Groups[name]
		index[name] = i
		f.groups = append(f.groups, g)
		sure := 0.0
		if s := all.groups[name]; s != nil {
			sure = s.sure
			if g.Events < fewEvents {
				sure += s.quiet
			}
		}
		f.sure = append(f.sure, sure)
		at = append(at, 0, 0, 0, 0)
		f.prior = append(f.prior, 0, 0, 0, 0)
		f.sd = append(f.sd, 3, 0.2, 0.25, 0.5)
		f.lowest = append(f.lowest, -20, -1, -1, -2)
	}
	for _, r := range all.limits {
		if !r.quiet || l.params.Groups[r.group].Events < fewEvents {
			f.rows, f.of = append(f.rows, r), append(f.of, index[r.group])
		}
	}
	at = f.climb(at)
	for i, name := range names {
		g := l.params.Groups[name]
		e := at[limitTerms+perGroup*(i+1):]
		g.ShiftC = at[limitTerms+ofShift] + e[ofShift]
		g.SpreadC = min(8, math.Exp(at[limitTerms+ofSpread]+e[ofSpread]))
		g.SlowC = min(15, math.Exp(at[limitTerms+ofSlow]+e[ofSlow]))
		g.Chance = min(0.01, math.Exp(at[limitTerms+ofChance]+e[ofChance]))
		l.params.Groups[name] = g
	}
	l.params.Limit = LimitTerms{at[0], at[1], at[2], at[3], at[4], at[5]}
}

// climb maximises by damped scoring steps; each unknown is held above its lowest value.
func (f *limitFit) climb(at []float64) []float64 {
	n := len(at)
	value, grad, info := f.score(at, true)
	for range 25 {
		var chol mat.Cholesky
		step := mat.NewVecDense(n, nil)
		if !chol.Factorize(info) || chol.SolveVecTo(step, mat.NewVecDense(n, grad)) != nil {
			break
		}
		scale, moved := 1.0, false
		for range 14 {
			next := make([]float64, n)
			far := 0.0
			for i := range next {
				next[i] = max(f.lowest[i], at[i]+scale*step.AtVec(i))
				far = max(far, math.Abs(next[i]-at[i])/f.sd[i])
			}
			if v, _, _ := f.score(next, false); v > value {
				moved = v-value > 0.02 && far > 1e-3
				at = next
				break
			}
			scale /= 2
		}
		if !moved {
			break
		}
		value, grad, info = f.score(at, true)
	}
	return at
}

// score is the log posterior at some unknowns, and on demand its gradient and information.
func (f *limitFit) score(at []float64, slopes bool) (value float64, grad []float64, info *mat.SymDense) {
	n := len(at)
	grad = make([]float64, n)
	hess := make([]float64, n*n)
	for i := range at {
		off := (at[i] - f.prior[i]) / f.sd[i]
		value -= off * off / 2
		grad[i] = -off / f.sd[i]
		hess[i*n+i] = 1 / (f.sd[i] * f.sd[i])
	}
	const own = limitTerms + 2*perGroup
	var slot [own]int
	var g [own]float64
	of := make([][perGroup]float64, len(f.groups))
	for i := range of {
		for j := range perGroup {
			of[i][j] = at[limitTerms+j] + at[limitTerms+perGroup*(i+1)+j]
			if j != ofShift {
				of[i][j] = math.Exp(of[i][j])
			}
		}
	}
	for i := range f.rows {
		r, group := &f.rows[i], f.of[i]
		e := limitTerms + perGroup*(group+1)
		mu := r.meanC + of[group][ofShift]
		for j, x := range r.terms {
			mu += at[j] * x
		}
		logLik, byMu, bySpread, bySlow, byChance := r.logLik(mu, of[group][ofSpread], of[group][ofSlow], of[group][ofChance], f.groups[group].SlowSeen && !r.quiet)
		value += r.n * logLik
		if !slopes {
			continue
		}
		for j := range limitTerms {
			slot[j], g[j] = j, byMu*r.terms[j]
		}
		for j, d := range [perGroup]float64{byMu, bySpread, bySlow, byChance} {
			slot[limitTerms+j], g[limitTerms+j] = limitTerms+j, d
			slot[limitTerms+perGroup+j], g[limitTerms+perGroup+j] = e+j, d
		}
		for a := range own {
			grad[slot[a]] += r.n * g[a]
			for b := range own {
				hess[slot[a]*n+slot[b]] += r.n * g[a] * g[b]
			}
		}
	}
	for i, sure := range f.sure {
		e := limitTerms + perGroup*(i+1) + ofChance
		eps := math.Exp(at[limitTerms+ofChance] + at[e])
		if f.groups[i].SlowSeen {
			eps *= 3
		}
		value += sure * math.Log1p(-min(eps, 0.5))
		grad[limitTerms+ofChance] -= sure * eps
		grad[e] -= sure * eps
		for _, a := range [2]int{limitTerms + ofChance, e} {
			for _, b := range [2]int{limitTerms + ofChance, e} {
				hess[a*n+b] += sure * eps
			}
		}
	}
	return value, grad, mat.NewSymDense(n, hess)
}

// logLik of one start, with slopes in T*, ln σ, ln w and ln ε.
func (r *limitRow) logLik(mu, sigma, slowC, eps float64, slowSeen bool) (v, byMu, bySpread, bySlow, byChance float64) {
	s := math.Sqrt(sigma*sigma + r.variance)
	ds := sigma * sigma / s // ds/dlnσ
	fail := func() (p, m, sp, ch float64) {
		k := (mu - r.t) / s
		c, d := normalCDF(k), normalPDF(k)
		return eps + (1-eps)*c, (1 - eps) * d / s, -(1 - eps) * d * k / s * ds, eps * (1 - c)
	}
	worse := func() (p, m, sp, sl, ch float64) {
		if !slowSeen {
			p, m, sp, ch = fail()
			return p, m, sp, 0, ch
		}
		k := (mu + slowC - r.t) / s
		c, d := normalCDF(k), normalPDF(k)
		e := 3 * eps
		return e + (1-e)*c, (1 - e) * d / s, -(1 - e) * d * k / s * ds, (1 - e) * d / s * slowC, e * (1 - c)
	}
	switch r.ended {
	case hasFailed:
		p, m, sp, ch := fail()
		p = max(p, 1e-12)
		return math.Log(p), m / p, sp / p, 0, ch / p
	case wasSlow:
		pw, mw, sw, sl, cw := worse()
		pf, mf, sf, cf := fail()
		p := max(pw-pf, 1e-12)
		return math.Log(p), (mw - mf) / p, (sw - sf) / p, sl / p, (cw - cf) / p
	default:
		_, mw, sw, sl, cw := worse()
		k, e := (mu-r.t)/s, eps
		if slowSeen {
			k, e = (mu+slowC-r.t)/s, 3*eps
		}
		p := max((1-e)*normalCDF(-k), 1e-12) // not one less worse: that would leave no digits where a start was a wonder
		return math.Log(p), -mw / p, -sw / p, -sl / p, -cw / p
	}
}
