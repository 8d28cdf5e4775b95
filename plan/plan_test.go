package plan_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

func drawn(t *rapid.T, most size) (plan.Input, *rand.Rand) {
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
	return randomInput(r, size{1 + r.IntN(most.units), 1 + r.IntN(most.weeks), 1 + r.IntN(most.depots)}), r
}

func asJSON(t require.TestingT, p plan.Plan) string {
	text, err := json.Marshal(p)
	require.NoError(t, err)
	return string(text)
}

// The same input gives the same bytes, whatever order it comes in, and what is kept can be read again.
func TestOrderMeansNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, r := drawn(t, size{40, 8, 4})
		lockSome(r, &in)
		testSome(r, &in)
		p := made(t, in)
		text := asJSON(t, p)
		require.Equal(t, text, asJSON(t, made(t, shuffled(r, in))))
		var again plan.Plan
		require.NoError(t, json.Unmarshal([]byte(text), &again))
		require.Equal(t, p, again)
	})
}

// What more there is to work with, the more is saved where plans are exact, and the higher is the bound in any case.
func TestMoreNeverSavesLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, r := drawn(t, size{6, 4, 2})
		before := made(t, in)
		in.Depots = slices.Clone(in.Depots)
		d := &in.Depots[r.IntN(len(in.Depots))]
		switch r.IntN(3) {
		case 0:
			d.CapacityByWeek = raise(d.CapacityByWeek)
		case 1:
			d.MinutesByWeek = nil
		case 2:
			d.Stock = nil
		}
		after := made(t, in)
		require.GreaterOrEqual(t, after.Bound.Or(0), before.Saved.Or(0))
		if before.Exact && after.Exact {
			require.GreaterOrEqual(t, after.Saved.Or(0), before.Saved.Or(0))
		}
	})
}

func raise(list []int) []int {
	more := slices.Clone(list)
	for i := range more {
		more[i]++
	}
	return more
}

// OneMore is what the plan itself saves more with one more visit a week. Under a budget and where plans are not exact it is at least that.
func TestOneMoreIsWhatOneMoreSaves(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, _ := drawn(t, size{8, 4, 1})
		in.Depots[0].CapacityByWeek, in.Depots[0].MinutesByWeek = []int{1, 0, 2}, nil
		in.Depots[0].Stock, in.Budget = nil, fleet.Opt[fleet.Money]{}
		before := made(t, in)
		told, known := before.Depots[0].OneMore.Get()
		require.True(t, known)
		in.Depots[0].CapacityByWeek = []int{2, 1, 3}
		require.Equal(t, made(t, in).Saved.Or(0)-before.Saved.Or(0), told)
	})
}

func lockSome(r *rand.Rand, in *plan.Input) {
	for _, u := range in.Units {
		c := plan.Choice{Unit: u.ID, Monday: in.Monday + fleet.Date(7*r.IntN(in.Weeks))}
		switch r.IntN(8) {
		case 0:
			c.Do = plan.DoLeave
		case 1:
			c.Do = plan.DoVisit
		case 2:
			c.Do, c.Parts = plan.DoVisit, []fleet.Part{fleet.ControlPart, fleet.BatteryPart}
		case 3:
			c.Do = plan.DoRetest
		default:
			continue
		}
		in.Locked = append(in.Locked, c)
	}
}

// testSome lets depots test, and says of some units what a test could tell.
func testSome(r *rand.Rand, in *plan.Input) {
	for i := range in.Depots {
		in.Depots[i].TestsByWeek = []int{r.IntN(3), r.IntN(3), 0}
	}
	for i := range in.Units {
		if r.IntN(2) == 0 {
			continue
		}
		season := in.Units[i].ChanceByWeek[len(in.Units[i].ChanceByWeek)-1]
		in.Units[i].ChanceIf = fleet.Known([5]float64{0, season / 3, season, season + (1-season)*0.3, season + (1-season)*0.6})
	}
}

