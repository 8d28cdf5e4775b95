package trend

import (
	"math"

	"rimeyard/internal/fleet"
)

// Foresight is what past seasons teach of the months that follow a date: where cold limits go from where the filter sees them, how
// far that may err, how much nights differ, and what fails without cold. All of it is in °C and in rates, so a winter harder than any
// on record is judged by the same rule. It begins at what other fleets showed and moves as far as the fleet's own seasons say.
type Foresight struct {
	Level  [signCount]float64 // °C of cold limit per unit of a sign, at once
	Growth [signCount]float64 // and more after half a year
	Quiet  [quietCount]float64
	Group  map[string]float64 // °C

	StartSDC, GrowSDC float64 // spread of the limit at once, and what half a year adds
	NightSDC          float64 // of one morning about the limit
	Spared            float64 // share of units that no cold of the season stops, whatever their readings say
	Failures, Seasons int     // learned from
}

// Taught is how far the fleet's own failures, and not those of other fleets, say where limits lie: 0 without any, 1 with very many.
func (f *Foresight) Taught() float64 {
	const half = 150 // cases that failed; set by fleets with one, two and three years of records
	n := float64(f.Failures)
	return n / (n + half)
}

// The signs that a limit is read from.
const (
	signOne        = iota
	signLimit      // the circuit's limit
	signLimitHigh  // … beyond limitKneeC over the class
	signWear       // the state, part by part
	signWearExcess // wear beyond wearKnee
	signWearLow    // wear below a new battery's
	signDrift
	signDriftHigh
	signDemand
	signSteep
	signDip
	signDelay
	signDelayHigh
	signDelayCold
	signPace
	signAmps
	signEmpty // rest volts
	signRestFalls
	signRestDrops
	signAge
	signOld
	signSlow // slow starts, failed starts and breakdowns of the last year
	signFailed
	signBroke
	signNoLogger
	signNews                               // of each channel: risen, then fallen
	signCoarse = signNews + 2*newsChannels // its logger tells neither mean volts nor how long it cranks
	signTested = signCoarse + 1            // the last tests read worse than all else lets expect
	signCount  = signCoarse + 2
)

// Channels whose news are signs.
var newsOf = [...]struct {
	channel int
	scale   float64 // what counts as 1
}{
	{int(kCCA), 0.05}, {int(kOhm), 0.10}, {int(kSag), 0.05}, {int(kLow), 0.05}, {int(kCurrent), 0.03}, {int(kSpeed), 0.03}, {int(kSeconds), 0.08}, {restChannel, 0.02}, {testRestChannel, 0.02},
}

const (
	newsChannels = 9
	limitKneeC   = 10.0
	driftKnee    = 0.001
	delayKnee    = 0.15
	oldWeeks     = 230.0
	// newsSure spreads of a row are what the difference of a month and a year makes by itself, about twice over.
	newsSure = 0.7
	mostNews = 3.0
)

// worse says of each sign whether more of it can only make a start harder (+1), easier (−1), or either. A fleet in which the weak
// were mended would otherwise teach that a failed start is a good sign.
var worse = func() (w [signCount]float64) {
	for _, i := range [...]int{
		signLimit, signLimitHigh, signWear, signWearExcess, signDrift, signDriftHigh, signEmpty, signRestFalls, signRestDrops,
		signSlow, signFailed, signBroke, signTested,
	} {
		w[i] = 1
	}
	w[signWearLow] = -1
	for i, c := range newsOf {
		switch c.channel {
		case int(kCCA), restChannel, testRestChannel:
			w[signNews+2*i], w[signNews+2*i+1] = -1, 1
		case int(kSag), int(kOhm):
			w[signNews+2*i], w[signNews+2*i+1] = 1, -1
		}
	}
	return w
}()

const wearKnee = 0.4

// whole is how a channel reads off a class with new batteries: what the battery's wear makes of it and what is the unit's own. A test
// can only say which of the two it is.
func (m *model) whole(b *belief, own int, k kind) float64 { return b.x[own] + m.p.OnWear[k]*b.x[wear] }

func (m *model) news(b *belief, s *signs) {
	for i, c := range newsOf {
		p := &b.path[c.channel]
		noise, least := m.noise[c.channel], 8.0
		if c.channel <= int(kOhm) || c.channel == testRestChannel {
			least = 4
		}
		if p.n < least {
			continue
		}
		sure := newsSure * noise
		s[signNews+2*i] = min(mostNews, max(0, p.news()-sure)/c.scale)
		s[signNews+2*i+1] = min(mostNews, max(0, -p.news()-sure)/c.scale)
	}
}

// tested is by how much the last few tests read worse than the battery is thought to be: ln of resistance; 0 without tests.
func (b *belief) tested() float64 {
	switch conductance, load := &b.path[kCCA], &b.path[kLoad]; {
	case conductance.n > 0:
		return -conductance.fast - b.x[wear]
	case load.n > 0:
		return load.fast - b.x[wear]
	}
	return 0
}

// What fails without cold.
const (
	quietOne = iota
	quietClicks
	quietEmpty
	quietSlow
	quietCount
)

type signs [signCount]float64

// signsOf reads them off a belief at the beginning of a week; each is of the order of 1.
func (m *model) signsOf(b *belief, rawC float64) signs {
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
	s := signs{
		signOne: 1, signLimit: (rawC - m.g.MeanLimitC) / 10, signWearExcess: 2 * max(0, b.x[wear]-wearKnee), signDrift: -100 * m.vPop,
		signEmpty: 5 * max(0, fullRestV-0.15-b.restV), signRestFalls: -50 * min(0, b.restTrend), signRestDrops: 5 * b.restDropV,
		signAge: min(m.ageAt(b.week), 520) / 208, signSlow: min(2, math.Log1p(slow)), signFailed: min(2, math.Log1p(failed)), signBroke: min(2, math.Log1p(broke)),
	}
	for _, st := range signState {
		s[st.sign] += st.scale * (b.x[st.part] + m.p.OnWear[st.channel]*b.x[wear])
	}
	s[signLimitHigh] = max(0, rawC-m.g.MeanLimitC-limitKneeC) / 10
	s[signWearLow] = 2 * max(0, -b.x[wear])
	s[signDriftHigh] = 100 * max(0, b.x[drift]-m.vPop-driftKnee)
	s[signDelayHigh] = 2 * max(0, m.whole(b, delay, kSeconds)-delayKnee)
	s[signOld] = max(0, min(m.ageAt(b.week), 520)-oldWeeks) / 104
	m.news(b, &s)
	if !m.t.HasLogger {
		s[signNoLogger] = 1
	} else if b.path[kSag].n == 0 && b.path[kSeconds].n == 0 {
		s[signCoarse] = 1
	}
	s[signTested] = 2 * b.tested()
	return s
}

func (m *model) quietOf(week int, s *signs) [quietCount]float64 {
	q := [quietCount]float64{quietOne: 1, quietEmpty: s[signEmpty], quietSlow: s[signSlow]}
	if m.t.clickedBefore(mondayOf(week)) {
		q[quietClicks] = 1
	}
	return q
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
