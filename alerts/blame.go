package alerts

import (
	"math"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// blame shares a failed start out among the parts: by how much the season's chance would fall if that part alone were as good as new,
// plus a little by how often each part was to blame in this fleet. Shares sum to 1.
func (f *judged) blame(s trend.State, w depotWinters, p float64) map[fleet.Part]float64 {
	score, signature := map[fleet.Part]float64{}, signatures(s)
	sum := 0.0
	for _, part := range fleet.Suspects() {
		healthy, _ := f.chance(s, w, part)
		score[part] = signature[part] * (f.params.Blame[part]*max(0, p-healthy) + trend.BookWeight*f.params.Shares[part])
		sum += score[part]
	}
	shares, left := map[fleet.Part]float64{}, 1.0
	suspects := fleet.Suspects()
	for _, part := range suspects[1:] {
		shares[part] = round(score[part]/sum, 4)
		left -= shares[part]
	}
	shares[suspects[0]] = max(0, round(left, 4))
	return shares
}

// worst is the part with the largest share; of equals the first in the order of suspects.
func worst(shares map[fleet.Part]float64) fleet.Part {
	suspects := fleet.Suspects()
	best := suspects[0]
	for _, part := range suspects[1:] {
		if shares[part] > shares[best] {
			best = part
		}
	}
	return best
}

// A pattern in the readings speaks for some parts and against others: by factors from 1/5 to 5, so that no pattern alone
// decides. The factors follow what workshops are taught (common practice, no source); the strength of a pattern grows
// between two bounds, so that a hair's breadth never turns a verdict.
type pattern struct {
	strength func(trend.State) float64
	factor   map[fleet.Part]float64
}

var patterns = [...]pattern{
	{ // the battery is worn beyond its class
		func(s trend.State) float64 {
			excess := s.Wear - s.WearTypical()
			return between(excess, 0.2, 0.5) * between(excess/s.WearSD, 1, 2)
		},
		map[fleet.Part]float64{fleet.BatteryPart: 5, fleet.StarterPart: 0.5, fleet.CablePart: 0.5, fleet.ChargingPart: 1, fleet.ControlPart: 0.5},
	},
	{ // engine and starter draw more than the class: a starter that drags, or a tight engine
		func(s trend.State) float64 {
			return between(s.Demand, 0.15, 0.35) * between(s.Demand/s.DemandSD, 1, 2)
		},
		map[fleet.Part]float64{fleet.BatteryPart: 0.3, fleet.StarterPart: 5, fleet.CablePart: 0.5, fleet.ChargingPart: 0.7, fleet.ControlPart: 0.5},
	},
	{ // resistance outside the battery: cables and contacts, or the starter's brushes
		func(s trend.State) float64 {
			return between(s.Delay, 0.2, 0.5) * between(s.Delay/s.DelaySD, 1, 2) * between(0.1-s.Demand, 0, 0.1)
		},
		map[fleet.Part]float64{fleet.BatteryPart: 0.3, fleet.StarterPart: 2, fleet.CablePart: 5, fleet.ChargingPart: 0.5, fleet.ControlPart: 0.5},
	},
	{ // rest volts are low or falling
		func(s trend.State) float64 {
			sure := between(0.15-s.RestSDV, 0, 0.08)
			return sure * max(between(12.4-s.RestV, 0.05, 0.25), between(-s.RestVPerWeek, 0.015, 0.0375))
		},
		map[fleet.Part]float64{fleet.BatteryPart: 0.5, fleet.StarterPart: 0.3, fleet.CablePart: 0.3, fleet.ChargingPart: 5, fleet.ControlPart: 0.5},
	},
}

// signatures is the product of the factors, each to the power of its pattern's strength.
func signatures(s trend.State) map[fleet.Part]float64 {
	product := map[fleet.Part]float64{}
	for _, part := range fleet.Suspects() {
		product[part] = 1
	}
	for _, p := range patterns {
		strength := p.strength(s)
		for part, factor := range p.factor {
			product[part] *= math.Pow(factor, strength)
		}
	}
	for part, v := range product {
		product[part] = min(5, max(0.2, v))
	}
	return product
}

// between grows from 0 at low to 1 at high.
func between(v, low, high float64) float64 { return min(1, max(0, (v-low)/(high-low))) }