// Locked choices stay, whatever the limits; what the others take still fits beside them; every unit is in one place.
func TestLockedChoicesStay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, r := drawn(t, size{30, 6, 3})
		lockSome(r, &in)
		testSome(r, &in)
		p := made(t, in)
		seen := map[fleet.UnitID]plan.Choice{}
		add := func(c plan.Choice) {
			require.NotContains(t, seen, c.Unit)
			seen[c.Unit] = c
		}
		for _, d := range p.Depots {
			requireFreeVisitsFit(t, d)
			for _, w := range d.Weeks {
				for _, v := range w.Visits {
					c := plan.Choice{Unit: v.Unit, Do: plan.DoVisit, Monday: w.Monday}
					for _, work := range v.Works {
						c.Parts = append(c.Parts, work.Part)
					}
					require.Equal(t, v.Locked, isLocked(in, v.Unit))
					require.True(t, v.Locked || v.Saves.Or(0) >= 0, "%s", v.Saves.Or(0))
					add(c)
				}
			}
		}
		for _, l := range p.Left {
			add(plan.Choice{Unit: l.Unit, Do: plan.DoLeave})
		}
		for _, re := range p.Retests {
			add(plan.Choice{Unit: re.Unit, Do: plan.DoRetest, Monday: re.Monday})
		}
		require.Len(t, seen, len(in.Units))
		for _, c := range in.Locked {
			require.Equal(t, c.Do, seen[c.Unit].Do)
			if c.Do != plan.DoLeave {
				require.Equal(t, c.Monday, seen[c.Unit].Monday)
			}
			if c.Parts != nil {
				require.ElementsMatch(t, c.Parts, seen[c.Unit].Parts)
			}
		}
	})
}

func isLocked(in plan.Input, unit fleet.UnitID) bool {
	return slices.ContainsFunc(in.Locked, func(c plan.Choice) bool { return c.Unit == unit && c.Do == plan.DoVisit })
}

// requireFreeVisitsFit: a week that takes more than there is holds locked visits alone, and says so.
func requireFreeVisitsFit(t require.TestingT, d plan.DepotPlan) {
	for _, w := range d.Weeks {
		over := len(w.Visits) > w.Capacity.Or(len(w.Visits)) || w.Minutes > w.Limit.Or(w.Minutes)
		require.Equal(t, over, w.Over)
		for _, v := range w.Visits {
			require.True(t, v.Locked || !over)
		}
		require.Equal(t, over, strings.Contains(w.Why, "more than there is"))
	}
}

// A plan says in figures why.
func TestWhy(t *testing.T) {
	r := plan.DefaultRules()
	r.NewPartRisk = 0
	u := plan.Unit{
		ID: "P-031", Depot: "NOR", ChanceByWeek: []float64{0, 0.1, 0.3, 0.5}, NoStartCost: fleet.Known(fleet.Money(100_000)),
		Causes:    map[fleet.Part]float64{fleet.BatteryPart: 1},
		SwapCosts: map[fleet.Part]fleet.Money{fleet.BatteryPart: 20_000}, AgeYears: map[fleet.Part]float64{fleet.BatteryPart: 40},
	}
	other := u
	other.ID, other.NoStartCost = "P-032", fleet.Known(fleet.Money(90_000))
	weak := u
	weak.ID, weak.ChanceByWeek = "P-033", []float64{0, 0, 0, 0.001}
	control := u
	control.ID, control.Causes = "P-034", map[fleet.Part]float64{fleet.ControlPart: 1}
	in := plan.Input{
		Monday: monday, Weeks: 2, Rules: r, Units: []plan.Unit{u, other, weak, control},
		Depots: []plan.Depot{{ID: "NOR", CapacityByWeek: []int{0, 1}, People: []string{"Ada"}}},
	}
	p := made(t, in)
	visit := p.Depots[0].Weeks[1].Visits[0]
	require.Equal(t, fleet.UnitID("P-031"), visit.Unit)
	require.Equal(t, "Ada", visit.Who)
	// 0.95 of the hazard from now on is cured: 1000 · (0.5^0.05 − 0.5) now, and 1000 · (0.9^0.95 · 0.5^0.05 − 0.5) a week later.
	require.Contains(t, visit.Why, "swapping the battery in the week of 12 October avoids 465.94 of expected loss, a week later 373.93; it costs")
	require.Contains(t, p.Depots[0].Weeks[1].Why, "Week of 12 October: 1 of NOR's 1 slot; P-031 first: swapping the battery")
	require.Contains(t, p.Depots[0].Weeks[0].Why, "NOR has no slots")
	reasons := map[fleet.UnitID]plan.Reason{}
	for _, l := range p.Left {
		reasons[l.Unit] = l.Reason
		require.NotEmpty(t, l.Why)
	}
	require.Equal(t, map[fleet.UnitID]plan.Reason{"P-032": plan.NoSlot, "P-033": plan.NotWorth, "P-034": plan.NothingFit}, reasons)
	require.Contains(t, strings.Join(p.Depots[0].Why, "; "), "no plan within these limits, with the same retests and locked choices, saves more; one more visit a week would save")
}

