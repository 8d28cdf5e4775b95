package gravel

import (
	"hash/fnv"
	"math"
	"math/rand/v2"
)

// stream is a source for one purpose and one number, so that nobody's draws depend on another's.
func stream(seed uint64, purpose string, number int) *rand.Rand {
	h := fnv.New64a()
	_, _ = h.Write([]byte("gravel " + purpose))
	return rand.New(rand.NewPCG(seed^0x67726176656c, h.Sum64()^uint64(number)*0xd1342543de82ef95))
}

func chance(r *rand.Rand, p float64) bool { return r.Float64() < p }

func uniform(r *rand.Rand, low, high float64) float64 { return low + (high-low)*r.Float64() }

// about is a lognormal factor with median 1.
func about(r *rand.Rand, sigma float64) float64 { return math.Exp(sigma * r.NormFloat64()) }

// within holds x between −limit and limit.
func within(x, limit float64) float64 { return max(-limit, min(limit, x)) }

func oneOf[T any](r *rand.Rand, from []T) T { return from[r.IntN(len(from))] }

// weighted picks an index; weights need not add up to 1.
func weighted(r *rand.Rand, n int, weight func(int) float64) int {
	var sum float64
	for i := range n {
		sum += weight(i)
	}
	x := sum * r.Float64()
	for i := range n - 1 {
		if x -= weight(i); x < 0 {
			return i
		}
	}
	return n - 1
}

// inverseGaussian draws with that mean and shape; its variance is mean³/shape (Michael, Schucany & Haas 1976).
func inverseGaussian(r *rand.Rand, mean, shape float64) float64 {
	z := r.NormFloat64()
	q := mean * z * z / (2 * shape)
	x := mean * (1 + q - math.Sqrt(q*(2+q)))
	if x <= 0 { // cancellation for a tiny mean
		return 0
	}
	if r.Float64()*(mean+x) > mean {
		return mean * mean / x
	}
	return x
}

// logistic rises from 0 to 1 about middle; width is the distance in which the odds grow e-fold.
func logistic(x, middle, width float64) float64 { return 1 / (1 + math.Exp((middle-x)/width)) }

func rounded(x, step float64) float64 {
	if step < 1 { // dividing by the inverse keeps 0.1 from reading 0.30000000000000004
		n := math.Round(1 / step)
		return math.Round(x*n) / n
	}
	return math.Round(x/step) * step
}
