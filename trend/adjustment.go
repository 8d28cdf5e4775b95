package trend

import (
	"context"
	"math"

	"gonum.org/v1/gonum/mat"

	"rimeyard/internal/fleet"
)

// Adjustment corrects the season's chance by what the fleet's own past seasons show that the circuit does not: a logistic
// regression on the chance that the model would have given, with that winter's real nights, and on plain signs. It is drawn
// to no correction, and used only where it has foretold seasons that it was not fitted to better than the bare model.
type Adjustment struct {
	Used         bool
	Level, Slope float64
	Sign         []SignTerm
	Seasons      int
	GainNats     float64 // of log likelihood on seasons left out
}

// SignTerm is one sign's share: Coef·(value − Mean)/Scale is added to the logit.
type SignTerm struct {
	Name              string
	Mean, Scale, Coef float64
}

var signNames = [...]string{
	"wear", "wear per week", "demand", "loop", "lowest volts", "rest volts missing", "rest volts trend", "age", "slow starts", "failed starts", "breakdowns",
}

type signs [len(signNames)]float64

// signsOf reads the plain signs off a belief at the beginning of a week.
func (m *model) signsOf(b *belief) signs {
	day := mondayOf(b.week)
	var slow, failed, broke float64
	for i := range m.t.Events {
		if e := &m.t.Events[i]; e.Day < day && e.Day >= day-365 && e.FromRow {
			if e.Failed {
				failed++
			} else {
				slow++
			}
		}
	}
	for _, f := range m.t.Breakdowns {
		if f.Day < day && f.Day >= day-365 {
			broke++
		}
	}
	return signs{
		b.x[wear], 100 * (b.x[drift] - m.vPop), b.x[demand], b.x[loop], b.x[dip], max(0, fullRestV-b.restV), min(0, b.restTrend),
		m.ageAt(b.week) / 52, math.Log1p(slow), math.Log1p(failed), math.Log1p(broke),
	}
}

func (m *model) ageAt(week int) float64 {
	age := m.t.AgeWeeks + float64(week-m.t.FirstWeek)
	if m.t.AgeWeeks < 0 {
		age = m.p.MeanAgeWeeks
	}
	for _, c := range m.t.Changes {
		if c.Part == fleet.BatteryPart && c.Week <= week {
			age = (1-c.Share)*age + c.Share*float64(week-c.Week)
		}
	}
	return max(0, age)
}

// pastCase is one unit at the beginning of one past season.
type pastCase struct {
	season  int
	outlook [len(pastParts)]Outlook // as it was, and with each part healthy
	dawns   []float64
	ahead   int        // days from the outlook to the season
	cause   fleet.Part // of the first failure
	logit   float64
	signs   signs
	failed  float64
}

// pastParts are what an outlook is asked for: nothing healed, then each part.
var pastParts = [...]fleet.Part{"", fleet.BatteryPart, fleet.StarterPart, fleet.CablePart, fleet.ChargingPart, fleet.ControlPart}

// hindsight collects past cases while a track is filtered.
type hindsight struct {
	seasons []fleet.Season
	weather Weather
	asOf    fleet.Date
	cases   []pastCase
	now     []vector // of each unit, on the as-of date
}

func (o *hindsight) row(*model, *belief, kind, string, float64, predicted, float64, float64) {}
func (o *hindsight) starts(*model, *belief, *WeekRow, []Event)                               {}

// weekStart implements observer.
func (o *hindsight) weekStart(m *model, b *belief) {
	for i, s := range o.seasons {
		if weekOf(s.From) != b.week || b.week < m.t.FirstWeek+13 {
			continue
		}
		var dawns []float64
		for d := s.From; d <= s.To && d < o.asOf; d++ {
			if minC, _, known := o.weather.Day(m.t.Depot, d); known {
				dawns = append(dawns, minC)
			}
		}
		if len(dawns) < 120 {
			continue
		}
		c := pastCase{season: i, dawns: dawns, ahead: int(s.From - mondayOf(b.week)), signs: m.signsOf(b)}
		for _, f := range m.t.Breakdowns {
			if f.Day >= s.From && f.Day <= s.To && c.failed == 0 {
				c.failed, c.cause = 1, f.Cause
			}
		}
		for j, part := range pastParts {
			if j == 0 || c.failed > 0 {
				c.outlook[j] = m.outlook(b, part, b.week)
			}
		}
		o.cases = append(o.cases, c)
	}
}

func logit(p float64) float64 { return math.Log(p / (1 - p)) }

const (
	fewestFailures = 30 // in past seasons, to correct anything
	proofNats      = 2.0
	pastSeasons    = 4
)

