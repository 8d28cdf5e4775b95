package trend

import (
	"maps"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// The first lessons need no filter: how readings of one unit move with temperature, and tests with time.

// slopes gathers y on (x, x², t) within units: each unit's own mean is taken out first, so a unit that is weak and stands in the
// cold does not bend the curve.
type slopes struct {
	xx    [3][3]float64
	xy    [3]float64
	n     float64
	temps []float64
}

func (s *slopes) addUnit(rows [][3]float64, y []float64) {
	if len(y) < 4 {
		return
	}
	// Values far from the unit's middle are neighbours' readings or dead batteries: they are drawn in.
	mid := median(slices.Clone(y))
	var mean [3]float64
	meanY := 0.0
	n := float64(len(y))
	for i, r := range rows {
		y[i] = min(max(y[i], mid-0.8), mid+0.8)
		for j := range 3 {
			mean[j] += r[j] / n
		}
		meanY += y[i] / n
	}
	for i, r := range rows {
		for j := range 3 {
			s.xy[j] += (r[j] - mean[j]) * (y[i] - meanY)
			for k := range 3 {
				s.xx[j][k] += (r[j] - mean[j]) * (r[k] - mean[k])
			}
		}
	}
	s.n += n
}

// curve solves the ridge; priors are the spreads that the two coefficients may have, noise one row's.
func (s *slopes) curve(noise float64, priorA, priorB float64) curve {
	if s.n < 30 {
		return curve{}
	}
	a := s.xx
	for j, sd := range [3]float64{priorA, priorB, 0.5} {
		a[j][j] += noise * noise / (sd * sd)
	}
	sol := solve3(a, s.xy)
	slices.Sort(s.temps)
	n := len(s.temps)
	return curve{A: sol[0], B: sol[1], From: s.temps[n/100], To: min(25, s.temps[n-1-n/100])}
}

func solve3(a [3][3]float64, b [3]float64) (x [3]float64) {
	for i := range 3 {
		for j := i + 1; j < 3; j++ {
			f := a[j][i] / a[i][i]
			for k := i; k < 3; k++ {
				a[j][k] -= f * a[i][k]
			}
			b[j] -= f * b[i]
		}
	}
	for i := 2; i >= 0; i-- {
		x[i] = b[i]
		for k := i + 1; k < 3; k++ {
			x[i] -= a[i][k] * x[k]
		}
		x[i] /= a[i][i]
	}
	return x
}

// learnCurves fits each group's curves of sag, lowest volts and speed. Few rows leave them at what the circuit says.
func (l *learner) learnCurves() {
	byGroup := map[string]*[kinds]slopes{}
	for i := range l.tracks {
		t := &l.tracks[i]
		b := byGroup[t.Group]
		if b == nil {
			b = &[kinds]slopes{}
			byGroup[t.Group] = b
		}
		for k := kSag; k < kinds; k++ {
			var rows [][3]float64
			var y []float64
			for j := range t.Weeks {
				w := &t.Weeks[j]
				if m := w.yOf(k); m.N > 0 {
					x := (min(w.TemperatureC, 25) - 5) / 10
					rows = append(rows, [3]float64{x, x * x, float64(w.Week-t.FirstWeek) / 52})
					y = append(y, m.Y)
					b[k].temps = append(b[k].temps, w.TemperatureC)
				}
			}
			b[k].addUnit(rows, y)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(byGroup)) {
		g := l.params.Groups[name]
		for k := kSag; k < kinds; k++ {
			s := curveSpread[k]
			g.Channel[k].Curve = byGroup[name][k].curve(s.noise, s.straight, s.bent)
		}
		l.params.Groups[name] = g
	}
}

// curveSpread is one row's noise and how far the curves' two coefficients may go.
var curveSpread = [kinds]struct{ noise, straight, bent float64 }{
	kSag: {0.12, 0.15, 0.05}, kLow: {0.15, 0.30, 0.10}, kCurrent: {0.08, 0.15, 0.05}, kSpeed: {0.10, 0.30, 0.10}, kSeconds: {0.45, 0.40, 0.15},
}

// learnDrift takes the growth of wear per week from tests of one battery over time, by depot, drawn to the fleet's and that to
// the usual 0.003.
func (l *learner) learnDrift() {
	all, byDepot := course{}, map[fleet.DepotID]course{}
	for i := range l.tracks {
		t := &l.tracks[i]
		for _, c := range t.testCourses() {
			d := byDepot[t.Depot]
			byDepot[t.Depot] = course{d.tt + c.tt, d.ty + c.ty}
			all = course{all.tt + c.tt, all.ty + c.ty}
		}
	}
	// A slope's weight is tt / 0.1²; the prior's spread is half the usual drift, a depot's about the fleet's a third of it.
	const noise, usual = 0.10, 0.003
	shrunk := func(s course, about, sd float64) float64 {
		prior := noise * noise / (sd * sd)
		return max(0.0005, (s.ty+about*prior)/(s.tt+prior))
	}
	l.params.DriftPerWeek = shrunk(all, usual, usual/2)
	for depot, s := range byDepot {
		l.params.Drift[depot] = shrunk(s, l.params.DriftPerWeek, l.params.DriftPerWeek/3)
	}
}

// clicksCount is how long a click speaks for a fault in the control circuit.
const clicksCount = 180 // days

func (t *Track) clickedBefore(d fleet.Date) bool {
	for i := range t.Events {
		if e := &t.Events[i]; e.Click && e.Day < d && e.Day >= d-clicksCount {
			return true
		}
	}
	return false
}

// meanAge is the mean age now of batteries whose age is known.
func (l *learner) learnAges() {
	sum, n := 0.0, 0.0
	for i := range l.tracks {
		t := &l.tracks[i]
		if age, known := t.age(); known {
			sum, n = sum+age, n+1
		}
	}
	l.params.MeanAgeWeeks = (sum + 20*l.params.MeanAgeWeeks) / (n + 20)
	byGroup := map[string][2]float64{}
	for i := range l.tracks {
		if t := &l.tracks[i]; t.Rated != 0 {
			s := byGroup[t.Group]
			byGroup[t.Group] = [2]float64{s[0] + t.Rated, s[1] + 1}
		}
	}
	for name, s := range byGroup {
		g := l.params.Groups[name]
		g.LogRated = s[0] / s[1]
		l.params.Groups[name] = g
	}
}

// age is the battery's age in weeks on the as-of date.
func (t *Track) age() (weeks float64, known bool) {
	for _, c := range slices.Backward(t.Changes) {
		if c.Part == fleet.BatteryPart && c.Share > 0.5 {
			return float64(t.AsOfWeek - c.Week), true
		}
	}
	if t.AgeWeeks < 0 {
		return 0, false
	}
	return t.AgeWeeks + float64(t.AsOfWeek-t.FirstWeek), true
}

// learnLife fits how long batteries last. Only removals said to be failures count as such.
func (l *learner) learnLife(lives []Life) {
	prior := WeibullPrior{math.Log(2.6), 0.25, math.Log(5.5 * 52), 0.3} // from memory
	if fit, err := FitWeibull(lives, prior); err == nil && !math.IsNaN(fit.Scale) {
		l.params.Life = fit.Weibull
	}
}
