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

// spread of one row of a test, and of a week's cranks where the unit's own cannot be told.
var spread = [kinds]float64{0.07, 0.12, 0.15, 0.12, 0.12, 0.06, 0.06, 0.25}

// ownPart is how a unit reads off its class in a channel.
var ownPart = [kinds]int{wear, wear, wear, demand, dip, amps, pace, delay}

// noiseOf is the spread of a unit's weekly rows in each channel, from how they differ week by week once the class's curve is taken out, as
// if ten rows of the usual spread had been seen before.
func (m *model) noiseOf() (sd [channels]float64) {
	for k := range kinds {
		sd[k] = spread[k]
	}
	for k := kSag; k < kinds; k++ {
		d := differences{usual: spread[k]}
		for pass := range 2 {
			d.begin(pass)
			for i := range m.t.Weeks {
				if w := &m.t.Weeks[i]; w.yOf(k).N > 0 {
					d.take(w.Week, w.yOf(k).Y-m.g.Channel[k].Curve.at(w.TemperatureC), 2)
				}
			}
		}
		sd[k] = d.spread()
	}
	rest, tests := differences{usual: 0.04}, differences{usual: 0.04}
	for pass := range 2 {
		rest.begin(pass)
		tests.begin(pass)
		for i := range m.t.Weeks {
			if w := &m.t.Weeks[i]; w.Rest.N > 0 {
				rest.take(w.Week, w.Rest.Y, 2)
			}
		}
		for i := range m.t.Tests {
			if r := &m.t.Tests[i]; r.Rest.N > 0 {
				tests.take(r.Week, r.Rest.Y, 20)
			}
		}
	}
	sd[restChannel], sd[testRestChannel] = rest.spread(), tests.spread()
	return sd
}

// differences gathers how rows that lie close to each other differ. Those beyond three times the mean count as that.
type differences struct {
	usual, sum, n, far, last float64
	week                     int
}

func (d *differences) begin(pass int) {
	d.far = math.Inf(1)
	if pass > 0 && d.n > 0 {
		d.far = 3 * d.sum / d.n
	}
	d.sum, d.n, d.week = 0, 0, -1000
}

func (d *differences) take(week int, y float64, near int) {
	if week-d.week <= near {
		d.sum += min(math.Abs(y-d.last), d.far)
		d.n++
	}
	d.last, d.week = y, week
}

// spread is that of one row: a normal difference of two has the mean size 2σ/√π.
func (d *differences) spread() float64 {
	const before = 10
	return (d.sum + before*2*d.usual/math.SqrtPi) / (d.n + before) * math.SqrtPi / 2
}

func (m *model) variance(k kind) float64 {
	f := m.p.Noise[k] * m.noise[k]
	return f * f
}

// predicted is what the belief says of a row, with slopes.
type predicted struct {
	mean float64
	h    vector
}

func (m *model) predictTest(b *belief, r *TestRow, k kind) predicted {
	switch k {
	case kCCA:
		return predicted{-b.x[wear] + m.p.TestBias + m.p.deviceLn(r.Device, r.Week), vector{wear: -1}}
	case kLoad:
		return predicted{b.x[wear], vector{wear: 1}}
	default:
		return predicted{b.x[wear] + m.p.deviceLn("ohm "+r.Device, r.Week), vector{wear: 1}}
	}
}

// coldness is 0 at 5 °C and 1 for each 10 °C below.
func coldness(temperatureC float64) float64 { return min(max((5-temperatureC)/10, -2), 3.5) }

func (m *model) predictWeek(b *belief, w *WeekRow, k kind) predicted {
	own, onWear := ownPart[k], m.p.OnWear[k]
	out := predicted{mean: m.level(k) + m.g.Channel[k].Curve.at(w.TemperatureC) + onWear*b.x[wear] + b.x[own]}
	out.h[wear], out.h[own] = onWear, 1
	cold := -1
	switch k {
	case kSag:
		cold = steepness
	case kSeconds:
		cold = delayCold
	}
	if cold >= 0 {
		c := coldness(w.TemperatureC)
		out.mean += c * b.x[cold]
		out.h[cold] = c
	}
	return out
}

// level of a channel in the unit's class; what a battery's rating takes from the volts lost and the current is allowed for.
func (m *model) level(k kind) float64 {
	switch k {
	case kSag:
		return m.logF
	case kCurrent:
		return m.g.Channel[k].Level + m.logF - m.g.LogDemand
	}
	return m.g.Channel[k].Level
}

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
