package proving

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// stream is a source of its own for one purpose and one unit, so that nothing depends on who draws first.
func stream(seed uint64, purpose string, i int) *rand.Rand {
	h := fnv.New64a()
	_, _ = h.Write([]byte(purpose))
	return rand.New(rand.NewPCG(seed, h.Sum64()+uint64(i)*0x9e3779b97f4a7c15))
}

func hit(r *rand.Rand, chance float64) bool { return r.Float64() < chance }

func between(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }

// spread is a factor about 1, by about the share given.
func spread(r *rand.Rand, share float64) float64 { return math.Exp(share * r.NormFloat64()) }

func pick[T any](r *rand.Rand, from []T) T { return from[r.IntN(len(from))] }

// pickBy picks an index by weight.
func pickBy[T any](r *rand.Rand, from []T, weight func(T) float64) int {
	var all float64
	for _, x := range from {
		all += weight(x)
	}
	at := all * r.Float64()
	for i, x := range from {
		if at -= weight(x); at < 0 {
			return i
		}
	}
	return len(from) - 1
}

func roundTo(x, step float64) float64 { // dividing by the inverse keeps 0.1 from reading 0.30000000000000004
	if step < 1 {
		n := math.Round(1 / step)
		return math.Round(x*n) / n
	}
	return math.Round(x/step) * step
}
