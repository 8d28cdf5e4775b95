package trend

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"

	"rimeyard/internal/fleet"
)

// lasting is the share of σ² that stays with a unit all season; the rest comes anew each night. Nights of one unit are not independent:
// taking them as such makes the risk half as large again.
const lasting = 0.6

// nodes of the Gauss–Hermite rule over the doubt about the cold limit. They are fixed, so colder nights
// raise the risk at each of them, and so their mean.
const nodes = 11

type node struct{ z, weight float64 }

var normalNodes = func() (n [nodes]node) {
	var x, w [nodes]float64
	quad.Hermite{}.FixedLocations(x[:], w[:], math.Inf(-1), math.Inf(1))
	for i := range n {
		// FixedLocations folds exp(x²) into the weight.
		n[i] = node{x[i] * math.Sqrt2, w[i] * math.Exp(-x[i]*x[i]) / math.Sqrt(math.Pi)}
	}
	return n
}()

// Outlook is where the cold limit will lie in the weeks to come, if nothing is done or if one part is put right.
type Outlook struct {
	limitC, sdC [3]float64 // now, and 13 and 26 weeks on
	nightSD     float64
	chance      float64 // of failing on a mild morning for no cause of cold, per start
	control     float64 // charging and control failures per day
	startsNight float64
	offsetC     float64
	g           *Group
}

var outlookWeeks = [3]float64{0, 13, 26}

// Outlook projects the state: wear grows by its drift, faster once it is large, rest volts follow a falling trend for ten weeks
// at most. With healthy set to a part, that part is as good as new.
func (s State) Outlook(healthy fleet.Part) Outlook {
	return s.model.outlook(&s.belief, healthy, s.belief.week).foreseen(s.model.p.Foresight)
}

func (m *model) outlook(b *belief, healthy fleet.Part, week int) Outlook {
	o := Outlook{
		nightSD: math.Sqrt((1 - lasting) * m.g.SpreadC * m.g.SpreadC), chance: m.g.Chance, startsNight: m.t.StartsPerDay,
		offsetC: m.t.NightOffsetC, g: &m.g,
	}
	o.control = m.p.ControlDaily[truth(m.t.clickedBefore(mondayOf(week)))]
	charging := max(0, m.p.OtherPerDay-m.p.ControlDaily[0])
	if healthy == fleet.ControlPart {
		o.control = 0
	}
	if healthy == fleet.ChargingPart {
		charging = 0
	}
	o.control += charging
	x, restV, trend := b.x, b.restV, min(0, b.restTrend)
	switch healthy {
	case fleet.BatteryPart:
		x[wear], x[drift] = min(x[wear], 0), min(x[drift], m.vPop)
	case fleet.StarterPart:
		x[demand] = min(x[demand], 0)
	case fleet.CablePart:
		x[loop] = min(x[loop], 0)
	case fleet.ChargingPart:
		restV, trend = max(restV, emptyRestV+0.85*restSpanV), 0
	}
	for i, t := range outlookWeeks {
		y := x
		y[wear] += x[drift] * t * (1 + 0.15*t/13*max(0, x[wear]))
		tStar, h, perRestV, _ := m.limit(&y, max(restV+trend*min(t, 10), emptyRestV-0.3))
		later := *b
		later.p[wear][wear] += 2*t*b.p[wear][drift] + t*t*b.p[drift][drift] + t*wander[wear]*wander[wear]
		later.p[demand][demand] += t * wander[demand] * wander[demand]
		later.p[loop][loop] += t * wander[loop] * wander[loop]
		later.restVar += t * restStepSD * restStepSD
		o.limitC[i] = tStar
		o.sdC[i] = math.Sqrt(later.limitVariance(h, perRestV) + lasting*m.g.SpreadC*m.g.SpreadC)
	}
	return o
}

