package proving

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"rimeyard/internal/fleet"
)

// make of a logger.
type loggerMake int

const (
	noLogger   loggerMake = iota
	fastLogger            // sees the dip
	slowLogger            // samples so seldom that its lowest volts lie between the dip and the mean
	telematics            // lowest and rest volts, coarsely, and whether it ran
)

// logger is what records a unit's cranks, with its own errors. Volts are per 12 V.
type logger struct {
	kind                   loggerMake
	offsetV                float64 // of its make and of this one piece
	noiseV                 float64
	stepV                  float64
	missed                 float64 // mean share of the dip that it misses
	thermometerC           float64 // its error; NaN: it has none
	mean, duration         bool
	current, rpm, coolant  bool
	currentGain, losesRows float64
}

func newLogger(good bool, r *rand.Rand) logger {
	l := logger{offsetV: 0.1 * r.NormFloat64(), thermometerC: 0.8 * r.NormFloat64(), currentGain: spread(r, 0.04), losesRows: 0.01}
	warm := hit(r, 0.85)
	x := r.Float64()
	if good {
		x = 0.08 + 0.5*x
	}
	switch {
	case x < 0.08:
		return logger{}
	case x < 0.43: // a good one
		l.kind, l.noiseV, l.stepV, l.missed, l.mean, l.duration = fastLogger, 0.05, 0.05, 0.05, true, true
		l.current, l.rpm, l.coolant = hit(r, 0.35), hit(r, 0.3), hit(r, 0.4)
	case x < 0.58: // an older make that reads low
		l.kind, l.noiseV, l.stepV, l.missed, l.mean, l.duration = fastLogger, 0.09, 0.1, 0.12, true, true
		l.offsetV -= 0.12
		l.rpm = hit(r, 0.2)
	case x < 0.8:
		l.kind, l.noiseV, l.stepV, l.missed, l.mean, l.duration = slowLogger, 0.07, 0.1, 0.5, true, true
		l.offsetV += 0.08
	default:
		l.kind, l.noiseV, l.stepV, l.missed = telematics, 0.08, 0.1, 0.3
		l.offsetV += 0.05
		warm = hit(r, 0.5)
	}
	if !warm {
		l.thermometerC = math.NaN()
	}
	return l
}

// log writes a crank as the unit's logger sees it.
func (l *life) log(at time.Time, c Crank, read Read) {
	lg, r := &l.logger, l.readR
	if lg.kind == noLogger || hit(r, lg.losesRows) {
		return
	}
	twelves := float64(l.class.volts) / 12
	volts := func(v, missed float64) float64 {
		return max(0, v+missed+(lg.offsetV+lg.noiseV*r.NormFloat64())*twelves)
	}
	row := fleet.Crank{Unit: l.book.Unit.ID, At: at, Outcome: read.Outcome}
	plateau := read.PlateauV
	if !(plateau > 0) {
		plateau = read.DipV
	}
	missed := lg.missed * (0.6 + 0.8*r.Float64()) * max(0, plateau-read.DipV)
	rest := volts(read.RestV, 0)
	mean := min(rest, volts(plateau, 0))
	low := min(mean, volts(read.DipV, missed))
	row.RestV, row.MinV = fleet.Known(roundTo(rest, lg.stepV)), fleet.Known(roundTo(low, lg.stepV))
	if lg.mean {
		row.MeanV = fleet.Known(roundTo(mean, lg.stepV))
	}
	if lg.duration && read.Ms > 0 {
		row.DurationMs = fleet.Known(min(120_000, roundTo(read.Ms*spread(r, 0.06), 10)))
	}
	if !math.IsNaN(lg.thermometerC) {
		row.TemperatureC = fleet.Known(roundTo(c.AirC+lg.thermometerC+0.6*r.NormFloat64(), 0.5))
	}
	if lg.coolant {
		row.CoolantC = fleet.Known(roundTo(c.OilC+r.NormFloat64(), 1))
	}
	if lg.current && read.CurrentA >= 0 {
		row.CurrentA = fleet.Known(roundTo(read.CurrentA*lg.currentGain*spread(r, 0.03), 1))
	}
	if lg.rpm && read.RPM >= 0 {
		row.RPM = fleet.Known(roundTo(read.RPM*spread(r, 0.02), 1))
	}
	if lg.kind == telematics && row.Outcome == fleet.Slow {
		row.Outcome = fleet.Started
	}
	l.book.Cranks = append(l.book.Cranks, row)
}

// tester is an instrument of a workshop.
type tester struct {
	name   string
	load   bool // puts a load on for 15 s; else it measures conductance
	bias   float64
	biasV  float64
	repeat float64 // noise of one reading, as a share
	by     []string
}

func makeTesters(seed uint64, depot int, pl place) []tester {
	r := stream(seed, "testers", depot)
	var out []tester
	for i := range pl.testers {
		out = append(out, tester{
			name: fmt.Sprintf("%s-%d", pl.depot.ID, i+1), load: i == 1 && depot%2 == 0,
			bias: spread(r, 0.05), biasV: 0.06 * r.NormFloat64(), repeat: between(r, 0.025, 0.05),
			by: []string{fmt.Sprintf("m%d", 2*depot+1), fmt.Sprintf("m%d", 2*depot+2)},
		})
	}
	return out
}

// test measures each battery of the unit, and tells the lowest share of the rating that was shown.
func (l *life) test(airC float64) (lowest float64) {
	r := l.readR
	at, tt := l.sky.clock(l.day, between(r, 9, 16)), pick(r, l.testers)
	by := pick(r, tt.by)
	lowest = 1
	for pos := 1; pos <= l.class.batteries; pos++ {
		b := l.m.Test(pos, airC)
		row := fleet.Test{
			Unit: l.book.Unit.ID, Position: pos, At: at.Add(time.Duration(2*pos) * time.Minute), TestedBy: by, Tester: tt.name,
			RestV: fleet.Known(roundTo(max(0, b.RestV+0.02*r.NormFloat64()), 0.01)),
		}
		if f := l.fitted(pos); f != nil && hit(r, 0.5) {
			row.Battery = f.Battery
		}
		if hit(r, 0.8) {
			row.TemperatureC = fleet.Known(roundTo(airC+r.NormFloat64(), 1))
		}
		if tt.load {
			loadV := max(0.5, b.LoadV+tt.biasV+0.06*r.NormFloat64())
			row.LoadV, row.LoadA, row.LoadS = fleet.Known(roundTo(min(loadV, row.RestV.Or(13)), 0.01)), fleet.Known(roundTo(l.part.ratedA/2, 5)), fleet.Known(15.0)
			lowest = min(lowest, 1+(loadV-10.3)/2)
		} else {
			shown := max(0, b.CCAShare*tt.bias*spread(r, tt.repeat))
			row.CCAA, row.CCAStandard = fleet.Known(roundTo(shown*l.part.labelA(), 5)), l.part.label
			if b.MOhm > 0 && hit(r, 0.7) {
				row.ResistanceMOhm = fleet.Known(roundTo(b.MOhm*spread(r, 0.05)/tt.bias, 0.05))
			}
			if hit(r, 0.6) {
				row.SoCPct = fleet.Known(math.Round(min(100, max(0, 100*(b.RestV+0.03*r.NormFloat64()-11.7)/1.05))))
			}
			lowest = min(lowest, shown)
		}
		l.book.Tests = append(l.book.Tests, row)
	}
	return lowest
}
