package tides

import (
	"fmt"
	"math"
	"time"

	"rimeyard/internal/fleet"
)

// model of a logger: what its kind can do. Volts are per 12 V.
type model struct {
	share            float64
	offsetV, noiseV  float64
	perV             float64 // steps to the volt
	misses           float64 // of the first dip, by slow sampling
	far              float64 // share of the cables that lies between it and the battery posts
	mean, duration   bool
	clamp, revs      float64 // chance that it has an ammeter, that it counts revolutions
	thermometer      float64 // chance that it has one
	warm             float64 // chance that it sends starts by day too
	blurs            bool    // tells no slow start from a good one
	loses            float64 // of its rows
	ownOffset, heats float64 // spread of offset from piece to piece; its thermometer sits so much too warm
}

var models = []model{
	{share: 0.06, perV: 1},
	{share: 0.36, offsetV: 0.02, noiseV: 0.04, perV: 50, misses: 0.08, mean: true, duration: true, clamp: 0.35, revs: 0.3, thermometer: 0.95, warm: 0.95, loses: 0.02, ownOffset: 0.05},
	{share: 0.26, offsetV: -0.08, noiseV: 0.06, perV: 20, misses: 0.25, far: 0.6, mean: true, duration: true, revs: 0.55, thermometer: 0.9, warm: 1, loses: 0.02, ownOffset: 0.07, heats: 0.8},
	{share: 0.2, offsetV: 0.06, noiseV: 0.07, perV: 10, misses: 0.5, far: 0.3, mean: true, duration: true, thermometer: 0.8, warm: 0.9, blurs: true, loses: 0.04, ownOffset: 0.08, heats: 0.5},
	{share: 0.12, offsetV: -0.03, noiseV: 0.05, perV: 20, misses: 0.15, mean: true, duration: true, clamp: 0.9, revs: 0.5, thermometer: 0.9, warm: 0.8, loses: 0.05, ownOffset: 0.06},
}

// logger is one piece of a model.
type logger struct {
	*model
	offset, gain       float64
	offC               float64
	ammeter, counter   bool
	hasC, warm, hasOil bool
}

func newLogger(d dice) logger {
	m := byWeight(d, models, func(m *model) float64 { return m.share })
	return logger{
		model: m, offset: m.offsetV + m.ownOffset*d.NormFloat64(), gain: d.times(0.05), offC: m.heats + 0.7*d.NormFloat64(),
		ammeter: d.yes(m.clamp), counter: d.yes(m.revs), hasC: d.yes(m.thermometer), warm: d.yes(m.warm), hasOil: m.far > 0 && d.yes(0.5),
	}
}

// seen is one turn of the key as it went.
type seen struct {
	c       meeting
	circuit *circuit
	outcome fleet.Outcome
}

// log writes a turn of the key as the unit's logger tells it.
func (u *unit) log(at time.Time, s *seen) {
	l, d := &u.logger, u.reads
	if l.noiseV == 0 || d.yes(l.loses) || s.c.soakH < 5 && !l.warm {
		return
	}
	x, n := s.circuit.turning()
	if s.outcome == fleet.NoCrank {
		n = 0
	}
	first, firstV := s.circuit.first(x)
	far := l.far * s.circuit.cableV * (1 + 12*s.circuit.cable.harm())
	restV := s.circuit.bank.rest + 0.22*math.Exp(-s.c.soakH/5)
	meanV := s.circuit.under(&s.circuit.bank, x) - far*x
	dipV := firstV - far*first
	twelves := float64(u.class.volts) / 12
	volts := func(v float64) float64 { return max(0.1, v+l.offset+l.noiseV*d.NormFloat64()) * twelves }
	rest := volts(restV)
	mean := min(rest, volts(meanV))
	low := min(mean, volts(dipV+l.misses*d.within(0.5, 1.5)*(meanV-dipV)))
	row := fleet.Crank{
		Unit: u.book.Unit.ID, At: at, Outcome: s.outcome, RestV: fleet.Known(toPer(rest, l.perV)), MinV: fleet.Known(toPer(low, l.perV)),
	}
	if l.mean {
		row.MeanV = fleet.Known(toPer(mean, l.perV))
	}
	if l.duration {
		row.DurationMs = fleet.Known(u.lasts(s, n))
	}
	if l.hasC {
		row.TemperatureC = fleet.Known(toPer(s.c.airC+l.offC+0.6*d.NormFloat64(), 2))
	}
	if l.hasOil {
		row.CoolantC = fleet.Known(toPer(s.c.oilC+1.5*d.NormFloat64(), 1))
	}
	if l.ammeter {
		row.CurrentA = fleet.Known(toPer(x*u.machine.ratedA*l.gain*d.times(0.03), 1))
	}
	if l.counter {
		row.RPM = fleet.Known(toPer(n*u.machine.usualRPM*d.times(0.02), 1))
	}
	if l.blurs && s.outcome == fleet.Slow {
		row.Outcome = fleet.Started
	}
	u.book.Cranks = append(u.book.Cranks, row)
}

