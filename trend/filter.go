package trend

import (
	"math"

	"rimeyard/internal/fleet"
)

func logOf(x float64) float64 { return math.Log(x) }

// The parts of the hidden state: one for the battery, which every channel sees, and for each channel how this unit reads off its class.
const (
	wear      = iota // r: ln of the battery's resistance over that of a new one
	drift            // v: growth of r per week
	demand           // volts lost while cranking: ln over the class, beyond the battery's wear
	steepness        // … and how much more in each 10 °C of cold
	dip              // lowest volts
	delay            // ln of the crank's duration
	delayCold        // … in each 10 °C of cold
	pace             // ln of engine speed
	amps             // ln of current
	parts
)

type vector [parts]float64

type matrix [parts][parts]float64

// Process noise per week, standard deviations.
var wander = vector{0.012, 0.0004, 0.012, 0.003, 0.012, 0.030, 0.006, 0.012, 0.012}

// usual is how far units of one class differ, as standard deviations; wear and drift go by age instead.
var usual = vector{0, 0, 0.15, 0.05, 0.30, 0.25, 0.08, 0.12, 0.15}

// Spreads when nothing is known.
const (
	newWearSD, ageSpread   = 0.08, 0.6 // ageSpread: of the drift between batteries, as a share of it
	unknownAgeSD           = 0.20
	restStepSD             = 0.02 * restSpanV
	restRowSD, restUnitySD = 0.03 * restSpanV, 0.05 * restSpanV
)

// belief is what is thought of a unit in one week: a normal distribution over the state, and the rest volts with theirs.
type belief struct {
	week           int
	readWeek       int // of the last row or test; neverRead: none
	x              vector
	p              matrix
	restV, restVar float64
	restTrend      float64 // V per week
	restDropV      float64 // how far the week's lowest rest volts lie under its middle, smoothed
	path           [channels]path
	compared       bool // logLik is wanted
	logLik         float64
	lastSign       [kinds]int8 // of the last row that surprised
	swapsInferred  int
	swapWeek       int
}

// model is a track with the parameters that apply to it.
type model struct {
	t       *Track
	p       *Params
	g       Group
	circuit *circuit
	logF    float64
	vPop    float64
	noise   [channels]float64
}

func newModel(t *Track, p *Params) *model {
	m := &model{t: t, p: p, g: p.group(t), vPop: p.drift(t.Depot)}
	m.logF = m.g.LogDemand
	if t.Rated != 0 && m.g.LogRated != 0 {
		m.logF -= t.Rated - m.g.LogRated
	}
	_, quit := demandOf(t.Fuel)
	m.circuit = newCircuit(m.logF, quit, t.OilOffsetC, m.g.Channel[kSag].Curve)
	m.noise = m.noiseOf()
	return m
}

// prior is the belief before the first reading.
func (m *model) prior() belief {
	age, extra := m.t.AgeWeeks, 0.0
	if age < 0 {
		age, extra = m.p.MeanAgeWeeks, unknownAgeSD*unknownAgeSD
	}
	b := belief{week: m.t.FirstWeek, readWeek: neverRead, restV: assumedRestV, restVar: 0.10 * 0.10}
	// A battery that has lasted longer than most is one that ages slowly: its age says no more than that.
	v := m.vPop * min(1, oldWeeks/max(age, 1))
	vSD := ageSpread * m.vPop
	b.x[wear], b.x[drift] = v*age, v
	b.p[drift][drift] = vSD * vSD
	b.p[wear][wear] = newWearSD*newWearSD + vSD*vSD*age*age + extra
	b.p[wear][drift] = vSD * vSD * age
	b.p[drift][wear] = b.p[wear][drift]
	for i := demand; i < parts; i++ {
		b.p[i][i] = usual[i] * usual[i]
	}
	return b
}

// ahead moves the belief one week on: r grows by v, v leans to the usual drift, all wander.
func (b *belief) ahead(vPop float64) {
	const keep = 0.995
	b.week++
	b.x[wear] += b.x[drift]
	b.x[drift] = vPop + keep*(b.x[drift]-vPop)
	// P ← F P Fᵀ + Q with F = I but r += v, v ·= keep.
	for j := range parts {
		b.p[wear][j] += b.p[drift][j]
		b.p[drift][j] *= keep
	}
	for i := range parts {
		b.p[i][wear] += b.p[i][drift]
		b.p[i][drift] *= keep
		b.p[i][i] += wander[i] * wander[i]
	}
	b.restVar += restStepSD * restStepSD
}

// forget keeps a share of what is known of one part of the state and takes the rest from mean and sd.
func (b *belief) forget(i int, keep, mean, sd float64) {
	for j := range parts {
		b.p[i][j] *= keep
		b.p[j][i] *= keep
	}
	b.x[i] = keep*b.x[i] + (1-keep)*mean
	b.p[i][i] += (1 - keep) * sd * sd
}

