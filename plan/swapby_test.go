package plan_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

func TestSwapBy(t *testing.T) {
	r := plainRules()
	free := plainUnit(1, []float64{0, 0, 0.02, 0.04, 0.3, 0.4}, 100_000, 0)
	dear := plainUnit(2, free.ChanceByWeek, 100_000, 50_000)
	unknown := plainUnit(3, nil, 100_000, 0)
	by := plan.SwapBy(monday, []plan.Unit{free, dear, unknown}, r)
	// Acting on the Monday of week w avoids 0.4 − chance before it; nine tenths of 0.4 are left up to the fifth Monday, 0.36.
	require.Equal(t, []fleet.Opt[fleet.Date]{fleet.Known(monday + 28), {}, {}}, by)

	// The third of these six weeks is the best time for a battery of which a week's life is worth more than the risk so far.
	r.WholePrice = false
	free.SwapCosts[fleet.BatteryPart], free.AgeYears = 60_000, map[fleet.Part]float64{fleet.BatteryPart: 2}
	r.KeptShare = 1
	require.Equal(t, fleet.Known(monday+14), plan.SwapBy(monday, []plan.Unit{free}, r)[0])
}

// Where work cures all and costs nothing, hazards that are higher by one factor in every week never let a unit wait longer: of failures in
// the season more then come early. With costs this need not hold, as a unit that hardly pays has little to lose by waiting.
func TestColderNeverWaitsLonger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rnd := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 4))
		u := randomUnit(rnd, 1, "NOR", size{weeks: 20})
		u.Causes, u.SwapCosts = map[fleet.Part]float64{fleet.BatteryPart: 1}, nil
		colder, by := u, 1+3*rnd.Float64()
		colder.ID, colder.ChanceByWeek = "U-2", nil
		for _, p := range u.ChanceByWeek {
			colder.ChanceByWeek = append(colder.ChanceByWeek, 1-math.Pow(1-p, by))
		}
		dates := plan.SwapBy(monday, []plan.Unit{u, colder}, plainRules())
		require.True(t, dates[0].IsKnown() && dates[1].IsKnown())
		require.LessOrEqual(t, dates[1].Or(0), dates[0].Or(0))
	})
}

// The share of a life that is left, by Simpson's rule and at its ends.
func TestLifeLeft(t *testing.T) {
	for _, shape := range []float64{1, 2.6, 4} {
		for _, weeks := range []int{0, 50, 200, 400, 800} {
			want := remaining(shape, 5.5, float64(weeks)/plan.WeeksPerYear) / remaining(shape, 5.5, 0)
			if shape == 1 {
				want = 1 // an exponential life does not age
			}
			if math.Pow(float64(weeks)/plan.WeeksPerYear/5.5, shape) < 20 {
				require.InDelta(t, want, plan.LifeLeft(shape, 5.5, weeks), 2e-5, "shape %v, %d weeks", shape, weeks)
			}
		}
	}
}
