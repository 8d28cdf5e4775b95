package trend

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

// drawCase is a past case as it may be: some cold nights, then a failure or the season's end.
func drawCase(t *rapid.T) pastCase {
	c := pastCase{weight: 1, failed: rapid.Bool().Draw(t, "failed"), cause: fleet.BatteryPart}
	if rapid.Bool().Draw(t, "control") {
		c.cause = fleet.ControlPart
	}
	for i := range c.outlook.rawC {
		c.outlook.rawC[i] = rapid.Float64Range(-10, 20).Draw(t, "raw")
		c.outlook.sdC[i] = rapid.Float64Range(0.5, 5).Draw(t, "sd")
	}
	c.signs[signOne], c.signs[signLimit], c.signs[signWear] = 1, c.outlook.rawC[0]/10, rapid.Float64Range(0, 2).Draw(t, "wear")
	c.quiet[quietOne] = 1
	n := rapid.IntRange(1, 40).Draw(t, "nights")
	for i := range n {
		c.nights = append(c.nights, night{rapid.Float64Range(-25, 8).Draw(t, "low"), float64(i) / 60, 5.0 / 7})
	}
	c.days = n + 3
	return c
}

// The slopes that the search climbs by, against differences.
func TestCaseLikelihoodSlopes(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := drawCase(t)
		at := make([]float64, atGroup+1)
		at[atLevel+signOne], at[atLevel+signLimit], at[atLevel+signWear] = rapid.Float64Range(-28, -8).Draw(t, "level"), 4, 2
		at[atGrowth+signOne] = rapid.Float64Range(-3, 5).Draw(t, "growth")
		at[atStartSD], at[atGrowSD], at[atNightSD], at[atQuiet] = 1, 1.2, rapid.Float64Range(0.6, 1.6).Draw(t, "night"), -7
		own := make([]float64, len(at))
		if c.logLik(at, own, true) < -12 {
			return // differences of the smallest chances are all rounding
		}
		for _, i := range []int{atLevel + signOne, atLevel + signLimit, atLevel + signWear, atGrowth + signOne, atStartSD, atGrowSD, atNightSD, atQuiet, atGroup} {
			const h = 1e-4
			v := at[i]
			at[i] = v + h
			up := c.logLik(at, own[:0:0], false)
			at[i] = v - h
			down := c.logLik(at, own[:0:0], false)
			at[i] = v
			// Φ is read from a table of straight lines, so a difference sees its steps.
			require.InDelta(t, (up-down)/(2*h), own[i], 0.03*(1+math.Abs(own[i])), "slope %d", i)
		}
	})
}

// The rule's weights sum to 1 and give the moments of the normal distribution: 1, 3 and 15 for the second, fourth and sixth.
func TestNodesAreNormal(t *testing.T) {
	for power, want := range map[int]float64{0: 1, 1: 0, 2: 1, 4: 3, 6: 15} {
		sum := 0.0
		for _, n := range normalNodes {
			sum += n.weight * math.Pow(n.z, float64(power))
		}
		require.InDelta(t, want, sum, 1e-9, "moment %d", power)
	}
}
