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
// if ten rows of the usual spread had been seen before. Differences beyond three times the mean count as that.
func (m *model) noiseOf() (sd [kinds]float64) {
	const before = 10
	for k := range kinds {
		sd[k] = spread[k]
		if k < kSag {
			continue
		}
		var sum, n float64
		for range 2 {
			far := math.Inf(1)
			if n > 0 {
				far = 3 * sum / n
			}
			sum, n = 0, 0
			last, lastWeek := 0.0, -9
			for i := range m.t.Weeks {
				w := &m.t.Weeks[i]
				y := w.yOf(k)
				if y.N == 0 {
					continue
				}
				v := y.Y - m.g.Channel[k].Curve.at(w.TemperatureC)
				if w.Week-lastWeek <= 2 {
					sum, n = sum+min(math.Abs(v-last), far), n+1
				}
				last, lastWeek = v, w.Week
			}
		}
		// A normal difference of two rows has the mean size 2σ/√π.
		usual := 2 * spread[k] / math.SqrtPi
		sd[k] = (sum + before*usual) / (n + before) * math.SqrtPi / 2
	}
	return sd
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
		return predicted{-b.x[wear] + m.p.TestBias + m.p.Devices[r.Device], vector{wear: -1}}
	case kLoad:
		return predicted{b.x[wear], vector{wear: 1}}
	default:
		return predicted{b.x[wear] + m.p.Devices["ohm "+r.Device], vector{wear: 1}}
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
