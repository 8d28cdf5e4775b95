package tides

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// dice is one source of chance for one purpose of one unit, day or future, so that no draw depends on another's order.
type dice struct{ *rand.Rand }

func throw(seed uint64, purpose string, n int) dice {
	h := fnv.New64a()
	_, _ = h.Write([]byte(purpose))
	x := uint64(n) + 0x9e3779b97f4a7c15 // mixed as by SplitMix64, lest neighbours be alike
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return dice{rand.New(rand.NewPCG(seed^h.Sum64(), x^x>>31))}
}

func (d dice) yes(chance float64) bool { return d.Float64() < chance }

func (d dice) within(low, high float64) float64 { return low + (high-low)*d.Float64() }

// times is a factor about 1, by about that share.
func (d dice) times(share float64) float64 { return math.Exp(share * d.NormFloat64()) }

func oneOf[T any](d dice, from []T) T { return from[d.IntN(len(from))] }

func byWeight[T any](d dice, from []T, weight func(*T) float64) *T {
	var all float64
	for i := range from {
		all += weight(&from[i])
	}
	x := all * d.Float64()
	for i := range from {
		if x -= weight(&from[i]); x < 0 {
			return &from[i]
		}
	}
	return &from[len(from)-1]
}

// toPer rounds to one part in so many: 20 is to 0.05.
func toPer(x, parts float64) float64 { return math.Round(x*parts) / parts }

func clamp(x, low, high float64) float64 { return max(low, min(high, x)) }
