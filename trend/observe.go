package trend

import (
	"math"
)

// kind is what a row measures.
type kind int

const (
	kCCA kind = iota
	kLoad
	kOhm
	kSag
	kLow
	kCurrent
	kSpeed
	kSeconds
	kinds
)

// spread of one row and, for the rows of cranks, what a week's mean never gets below however many they are, since the circuit errs alike in all.
var spread = [kinds]struct{ row, floor float64 }{
	{0.07, 0}, {0.12, 0}, {0.15, 0}, {0.09, 0.07}, {0.15, 0.12}, {0.06, 0.04}, {0.06, 0.06}, {0.45, 0.25},
}

const medianWaste = 1.57 // variance of a median over that of a mean, normal rows

func (m *model) variance(k kind, n int) float64 {
	s := spread[k]
	f := m.p.Noise[k]
	waste := medianWaste
	if k <= kOhm {
		waste = 1
	}
	return f * f * (s.floor*s.floor + waste*s.row*s.row/float64(max(1, n)))
}

// predicted is what the belief says of a row, with slopes.
type predicted struct {
	mean float64
	h    vector
}

func (m *model) predictTest(b *belief, r *TestRow, k kind) predicted {
	switch k {
	case kCCA:
		return predicted{-b.x[wear] + m.p.TestBias + m.p.Devices[r.Device], vector{wear: -1}}
	case kLoad:
		return predicted{b.x[wear], vector{wear: 1}}
	default:
		return predicted{b.x[wear] + m.p.Devices["ohm "+r.Device], vector{wear: 1}}
	}
}

func (m *model) predictWeek(b *belief, w *WeekRow, k kind) predicted {
	x := &b.x
	switch k {
	case kSag:
		return predicted{m.logF + m.g.Sag.at(w.TemperatureC) + m.p.SagOnWear*x[wear] + x[demand], vector{wear: m.p.SagOnWear, demand: 1}}
	case kLow:
		whole := cableShare + lockedOhms + max(x[loop], -0.1)
		return predicted{
			m.g.LowLevel + m.g.Low.at(w.TemperatureC) + m.p.LowOnWear*x[wear] - math.Log(whole/(cableShare+lockedOhms)) + x[dip],
			vector{wear: m.p.LowOnWear, loop: -1 / whole, dip: 1},
		}
	case kCurrent:
		return predicted{m.g.CurrentLevel + m.logF - m.g.LogDemand + x[demand], vector{demand: 1}}
	case kSpeed:
		// A starter slows by what battery, engine and cables take from it; how much in a usual circuit is from memory.
		return predicted{
			m.g.SpeedLevel + m.g.Speed.at(w.TemperatureC) - 0.4*x[wear] - 0.8*x[demand] - 0.8*x[loop],
			vector{wear: -0.4, demand: -0.8, loop: -0.8},
		}
	default:
		basis, slope := m.slowness(b, w.TemperatureC)
		for i := range slope {
			slope[i] *= m.g.Seconds[1]
		}
		return predicted{m.g.Seconds[0] + m.g.Seconds[1]*basis, slope}
	}
}

const lockedOhms = 0.9 // starter held fast, in R0 (from memory)

// slowness grows from 0 as the volts to spare at a temperature fall through 3 V: ln(1+exp((3−U)/0.7)).
func (m *model) slowness(b *belief, t float64) (basis float64, slope vector) {
	s := m.circuit.spare(b.x[wear], b.x[demand], b.x[loop], b.restV)
	u := m.circuit.spareAt(s, t)
	z := (3 - u) / 0.7
	basis = softplus(z)
	perU := -sigmoid(z) / 0.7
	x := min(max((t-coldestGridC)/gridStepC, 0), gridPoints-1.0001)
	battery, wires := s.a*m.circuit.battery[int(x)], s.b*m.circuit.cable[int(x)]
	slope[wear] = -perU * battery
	slope[demand] = -perU * (battery + wires)
	slope[loop] = -perU * s.perC * m.circuit.cable[int(x)]
	return basis, slope
}

func softplus(z float64) float64 {
	if z > 30 {
		return z
	}
	return math.Log1p(math.Exp(z))
}

func sigmoid(z float64) float64 { return 1 / (1 + math.Exp(-z)) }

// yOf is a week's mean of a kind.
func (w *WeekRow) yOf(k kind) Mean {
	switch k {
	case kSag:
		return w.Sag
	case kLow:
		return w.Low
	case kCurrent:
		return w.Current
	case kSpeed:
		return w.Speed
	default:
		return w.Seconds
	}
}

func (r *TestRow) yOf(k kind) Mean {
	switch k {
	case kCCA:
		return r.CCA
	case kLoad:
		return r.Load
	default:
		return r.Ohm
	}
}