// lasts is how long the key was held, in milliseconds: until the engine fires, or until the driver gives up.
func (u *unit) lasts(s *seen, n float64) float64 {
	d := u.reads
	var seconds float64
	switch s.outcome {
	case fleet.NoCrank:
		seconds = d.within(1, 6)
	case fleet.NoStart:
		seconds = d.within(6, 18)
	case fleet.Started, fleet.Slow:
		turns := 2.2 + 0.05*max(0, 20-s.c.oilC)
		if u.class.fuel == fleet.Petrol {
			turns *= 0.75
		}
		seconds = turns / (max(0.15, n) * u.machine.usualRPM / 60) * (1 + 0.5*s.circuit.control.harm()) * d.times(0.14)
	}
	return 10 * toPer(1000*min(seconds, 60)/10, 1)
}

// tester is one of a workshop's instruments.
type tester struct {
	name   string
	loads  bool // puts half the rating on for 15 s as well
	gain   float64
	offV   float64
	repeat float64
	by     [2]string
}

func newTesters(seed uint64, n int, p *depot) []tester {
	d := throw(seed, "testers", n)
	out := make([]tester, p.testers)
	for i := range out {
		out[i] = tester{
			name: fmt.Sprintf("%s/%c", p.ID, 'A'+rune(i)), loads: i == 1 || n%3 == 2, gain: d.times(0.04), offV: 0.04 * d.NormFloat64(),
			repeat: d.within(0.04, 0.08), by: [2]string{fmt.Sprintf("t%02d", 10*n+1), fmt.Sprintf("t%02d", 10*n+2)},
		}
	}
	return out
}

// test reads each battery and tells the lowest share of the rating shown.
func (u *unit) test(airC float64) (lowest float64) {
	d := u.reads
	t := oneOf(d, u.testers[u.depot.ID])
	at, by := u.sky.at(u.today, d.within(8.5, 16)), t.by[d.IntN(2)]
	lowest = 9
	for i := range u.class.count {
		b := &u.machine.batteries[i]
		row := fleet.Test{
			Unit: u.book.Unit.ID, Position: i + 1, At: at.Add(time.Duration(3*i) * time.Minute), Tester: t.name, TestedBy: by,
			RestV: fleet.Known(toPer(b.rest()+0.1*d.Float64()*d.Float64()+t.offV+0.015*d.NormFloat64(), 100)),
		}
		if f := u.fitted(i + 1); f != nil && d.yes(0.6) {
			row.Battery = f.Battery
		}
		if d.yes(0.85) {
			row.TemperatureC = fleet.Known(toPer(airC+1.2*d.NormFloat64(), 1))
		}
		share := b.shown() * t.gain * d.times(t.repeat) * (1 + 0.0015*(airC-25)) // it makes up for most of what the cold does
		lowest = min(lowest, share)
		row.CCAA, row.CCAStandard = fleet.Known(5*toPer(share*u.part.labelA()/5, 1)), u.part.label
		if d.yes(0.5) {
			row.ResistanceMOhm = fleet.Known(toPer(1000*(leadV+acidV)/u.part.ratedA/share*d.times(0.03), 100))
		}
		if d.yes(0.5) {
			row.SoCPct = fleet.Known(math.Round(clamp(100*(row.RestV.Or(0)-restLowV)/restSpan, 0, 100)))
		}
		if t.loads && d.yes(0.6) {
			p, k := b.plates(), coldAt(airC)
			loadV := max(0.5, p.volts(0.5, &k)+t.offV+0.06*d.NormFloat64())
			row.LoadV, row.LoadA, row.LoadS = fleet.Known(toPer(loadV, 100)), fleet.Known(10*toPer(u.part.ratedA/20, 1)), fleet.Known(15.0)
		}
		u.book.Tests = append(u.book.Tests, row)
	}
	return lowest
}
