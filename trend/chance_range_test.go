package trend

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Against scipy.stats.beta.ppf of SciPy 1.10.1 with a = k·p, b = k·(1−p), k = 1/settled − 1.
func TestChanceRangeAgainstSciPy(t *testing.T) {
	for _, c := range []struct{ chance, settled, p05, p95 float64 }{
		{0.03, 0.6, 1.953981505e-65, 0.1596486406},
		{0.1, 0.6, 7.522378914e-20, 0.7517356615},
		{0.3, 0.6, 1.102474177e-06, 0.9829710122},
		{0.41, 0.6, 7.719779036e-05, 0.9965060177},
		{0.86, 0.6, 0.1373518365, 1},
		{0.3, 0.2, 0.03167891766, 0.6894181316},
		{0.0004, 0.6, 0, 0.0004}, // SciPy's upper end is 6·10⁻⁸⁴; the stated chance is never left out
	} {
		low, high := Params{Shown: Shown{Settled: c.settled}}.ChanceRange(c.chance)
		require.InDelta(t, c.p05, low, 1e-9, "%+v", c)
		require.InDelta(t, c.p95, high, 1e-9, "%+v", c)
	}
}

func TestChanceRangeHoldsTheChanceAndRisesWithIt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		p, settled := rapid.Float64Range(0.0005, 0.98).Draw(t, "chance"), rapid.Float64Range(0.05, 0.9).Draw(t, "settled")
		fleet := Params{Shown: Shown{Settled: settled}}
		low, high := fleet.ChanceRange(p)
		require.True(t, 0 <= low && low <= p && p <= high && high <= 1)
		higherLow, higherHigh := fleet.ChanceRange(p + 0.01)
		require.True(t, higherLow >= low-1e-9 && higherHigh >= high-1e-9, "a higher chance has higher ends")
	})
}