// Foresight is what past seasons show of how far a forecast made before winter errs: units fade in ways that start after it.
type Foresight struct {
	ShiftC     float64 // on the cold limit
	SpreadC    float64 // more doubt about it from the start
	GrowC      float64 // and more with time: variance GrowC²·weeks
	Background float64 // factor on failures that no cold explains
}

func (o Outlook) foreseen(f Foresight) Outlook {
	for i, t := range outlookWeeks {
		o.limitC[i] += f.ShiftC
		o.sdC[i] = math.Sqrt(o.sdC[i]*o.sdC[i] + f.SpreadC*f.SpreadC + f.GrowC*f.GrowC*t)
	}
	o.chance *= f.Background
	o.control *= f.Background
	return o
}

// LimitC is the cold limit so many weeks from now, with its spread.
func (o Outlook) LimitC(weeks float64) (c, sd float64) {
	i := 0
	if weeks > outlookWeeks[1] {
		i = 1
	}
	w := (min(weeks, outlookWeeks[2]+26) - outlookWeeks[i]) / (outlookWeeks[i+1] - outlookWeeks[i])
	return o.limitC[i] + w*(o.limitC[i+1]-o.limitC[i]), max(0.1, o.sdC[i]+w*(o.sdC[i+1]-o.sdC[i]))
}

// Risk is the chance of at least one failed start on a run of nights, the first of which lies firstDay days ahead.
// By day it gives, when asked, the chance up to and including each night.
func (o Outlook) Risk(dawnC []float64, firstDay int, spreadC float64, byDay []float64) float64 {
	night := math.Hypot(o.nightSD, spreadC*math.Sqrt(1-lasting))
	steady := spreadC * math.Sqrt(lasting)
	const certainAbove = 5.0
	var survived [nodes]float64 // cold alone, one start per night
	for i := range survived {
		survived[i] = 1
	}
	quietNight := math.Log1p(-min(o.control, 0.5)) + o.startsNight*math.Log1p(-min(o.chance, 0.5))
	quiet, warmest := 0.0, normalNodes[nodes-1].z
	for d, t := range dawnC {
		limit, sd := o.LimitC(float64(firstDay+d) / 7)
		sd = math.Hypot(sd, steady)
		t += o.offsetC
		quiet += quietNight
		if limit+warmest*sd-t > -certainAbove*night {
			for i := range normalNodes {
				if k := (limit + normalNodes[i].z*sd - t) / night; k > -certainAbove {
					survived[i] = max(survived[i]*(1-tabulatedCDF(k)), 1e-300)
				}
			}
		}
		if byDay != nil {
			byDay[d] = o.risen(&survived, quiet)
		}
	}
	return o.risen(&survived, quiet)
}

// risen is the chance of a failed start by now. Each night has the same number of starts, so it can be taken to the product.
func (o Outlook) risen(survived *[nodes]float64, quiet float64) float64 {
	p := 0.0
	for i, n := range normalNodes {
		p -= n.weight * math.Expm1(o.startsNight*math.Log(survived[i])+quiet)
	}
	return min(max(p, 1e-6), 1-1e-6)
}

const (
	cdfSteps = 256 // per standard deviation; the error between them is under 5e-7
	cdfEnd   = 5
)

var cdfTable = func() (t [2*cdfEnd*cdfSteps + 2]float64) {
	for i := range t {
		t[i] = normalCDF(float64(i)/cdfSteps - cdfEnd)
	}
	return t
}()

// tabulatedCDF is Φ by straight lines between tabulated values, which never falls.
func tabulatedCDF(z float64) float64 {
	x := min(max(z+cdfEnd, 0), 2*cdfEnd) * cdfSteps
	i := int(x)
	return cdfTable[i] + (x-float64(i))*(cdfTable[i+1]-cdfTable[i])
}

// Morning is the chance that one start fails after a night with the given low.
func (o Outlook) Morning(lowC float64) float64 {
	o.startsNight = 1
	return o.Risk([]float64{lowC}, 0, 0, nil)
}
