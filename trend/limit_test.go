package trend

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// The slopes that the search climbs by, against differences.
func TestStartLikelihoodSlopes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := limitRow{t: rapid.Float64Range(-35, 10).Draw(t, "t"), variance: rapid.Float64Range(0.5, 60).Draw(t, "tau2"), n: 1}
		r.ended = ending(rapid.IntRange(0, 2).Draw(t, "ended"))
		slow := rapid.Bool().Draw(t, "slow seen")
		at := [4]float64{
			rapid.Float64Range(-30, 0).Draw(t, "limit"), rapid.Float64Range(0.5, 2).Draw(t, "ln sigma"),
			rapid.Float64Range(0.5, 2.5).Draw(t, "ln w"), rapid.Float64Range(-9, -5).Draw(t, "ln eps"),
		}
		value := func(x [4]float64) float64 {
			v, _, _, _, _ := r.logLik(x[0], math.Exp(x[1]), math.Exp(x[2]), math.Exp(x[3]), slow)
			return v
		}
		_, m, sp, sl, ch := r.logLik(at[0], math.Exp(at[1]), math.Exp(at[2]), math.Exp(at[3]), slow)
		if (r.ended == wasSlow && !slow) || value(at) < -8 {
			return // where slow starts are never reported none comes, and differences of the smallest chances are all rounding
		}
		for i, got := range [4]float64{m, sp, sl, ch} {
			const h = 1e-5
			up, down := at, at
			up[i] += h
			down[i] -= h
			require.InDelta(t, (value(up)-value(down))/(2*h), got, 1e-4*(1+math.Abs(got)), "slope %d", i)
		}
	})
}
