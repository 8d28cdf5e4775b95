package plan_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/plan"
)

// Every plan there is, tried with gains worked out anew: an exact plan is the best of them, and no bound lies below it.
func TestPlansAgainstBruteForce(t *testing.T) {
	const cases, cent = 1500, 0.011 // sums of gains are told in cents
	exact := 0
	for seed := range uint64(cases) {
		r := rand.New(rand.NewPCG(seed, 1))
		in := randomInput(r, size{units: 1 + r.IntN(4), weeks: 1 + r.IntN(3), depots: 1 + r.IntN(2)})
		best, p := bruteForce(in), made(t, in)
		saved, bound := p.Saved.Or(0).Amount(), p.Bound.Or(0).Amount()
		require.GreaterOrEqual(t, bound, best-cent, "seed %d", seed)
		require.LessOrEqual(t, saved, best+cent, "seed %d", seed)
		if p.Exact {
			exact++
			require.InDelta(t, best, saved, cent, "seed %d", seed)
		}
		requireWithinLimits(t, in, p)
	}
	require.Equal(t, cases, exact, "small problems are all solved")
}

// requireWithinLimits adds up what a plan takes.
func requireWithinLimits(t require.TestingT, in plan.Input, p plan.Plan) {
	require.Len(t, p.Depots, len(in.Depots))
	for _, d := range p.Depots {
		at := depotOf(in, d)
		stock := map[string]int{}
		for w, week := range d.Weeks {
			minutes := 0
			for _, v := range week.Visits {
				minutes += v.Minutes
				for _, work := range v.Works {
					if lead, known := at.LeadWeeks.Get(); !known || w < lead {
						for _, number := range work.PartNumbers {
							stock[number]++
						}
					}
				}
			}
			require.Equal(t, minutes, week.Minutes)
			require.LessOrEqual(t, len(week.Visits), week.Capacity.Or(len(week.Visits)))
			require.LessOrEqual(t, minutes, week.Limit.Or(minutes))
		}
		for number, pieces := range stock {
			require.True(t, at.Stock == nil || pieces <= at.Stock[number], number)
		}
	}
	if limit, known := in.Budget.Get(); known {
		require.LessOrEqual(t, p.Spent, limit)
	}
}

func depotOf(in plan.Input, of plan.DepotPlan) plan.Depot {
	for _, d := range in.Depots {
		if d.ID == of.Depot {
			return d
		}
	}
	return plan.Depot{}
}