// Parts that are short are named, with the week they are needed by.
func TestMissingParts(t *testing.T) {
	in := plan.Input{Monday: monday, Weeks: 4, Rules: plainRules(), Depots: []plan.Depot{{ID: "NOR", CapacityByWeek: []int{1}, Stock: map[string]int{"B1": 3}, LeadWeeks: fleet.Known(3)}}}
	for i := range 4 {
		u := plainUnit(i, []float64{0.1, 0.2, 0.3, 0.4}, fleet.Money(200_000-i), 100)
		u.PartsNeeded = map[fleet.Part][]string{fleet.BatteryPart: {"B1", "B1"}}
		in.Units = append(in.Units, u)
	}
	p := made(t, in)
	require.Equal(t, []plan.MissingPart{{
		Depot: "NOR", PartNumber: "B1", Pieces: 5, NeededBy: monday + 7, OrderBy: fleet.Known(monday - 14),
	}}, p.MissingParts)
	visits := 0
	for _, w := range p.Depots[0].Weeks {
		visits += len(w.Visits)
	}
	require.Equal(t, 2, visits) // one from stock, one once parts have come
	require.Equal(t, plan.NoStock, p.Left[0].Reason)
	require.Contains(t, p.Left[0].Why, "before the week of 26 October at the earliest")
	require.Contains(t, strings.Join(p.Depots[0].Why, "; "), "with every part there the plan would save")
}

// Where nobody has said what a failed start costs, as many as can be are avoided.
func TestPlannedByChance(t *testing.T) {
	in := plan.Input{Monday: monday, Weeks: 2, Rules: plainRules(), Depots: []plan.Depot{{ID: "NOR", CapacityByWeek: []int{1, 0}}}}
	for i, chance := range []float64{0.2, 0.6, 0.4} {
		u := plainUnit(i, []float64{chance}, 0, 30_000)
		u.NoStartCost = fleet.Opt[fleet.Money]{}
		in.Units = append(in.Units, u)
	}
	p := made(t, in)
	require.Equal(t, fleet.UnitID("U-01"), p.Depots[0].Weeks[0].Visits[0].Unit)
	require.False(t, p.Saved.IsKnown())
	require.InDelta(t, 0.6, p.SavedStarts, 1e-9)
	require.InDelta(t, 0.6, p.BoundStarts.Or(0), 1e-9)
	require.InDelta(t, 0.4, p.Depots[0].OneMoreStarts.Or(0), 1e-9)
	require.Contains(t, p.Depots[0].Weeks[0].Visits[0].Why, "avoids 0.60 of a failed start, a week later 0.00")
}

