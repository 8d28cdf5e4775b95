package plan_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// Every plan there is, tried with gains worked out anew: an exact plan is the best of them, and no bound lies below it.
func TestPlansAgainstBruteForce(t *testing.T) {
	const cases, exactly = 1500, 1e-6 // gains are counted in cents
	exact := 0
	for seed := range uint64(cases) {
		r := rand.New(rand.NewPCG(seed, 1))
		in := randomInput(r, size{units: 1 + r.IntN(4), weeks: 1 + r.IntN(3), depots: 1 + r.IntN(2)})
		best, p := bruteForce(in), made(t, in)
		saved, bound := p.Saved.Or(0).Amount(), p.Bound.Or(0).Amount()
		require.GreaterOrEqual(t, bound, best-exactly, "seed %d", seed)
		require.LessOrEqual(t, saved, best+exactly, "seed %d", seed)
		if p.Exact {
			exact++
			require.InDelta(t, best, saved, exactly, "seed %d", seed)
		}
		requireWithinLimits(t, in, p)
	}
	require.Equal(t, cases, exact, "small problems are all solved")
}

// Where parts are short until they can come, as many weeks before as after.
func TestShortPartsAgainstBruteForce(t *testing.T) {
	for seed := range uint64(400) {
		r := rand.New(rand.NewPCG(seed, 5))
		in := randomInput(r, size{units: 4, weeks: 3, depots: 1})
		in.Depots[0].Stock, in.Depots[0].LeadWeeks = map[string]int{"B1": r.IntN(3), "B2": r.IntN(3)}, fleet.Known(1)
		in.Depots[0].CapacityByWeek, in.Depots[0].MinutesByWeek = []int{3, 1, 1}, []int{180, 120}
		p := made(t, in)
		require.True(t, p.Exact)
		require.InDelta(t, bruteForce(in), p.Saved.Or(0).Amount(), 1e-6, "seed %d", seed)
		requireWithinLimits(t, in, p)
	}
}

// An assignment reaches the bound that its own prices prove, whatever the gains.
func TestAssignmentProvesItself(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 6))
		gains, places := make([][]int64, 1+r.IntN(40)), make([]int, 1+r.IntN(8))
		for w := range places {
			places[w] = r.IntN(5)
		}
		for i := range gains {
			for range places {
				gains[i] = append(gains[i], int64(r.IntN(60)-10))
			}
		}
		weeks, prices, total := plan.AssignWeeks(gains, places)
		bound, used := int64(0), make([]int, len(places))
		for i, row := range gains {
			most := int64(0)
			for w, g := range row {
				most = max(most, g-prices[w])
			}
			bound += most
			if weeks[i] >= 0 {
				used[weeks[i]]++
			}
		}
		for w := range places {
			require.GreaterOrEqual(t, prices[w], int64(0))
			require.LessOrEqual(t, used[w], places[w])
			bound += prices[w] * int64(places[w])
		}
		require.Equal(t, bound, total)
	})
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