// change renews a part: what is new is known as well as a new one is, what stays is kept. One new battery of two takes half the wear away.
func (m *model) change(b *belief, c Change) {
	switch c.Part {
	case fleet.BatteryPart:
		b.forget(wear, 1-c.Share, 0, newWearSD)
		b.forget(drift, 1-c.Share, m.vPop, ageSpread*m.vPop)
		b.forget(steepness, 1-0.5*c.Share, 0, usual[steepness])
		b.forget(delayCold, 1-0.5*c.Share, 0, usual[delayCold])
		b.forget(delay, 1-0.3*c.Share, 0, usual[delay])
		b.restV += c.Share * max(0, assumedRestV+0.05-b.restV)
		b.restVar += c.Share * 0.05 * 0.05
		b.restTrend *= 1 - c.Share
		b.restDropV *= 1 - c.Share
		b.path = [channels]path{}
	case fleet.StarterPart, fleet.CablePart:
		for i := demand; i < parts; i++ {
			keep := 0.5
			if i == steepness {
				keep = 0.8
			}
			b.forget(i, keep, 0, usual[i])
		}
		for k := kSag; k < kinds; k++ {
			b.path[k] = path{}
		}
	case fleet.ChargingPart:
		b.path[restChannel], b.path[testRestChannel] = path{}, path{}
		b.restTrend, b.restDropV = 0, 0
		b.restVar += 0.15 * 0.15
	}
}

// update takes in one row: y = mean(x) + noise of variance v, with slopes h. It returns the surprise in standard deviations as the row
// found it. Rows beyond two standard deviations count by distance, not its square (Huber; Masreliez and Martin 1977): a
// redescending weight would make a worse reading count less.
func (b *belief) update(y, mean float64, h *vector, v float64) (z float64) {
	ph, along := b.toward(h)
	s := v + along
	innovation := y - mean
	z = innovation / math.Sqrt(s)
	if b.compared {
		b.logLik += logT4(z) - 0.5*math.Log(s)
	}
	if far := math.Abs(z) / 2; far > 1 {
		v *= far
	}
	b.shift(&ph, innovation/(v+along), 1/(v+along))
	b.hold()
	return z
}

// toward is P·h, and the variance of h·x.
func (b *belief) toward(h *vector) (ph vector, variance float64) {
	for j, x := range h {
		if x != 0 {
			for i := range parts {
				ph[i] += b.p[j][i] * x
			}
		}
	}
	for j, x := range h {
		variance += x * ph[j]
	}
	return ph, variance
}

// along is the variance of h·x.
func (b *belief) along(h *vector) float64 {
	_, variance := b.toward(h)
	return variance
}

// shift moves the state by step·ph and takes shrink·ph·phᵀ from its variance, which stays symmetric to the last bit.
func (b *belief) shift(ph *vector, step, shrink float64) {
	for i, x := range ph {
		if x == 0 {
			continue
		}
		b.x[i] += x * step
		x *= shrink
		for j := range i {
			b.p[i][j] -= x * ph[j]
			b.p[j][i] = b.p[i][j]
		}
		b.p[i][i] -= x * ph[i]
	}
}

// hold keeps the state where circuits exist, and variances above 0.
func (b *belief) hold() {
	for i := range parts {
		b.p[i][i] = max(b.p[i][i], leastVariance)
		b.x[i] = min(max(b.x[i], lowest[i]), highest[i])
	}
}

var (
	lowest  = vector{-0.5, -0.02, -1.2, -0.4, -3, -2, -1, -1.5, -2}
	highest = vector{3, 0.1, 1.5, 0.4, 3, 3, 1, 1, 2}
)

// leastVariance keeps rounding from making a variance negative.
const leastVariance = 1e-8

// logT4 is the log density of Student's t with 4 degrees of freedom, for comparing two tellings of the same rows.
func logT4(z float64) float64 { return math.Log(0.375) - 2.5*math.Log1p(z*z/4) }

// open lets the belief move when two rows of a kind in a row surprise in the same direction: something changed.
func (b *belief) open(k kind, z float64) {
	sign := int8(0)
	if z > 2 {
		sign = 1
	} else if z < -2 {
		sign = -1
	}
	if sign != 0 && sign == b.lastSign[k] {
		if k <= kOhm {
			b.p[wear][wear] += 0.2 * 0.2
		} else {
			own := ownPart[k]
			b.p[own][own] += 0.25 * usual[own] * usual[own]
			b.p[wear][wear] += 0.05 * 0.05
		}
	}
	b.lastSign[k] = sign
}

// rest takes in n readings of rest volts with the mean v.
func (b *belief) rest(v float64, n int) {
	noise := restRowSD*restRowSD + restUnitySD*restUnitySD/float64(n)
	if z := (v - b.restV) / math.Sqrt(b.restVar+noise); math.Abs(z) > 2 {
		noise *= math.Abs(z) / 2
	}
	gain := b.restVar / (b.restVar + noise)
	step := gain * (v - b.restV)
	b.restV += step
	b.restVar *= 1 - gain
	b.restTrend = 0.85*b.restTrend + 0.15*step
}

// channels are those of the rows and the rest volts.
const (
	restChannel     = int(kinds) // before the first crank of a day
	testRestChannel = int(kinds) + 1
	channels        = int(kinds) + 2
)

// path follows how one channel of a unit moves: fast over about a month, slow over about a year or since a part was renewed. What the
// two differ by is news; where both stand is only what this unit is like.
type path struct{ fast, slow, n float64 }

const (
	fastRows = 5.0
	slowRows = 45.0
)

func (p *path) take(y, noise float64, fast, slow float64) {
	p.n++
	if p.n > 3 { // far values count as three spreads off, as much as it takes for three in a row to be believed
		y = min(max(y, p.fast-3*noise), p.fast+3*noise)
	}
	p.fast += (y - p.fast) / min(p.n, fast)
	p.slow += (y - p.slow) / min(p.n, slow)
}

// news is what the last month differs from the last year by.
func (p *path) news() float64 { return p.fast - p.slow }