func TestInputThatNobodyCanPlanWith(t *testing.T) {
	good := func() plan.Input {
		return plan.Input{Monday: monday, Weeks: 2, Rules: plainRules(), Depots: []plan.Depot{{ID: "NOR"}}, Units: []plan.Unit{plainUnit(1, []float64{0.1}, 1, 1)}}
	}
	for want, spoil := range map[string]func(*plan.Input){
		"a Tuesday: give its Monday, 2026-10-05": func(in *plan.Input) { in.Monday++ },
		"0 weeks":                                func(in *plan.Input) { in.Weeks = 0 },
		"begin with DefaultRules":                func(in *plan.Input) { in.Rules = plan.Rules{} },
		"depot NOR is given twice":               func(in *plan.Input) { in.Depots = append(in.Depots, in.Depots[0]) },
		"unit U-01 is given twice":               func(in *plan.Input) { in.Units = append(in.Units, in.Units[0]) },
		"depot SUD, which is not in the plan":    func(in *plan.Input) { in.Units[0].Depot = "SUD" },
		"that never fall":                        func(in *plan.Input) { in.Units[0].ChanceByWeek = []float64{0.2, 0.1} },
		"-1 visits in week 1":                    func(in *plan.Input) { in.Depots[0].CapacityByWeek = []int{-1} },
		"-2 pieces of B1":                        func(in *plan.Input) { in.Depots[0].Stock = map[string]int{"B1": -2} },
		"two locked choices": func(in *plan.Input) {
			in.Locked = []plan.Choice{{Unit: "U-01", Do: plan.DoLeave}, {Unit: "U-01", Do: plan.DoLeave}}
		},
		`works on "wheel"`: func(in *plan.Input) {
			in.Locked = []plan.Choice{{Unit: "U-01", Do: plan.DoVisit, Monday: monday, Parts: []fleet.Part{"wheel"}}}
		},
	} {
		in := good()
		spoil(&in)
		_, err := plan.Make(in)
		require.ErrorContains(t, err, want)
	}
	in := good()
	in.Locked = []plan.Choice{{Unit: "U-01", Do: plan.DoVisit, Monday: monday - 7}, {Unit: "U-99", Do: plan.DoLeave}}
	require.Len(t, made(t, in).Notes, 2)
}

// What stands beside each other is what its total says, to the cent: a visit's money, a depot's, the plan's, and the sentences.
func TestTotalsAreTheSumOfWhatStandsBesideThem(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		in, r := drawn(t, size{40, 8, 4})
		lockSome(r, &in)
		p := made(t, in)
		if !p.Saved.IsKnown() {
			return
		}
		var depots plan.Worth
		for _, d := range p.Depots {
			var visits plan.Worth
			for _, w := range d.Weeks {
				for _, v := range w.Visits {
					visits = plusVisit(visits, v.Saves, v.Avoids, v.Costs)
				}
			}
			requireSameMoney(t, visits, d.Worth)
			depots = plusVisit(depots, d.Saved, d.Avoided, d.Costs)
		}
		requireSameMoney(t, depots, p.Worth)
		require.Contains(t, p.Why[0], fmt.Sprintf("%s of expected loss avoided for %s, %s saved", depots.Avoided.Or(0), depots.Costs.Or(0), depots.Saved.Or(0)))
		if p.Exact {
			require.Equal(t, p.Saved, p.Bound)
		}
	})
}

func plusVisit(w plan.Worth, saved, avoided, costs fleet.Opt[fleet.Money]) plan.Worth {
	w.Saved = fleet.Known(w.Saved.Or(0) + saved.Or(0))
	w.Avoided = fleet.Known(w.Avoided.Or(0) + avoided.Or(0))
	w.Costs = fleet.Known(w.Costs.Or(0) + costs.Or(0))
	return w
}

func requireSameMoney(t *rapid.T, want, got plan.Worth) {
	require.Equal(t, want.Saved.Or(0), got.Saved.Or(0))
	require.Equal(t, want.Avoided.Or(0), got.Avoided.Or(0))
	require.Equal(t, want.Costs.Or(0), got.Costs.Or(0))
}
