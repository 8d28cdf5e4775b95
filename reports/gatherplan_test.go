package reports

import (
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// A unit that is down when the list is made is still down in the weeks to come, and is put right in the first of them.
func TestAUnitThatIsDownIsPutRightFirst(t *testing.T) {
	certain := slices.Repeat([]float64{1}, 19)
	l := fleet.Listed{
		Forecast: fleet.Forecast{Unit: "D-1", Depot: "NOR", Band: fleet.Down, Suspect: fleet.CablePart, SuspectProbabilities: map[fleet.Part]float64{fleet.CablePart: 0.8, fleet.BatteryPart: 0.2}},
		Outlook:  &fleet.Outlook{ChanceByWeek: certain, ChanceIf: [5]float64{1, 1, 1, 1, 1}, NoStartCost: fleet.Known(fleet.Money(18000))},
	}
	for _, skip := range []int{0, 1, 3} {
		u := planUnit(l, skip)
		require.Len(t, u.ChanceByWeek, len(certain)-skip)
		p, err := plan.Make(plan.Input{
			Monday: fleet.NewDate(2026, 11, 30), Weeks: len(u.ChanceByWeek), Rules: plan.DefaultRules(), Units: []plan.Unit{u},
			Depots: []plan.Depot{{ID: "NOR", CapacityByWeek: []int{4}, LabourPerHour: fleet.Known(fleet.Money(4000))}},
		})
		require.NoError(t, err)
		require.Len(t, p.Depots[0].Weeks[0].Visits, 1)
		require.Positive(t, p.Depots[0].Weeks[0].Visits[0].Saves.Or(0))
	}
	l.Forecast.Band = fleet.Swap
	require.InDelta(t, 1.0, planUnit(l, 1).ChanceByWeek[0], 1e-12, "as certain before this week as after it")
	l.Outlook.ChanceByWeek = []float64{0.5, 0.5, 0.8}
	require.InDeltaSlice(t, []float64{0, 0.6}, planUnit(l, 1).ChanceByWeek, 1e-12, "what may have happened before this week is behind")
	require.Equal(t, []float64{0.5, 0.5, 0.8}, l.Outlook.ChanceByWeek, "the list's own chances stay as they are")
}