func (l *learner) learnAdjustment(ctx context.Context) error {
	if len(l.tracks) == 0 {
		return nil
	}
	asOf := l.tracks[0].AsOf
	p := l.params
	parts, err := inChunks(ctx, l, func(tracks []Track) hindsight {
		var o hindsight
		for i := range tracks {
			t := &tracks[i]
			o.seasons, o.weather, o.asOf = nil, l.weather, asOf
			now := SeasonOf(asOf, l.weather.depots[t.Depot])
			for back := 1; back <= pastSeasons; back++ {
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
	if err := l.learnForesight(ctx, cases); err != nil {
		return err
	}
	for i := range cases {
		c := &cases[i]
		c.logit = logit(c.outlook[0].foreseen(l.params.Foresight).Risk(c.dawns, c.ahead, 0, nil))
	}
	l.params.Adjust = fitAdjustment(cases)
	l.learnBlame(cases)
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
		g.TypicalWear, g.TypicalDemand, g.TypicalLoop, g.TypicalDip = median(x[wear]), median(x[demand]), median(x[loop]), median(x[dip])
		l.params.Groups[name] = g
	}
}

// fitAdjustment fits to all seasons what, fitted to all but one, has foretold that one better.
func fitAdjustment(cases []pastCase) Adjustment {
	failed := 0.0
	seasons := map[int]bool{}
	for _, c := range cases {
		failed += c.failed
		seasons[c.season] = true
	}
	a := Adjustment{Slope: 1, Seasons: len(seasons)}
	if failed < fewestFailures || len(seasons) < 2 {
		return a
	}
	for left := range pastSeasons {
		if !seasons[left] {
			continue
		}
		var fit, test []pastCase
		for _, c := range cases {
			if c.season == left {
				test = append(test, c)
			} else {
				fit = append(fit, c)
			}
		}
		trial := ridgeLogistic(fit)
		for _, c := range test {
			a.GainNats += bernoulli(trial.logit(c.logit, c.signs), c.failed) - bernoulli(c.logit, c.failed)
		}
	}
	if a.GainNats < proofNats {
		return a
	}
	whole := ridgeLogistic(cases)
	whole.Used, whole.Seasons, whole.GainNats = true, a.Seasons, a.GainNats
	return whole
}

func bernoulli(logit, failed float64) float64 {
	if failed > 0 {
		return -softplus(-logit)
	}
	return -softplus(logit)
}

// logit corrects a chance given as logit. Signs and chances far outside what was seen count as if at its edge.
func (a Adjustment) logit(model float64, s signs) float64 {
	z := a.Level + a.Slope*min(max(model, -7), 4)
	for i, t := range a.Sign {
		z += t.Coef * min(max((s[i]-t.Mean)/t.Scale, -3), 3)
	}
	return z
}

// ridgeLogistic finds the posterior mode by Newton's method: level N(0, 0.3²), slope N(1, 0.25²), signs, in their own spreads, N(0, 0.3²).
func ridgeLogistic(cases []pastCase) Adjustment {
	const unknowns = 2 + len(signNames)
	a := Adjustment{Slope: 1, Sign: make([]SignTerm, len(signNames))}
	n := float64(len(cases))
	for i := range a.Sign {
		var sum, squares float64
		for _, c := range cases {
			sum += c.signs[i]
		}
		for _, c := range cases {
			squares += (c.signs[i] - sum/n) * (c.signs[i] - sum/n)
		}
		a.Sign[i] = SignTerm{Name: signNames[i], Mean: sum / n, Scale: max(1e-3, math.Sqrt(squares/n))}
	}
	var centre, at, precision [unknowns]float64
	centre[1] = 1
	for i := range precision {
		precision[i] = 1 / (0.3 * 0.3)
	}
	precision[0], precision[1] = 1/(0.1*0.1), 1/(0.1*0.1)
	at = centre
	const steps = 12
	for range steps {
		grad, info := mat.NewVecDense(unknowns, nil), mat.NewSymDense(unknowns, nil)
		for i := range unknowns {
			grad.SetVec(i, -precision[i]*(at[i]-centre[i]))
			info.SetSym(i, i, precision[i])
		}
		for _, c := range cases {
			x := [unknowns]float64{1, min(max(c.logit, -7), 4)}
			z := 0.0
			for i, t := range a.Sign {
				x[2+i] = min(max((c.signs[i]-t.Mean)/t.Scale, -3), 3)
			}
			for i := range x {
				z += at[i] * x[i]
			}
			p := sigmoid(z)
			for i := range x {
				grad.SetVec(i, grad.AtVec(i)+(c.failed-p)*x[i])
				for j := i; j < unknowns; j++ {
					info.SetSym(i, j, info.At(i, j)+p*(1-p)*x[i]*x[j])
				}
			}
		}
		var chol mat.Cholesky
		var step mat.VecDense
		if !chol.Factorize(info) || chol.SolveVecTo(&step, grad) != nil {
			break
		}
		for i := range at {
			at[i] += step.AtVec(i)
		}
	}
	a.Level, a.Slope = at[0], max(0.2, at[1])
	for i := range a.Sign {
		a.Sign[i].Coef = at[2+i]
	}
	return a
}

// Adjusted corrects a season's chance of this unit by what past seasons taught. It grows with p.
func (s State) Adjusted(p float64) float64 {
	a := &s.model.p.Adjust
	if !a.Used {
		return p
	}
	return min(max(sigmoid(a.logit(logit(p), s.model.signsOf(&s.belief))), 1e-6), 1-1e-6)
}
