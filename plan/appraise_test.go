package plan_test

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// Alone in a yard without limits, a unit is planned for what its appraisal says.
func TestAppraisalIsWhatAPlanWouldDo(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		in := plan.Input{Monday: monday, Weeks: 26, Depots: []plan.Depot{{ID: "NOR", LabourPerHour: fleet.Known(fleet.Money(60_00))}}, Rules: plan.DefaultRules()}
		in.Units = []plan.Unit{randomUnit(r, 1, "NOR", size{weeks: 26})}
		u := in.Units[0]
		p := made(t, in)
		got, pays := plan.NewAppraiser(in.Rules, in.Units).Appraise(&u, in.Depots[0].LabourPerHour)
		require.Equal(t, len(p.Left) == 0, pays)
		if !pays || !p.Saved.IsKnown() {
			return
		}
		season := u.ChanceByWeek[len(u.ChanceByWeek)-1]
		avoids, costs := got.At(got.Week, season)
		require.InDelta(t, p.Saved.Or(0).Amount(), avoids-costs, 0.0051)
		require.Len(t, p.Depots[0].Weeks[got.Week].Visits, 1)
		nothing, _ := got.At(got.Week, 0)
		require.LessOrEqual(t, nothing, 0.0) // what cannot fail can only be made worse
	})
}
