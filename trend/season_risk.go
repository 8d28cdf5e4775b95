package trend

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
)

// nodes of the Gauss–Hermite rule over the doubt about the cold limit. They are fixed, so colder nights
// raise the risk at each of them, and so their mean.
const nodes = 11

type node struct{ z, weight float64 }

var normalNodes = func() (n [nodes]node) {
	var x, w [nodes]float64
	quad.Hermite{}.FixedLocations(x[:], w[:], math.Inf(-1), math.Inf(1))
	for i := range n {
		n[i] = node{x[i] * math.Sqrt2, w[i] / math.SqrtPi}
	}
	return n
}()

// Outlook is where the cold limit will lie in the weeks to come, if nothing is done.
type Outlook struct {
	rawC, sdC   [3]float64 // the circuit's limit less the class's, and the filter's doubt, now and 13 and 26 weeks on
	signs       signs
	quiet       [quietCount]float64
	startsNight float64
	offsetC     float64

	perRaw              float64 // °C for each 10 °C of the circuit's
	levelC, growthC     float64 // from the other signs
	startVar, growVar   float64
	nightSD, quietDaily float64
	spared              float64
}

var outlookWeeks = [3]float64{0, 13, 26}

// Outlook projects the state: wear grows by its drift, faster once it is large, rest volts follow a falling trend for ten weeks
// at most; what past seasons taught comes on top.
func (s State) Outlook() Outlook {
	return s.model.foreseen(&s.belief)
}

func (m *model) outlook(b *belief) Outlook {
	o := Outlook{startsNight: m.t.StartsPerDay, offsetC: m.t.NightOffsetC}
	for i, t := range outlookWeeks {
		y := *b
		y.x[wear] += y.x[drift] * t * (1 + 0.15*t/13*max(0, y.x[wear]))
		y.restV = max(y.restV+min(0, y.restTrend)*min(t, 10), emptyRestV-0.3)
		raw, slope := m.circuitLimit(&y.x, y.restV)
		y.p[wear][wear] += 2*t*b.p[wear][drift] + t*t*b.p[drift][drift]
		for j := range parts {
			if j != drift {
				y.p[j][j] += t * wander[j] * wander[j]
			}
		}
		y.restVar += t * restStepSD * restStepSD
		h, perRestV := m.limitSlopes(&y, slope)
		o.rawC[i] = raw - m.g.MeanLimitC
		o.sdC[i] = math.Sqrt(y.limitVariance(&h, perRestV))
	}
	o.signs = m.signsOf(b, o.rawC[0]+m.g.MeanLimitC)
	o.quiet = m.quietOf(b.week, &o.signs)
	return o
}

// foresee adds what past seasons taught.
func (o *Outlook) foresee(f *Foresight, group string) {
	o.levelC, o.growthC, o.perRaw = f.Group[group], 0, f.Level[signLimit]
	for i, x := range o.signs {
		if i != signLimit {
			o.levelC += f.Level[i] * x
		}
		o.growthC += f.Growth[i] * x
	}
	quiet := 0.0
	for i, x := range o.quiet {
		quiet += f.Quiet[i] * x
	}
	o.quietDaily = math.Exp(min(quiet, -2))
	o.startVar, o.growVar, o.nightSD = f.StartSDC*f.StartSDC, f.GrowSDC*f.GrowSDC, f.NightSDC
	o.spared = f.Spared
}

// at is the circuit's limit and the filter's doubt some half years on.
func (o *Outlook) at(halfYears float64) (rawC, sd float64) {
	w := min(halfYears, 1.5) * 2
	i := 0
	if w > 1 {
		i = 1
	}
	w -= float64(i)
	return o.rawC[i] + w*(o.rawC[i+1]-o.rawC[i]), max(0.1, o.sdC[i]+w*(o.sdC[i+1]-o.sdC[i]))
}

// LimitC is the cold limit so many weeks from now, with its spread.
func (o Outlook) LimitC(weeks float64) (c, sd float64) {
	c, variance := o.limitAt(weeks)
	return c, math.Sqrt(variance)
}

func (o *Outlook) limitAt(weeks float64) (c, variance float64) {
	t := min(weeks/26, 1.5)
	c, sd := o.at(t)
	return o.perRaw*c/10 + o.levelC + t*o.growthC, sd*sd + o.startVar + t*o.growVar
}

// lasting is the share of the doubt about the source of the temperatures that stays with a unit all season.
const lasting = 0.6

// Risk is the chance of at least one failed start on a run of nights, the first of which lies firstDay days ahead.
// By day it gives, when asked, the chance up to and including each night.
func (o Outlook) Risk(dawnC []float64, firstDay int, spreadC float64, byDay []float64) float64 {
	const certainAbove = 5.0
	night := math.Hypot(o.nightSD, spreadC*math.Sqrt(1-lasting))
	steady, warm := spreadC*spreadC*lasting, certainAbove*night
	var log, alive [nodes]float64 // of no failed start because of cold, by node: ln, and the share with its weight
	cold := 0.0                   // the sum of alive
	for i := range alive {
		alive[i] = normalNodes[i].weight
		cold += alive[i]
	}
	cold0 := cold // 1 but for rounding
	top := nodes - 1
	quiet, quietNight := 1.0, math.Exp(-o.quietDaily)
	for d, t := range dawnC {
		limit, variance := o.limitAt(float64(firstDay+d) / 7)
		above := limit - o.offsetC - t + warm
		sd := math.Sqrt(variance + steady)
		for top > 0 && log[top] < noneLeft {
			alive[top] = 0
			top--
		}
		if above+normalNodes[top].z*sd > 0 {
			for i := top; i >= 0 && above+normalNodes[i].z*sd > 0; i-- {
				// Each night has the same number of starts.
				log[i] += o.startsNight * logSurvival((above+normalNodes[i].z*sd)/night-certainAbove)
				alive[i] = normalNodes[i].weight * math.Exp(log[i])
			}
			cold = 0
			for _, a := range alive {
				cold += a
			}
		}
		quiet *= quietNight
		if byDay != nil {
			byDay[d] = risen((o.spared + (1-o.spared)*cold/cold0) * quiet)
		}
	}
	return risen((o.spared + (1-o.spared)*cold/cold0) * quiet)
}

// risen is the chance of a failed start by now.
func risen(survived float64) float64 { return min(max(1-survived, 1e-6), 1-1e-6) }

const (
	cdfSteps = 256 // per standard deviation; the error between them is under 2e-6
	cdfEnd   = 5
	tableEnd = 30
)

// survivalTable holds ln(1−Φ) and its slope with the sign turned, the hazard φ/(1−Φ).
var survivalTable = func() (t [(cdfEnd+tableEnd)*cdfSteps + 2]struct{ log, hazard float64 }) {
	for i := range t {
		k := float64(i)/cdfSteps - cdfEnd
		alive := normalCDF(-k)
		t[i].log, t[i].hazard = math.Log(alive), normalPDF(k)/alive
	}
	return t
}()

// logSurvival is ln(1−Φ(k)) by straight lines between tabulated values, which never rises.
func logSurvival(k float64) float64 {
	x := min(max(k+cdfEnd, 0), cdfEnd+tableEnd) * cdfSteps
	i := int(x)
	return survivalTable[i].log + (x-float64(i))*(survivalTable[i+1].log-survivalTable[i].log)
}
