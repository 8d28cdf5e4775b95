package trend

import (
	"cmp"
	"fmt"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func TestSampleIsSpreadOverTheGroupsAndStaysPut(t *testing.T) {
	fleetOf := func(vans, cranes int) (tracks []Track) {
		for i := range vans {
			tracks = append(tracks, Track{Unit: fleet.UnitID(fmt.Sprintf("V-%05d", i)), Group: "van"})
		}
		for i := range cranes {
			tracks = append(tracks, Track{Unit: fleet.UnitID(fmt.Sprintf("W-%05d", i)), Group: "crane"})
		}
		return tracks
	}
	require.Len(t, sample(fleetOf(enoughUnits-5, 5)), enoughUnits, "small fleets are taken whole")

	taken := sample(fleetOf(20_000, 60))
	require.True(t, slices.IsSortedFunc(taken, func(a, b Track) int { return cmp.Compare(a.Unit, b.Unit) }))
	count := map[string]int{}
	for i := range taken {
		count[taken[i].Group]++
	}
	require.Equal(t, map[string]int{"van": 1496, "crane": leastOfKind}, count)
	thirds := map[byte]int{} // by the keys' third digit
	for i := range taken[:1496] {
		thirds[taken[i].Unit[4]]++
	}
	for digit := byte('0'); digit <= '9'; digit++ {
		require.InDelta(t, 149.6, thirds[digit], 4.5*11.6, "neither runs of keys nor multiples are preferred: binomial, 4.5 spreads")
	}

	before := map[fleet.UnitID]bool{}
	for i := range taken {
		before[taken[i].Unit] = true
	}
	fresh := 0
	for _, one := range sample(fleetOf(20_001, 60)) {
		if !before[one.Unit] {
			fresh++
		}
	}
	require.LessOrEqual(t, fresh, 1, "one unit more changes one teacher at most")
}

func TestTeachersAreThoseWhoAreDrawn(t *testing.T) {
	var units []fleet.Unit
	var tracks []Track
	for i := range 2000 {
		u := fleet.Unit{ID: fleet.UnitID(fmt.Sprintf("V-%05d", i)), Class: []string{"van", "crane"}[i/1900], SystemVolts: 12}
		units = append(units, u)
		tracks = append(tracks, Track{Unit: u.ID, Group: groupOf(u)})
	}
	want := map[fleet.UnitID]bool{}
	for _, one := range sample(tracks) {
		want[one.Unit] = true
	}
	slices.Reverse(units)
	require.Equal(t, want, Teachers(units))
	require.Len(t, Teachers(units[:90]), 90, "small fleets teach whole")

	for i := range tracks {
		if !want[tracks[i].Unit] {
			tracks[i].LetGo()
		}
	}
	require.Empty(t, WantRows(tracks))
	at := slices.IndexFunc(tracks, func(one Track) bool { return want[one.Unit] })
	tracks[at].LetGo()
	require.Equal(t, []int{at}, WantRows(tracks))
	_, err := Learn(t.Context(), tracks, Weather{}, 1)
	require.ErrorContains(t, err, "its weekly rows were let go")
}
