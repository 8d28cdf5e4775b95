package plan_test

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// golden are the instances of testdata/golden/optimise; its README says where they come from.
type golden struct {
	Knapsack []struct {
		Label    string
		Value    []int
		Weight   []int
		Capacity int
		Optimum  int
	}
	Budget struct {
		PFail   []float64 `json:"p_fail"`
		Failure []int     `json:"failure_cost"`
		Price   []int     `json:"replacement_cost"`
		Budget  int
		Optimum int     `json:"optimum_thousandths"`
		Chosen  [][]int `json:"chosen_original_zero_based"`
	} `json:"replacement_budget"`
	Schedule []struct {
		Hazard     []float64 `json:"hazard_per_week"`
		Failure    []int     `json:"failure_cost"`
		Weeks      int
		Capacity   []int
		Optimum    int
		Assignment []int `json:"assignment_zero_based"`
	}
	Deadlines struct {
		Profit   []int
		Deadline []int
		Optimum  int
	}
	Assignment struct {
		Cost    [][]int64
		Optimum int64
		Columns []int `json:"column_for_row_zero_based"`
	}
}

func instances(t *testing.T) (g golden) {
	t.Helper()
	raw, err := os.ReadFile("../testdata/golden/optimise/instances_expected.json")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(raw, &g))
	return g
}

var monday = fleet.NewDate(2026, 10, 5)

// plainRules make a swap cure all that its unit suffers from, for its whole price.
func plainRules() plan.Rules {
	r := plan.DefaultRules()
	r.Cures = map[fleet.Part]float64{fleet.BatteryPart: 1}
	r.NewPartRisk, r.LeastChance, r.WholePrice = 0, 0, true
	return r
}

// plainUnit suffers from its battery alone.
func plainUnit(i int, chances []float64, cost, price fleet.Money) plan.Unit {
	return plan.Unit{
		ID: fleet.UnitID(fmt.Sprintf("U-%02d", i)), Depot: "NOR", ChanceByWeek: chances, NoStartCost: fleet.Known(cost),
		Causes: map[fleet.Part]float64{fleet.BatteryPart: 1}, SwapCosts: map[fleet.Part]fleet.Money{fleet.BatteryPart: price},
	}
}

func made(t require.TestingT, in plan.Input) plan.Plan {
	p, err := plan.Make(in)
	require.NoError(t, err)
	return p
}

// Values and weights of a knapsack become units: with an even chance of a failed start that costs twice the value and the price.
func TestBudgetAgainstPublishedKnapsacks(t *testing.T) {
	all := instances(t).Knapsack
	require.Len(t, all, 5)
	for _, k := range all {
		t.Run(k.Label, func(t *testing.T) {
			in := plan.Input{Monday: monday, Weeks: 1, Depots: []plan.Depot{{ID: "NOR"}}, Rules: plainRules(), Budget: fleet.Known(fleet.Money(100 * k.Capacity))}
			for i, v := range k.Value {
				in.Units = append(in.Units, plainUnit(i, []float64{0.5}, fleet.Money(200*(v+k.Weight[i])), fleet.Money(100*k.Weight[i])))
			}
			p := made(t, in)
			require.Equal(t, fleet.Known(fleet.Money(100*k.Optimum)), p.Saved)
			require.Equal(t, p.Saved, p.Bound)
			require.True(t, p.Exact)
			require.LessOrEqual(t, p.Spent, fleet.Money(100*k.Capacity))
		})
	}
}

func TestBudgetOfReplacements(t *testing.T) {
	g := instances(t).Budget
	in := plan.Input{Monday: monday, Weeks: 1, Depots: []plan.Depot{{ID: "NOR"}}, Rules: plainRules(), Budget: fleet.Known(fleet.Money(100 * g.Budget))}
	for i, p := range g.PFail {
		in.Units = append(in.Units, plainUnit(i, []float64{p}, fleet.Money(100*g.Failure[i]), fleet.Money(100*g.Price[i])))
	}
	p := made(t, in)
	require.InDelta(t, float64(g.Optimum)/1000, p.Saved.Or(0).Amount(), 1e-9)
	require.True(t, p.Exact)
	chosen := map[fleet.UnitID]bool{}
	for _, i := range g.Chosen[0] {
		chosen[in.Units[i].ID] = true
	}
	require.Len(t, p.Depots[0].Weeks[0].Visits, len(chosen))
	for _, v := range p.Depots[0].Weeks[0].Visits {
		require.True(t, chosen[v.Unit], v.Unit)
	}
}

func TestWeeksAgainstEverySchedule(t *testing.T) {
	all := instances(t).Schedule
	require.Len(t, all, 4)
	for _, s := range all {
		in := plan.Input{Monday: monday, Weeks: s.Weeks, Depots: []plan.Depot{{ID: "NOR", CapacityByWeek: s.Capacity}}, Rules: plainRules()}
		leave := 0.0
		for i, h := range s.Hazard {
			chances := make([]float64, s.Weeks)
			for w := range chances {
				chances[w] = 1 - math.Pow(1-h, float64(w+1))
			}
			leave += chances[s.Weeks-1] * float64(s.Failure[i])
			in.Units = append(in.Units, plainUnit(i, chances, fleet.Money(100*s.Failure[i]), 0))
		}
		p := made(t, in)
		require.True(t, p.Exact)
		require.InDelta(t, float64(s.Optimum)/1000, leave-p.Saved.Or(0).Amount(), 0.001+0.005*float64(len(s.Hazard))) // each visit is told in cents
		weeks := map[fleet.UnitID]int{}
		for w, week := range p.Depots[0].Weeks {
			for _, v := range week.Visits {
				weeks[v.Unit] = w
			}
		}
		for i, want := range s.Assignment {
			got, visited := weeks[in.Units[i].ID]
			require.Equal(t, want < s.Weeks, visited)
			require.Equal(t, want, got+map[bool]int{false: s.Weeks}[visited])
		}
	}
}

// A job with a deadline is a unit that is safe until then.
func TestDeadlines(t *testing.T) {
	g := instances(t).Deadlines
	in := plan.Input{Monday: monday, Weeks: 3, Depots: []plan.Depot{{ID: "NOR", CapacityByWeek: []int{1}}}, Rules: plainRules()}
	for i, profit := range g.Profit {
		chances := make([]float64, 3)
		for w := g.Deadline[i] - 1; w < len(chances); w++ {
			chances[w] = 0.5
		}
		in.Units = append(in.Units, plainUnit(i, chances, fleet.Money(200*profit), 0))
	}
	p := made(t, in)
	require.Equal(t, fleet.Known(fleet.Money(100*g.Optimum)), p.Saved)
	require.True(t, p.Exact)
}

func TestAssignmentOfRowsToColumns(t *testing.T) {
	g := instances(t).Assignment
	const enough = 1000 // gained by any place at all
	gains := make([][]int64, len(g.Cost))
	places := make([]int, len(g.Cost))
	for i, row := range g.Cost {
		places[i] = 1
		for _, c := range row {
			gains[i] = append(gains[i], enough-c)
		}
	}
	weeks, _, total := plan.AssignWeeks(gains, places)
	require.Equal(t, g.Optimum, int64(enough*len(gains))-total)
	require.Equal(t, g.Columns, weeks)
}
