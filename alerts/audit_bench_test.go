package alerts

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// A unit that broke down has failed, whatever the bench says; but a part that is found good was not what failed.
func TestAPartFoundGoodIsNotTheFailure(t *testing.T) {
	failed := time.Date(2026, 1, 10, 6, 0, 0, 0, auditZone)
	day := fleet.NewDate(2026, 1, 10)
	out := func(id fleet.UnitID, batteries int) fleet.History {
		h := broke(auditUnit(id), failed, fleet.BatteryPart)
		for i := range batteries {
			h.Batteries[i].RemovedOn, h.Batteries[i].RemovedBecause = fleet.Known(day+fleet.Date(i)), fleet.RemovedFailed
		}
		return h
	}
	said := func(unit fleet.UnitID, serial string, v fleet.BenchVerdict) fleet.BenchResult {
		return fleet.BenchResult{Unit: unit, Kind: fleet.BatteryPart, Serial: serial, Verdict: v}
	}
	late := out("U-05", 1)
	late.Batteries[0].RemovedOn = fleet.Known(day + comesOutWithin + 1)
	in := AuditInput{
		List: auditList(0.9, 0.8, 0.7, 0.6, 0.5, 0.4), Depots: []fleet.Depot{{ID: "NOR", Timezone: "Europe/Helsinki"}},
		Histories: auditSeq(out("U-00", 1), out("U-01", 2), out("U-02", 2), out("U-03", 1), out("U-04", 1), late),
		Bench: []fleet.BenchResult{
			said("U-00", "old U-00", fleet.BenchGood),
			said("U-01", "old U-01", fleet.BenchGood), said("U-01", "new U-01", fleet.BenchGood),
			said("U-02", "old U-02", fleet.BenchGood), said("U-02", "new U-02", fleet.BenchFaulty), // one of two is enough
			said("U-03", "old U-03", fleet.BenchUnclear),
			{Unit: "U-04", Kind: fleet.StarterPart, Serial: "old U-04", Verdict: fleet.BenchGood}, // another part of that label
			said("U-05", "old U-05", fleet.BenchGood),                                             // came out long after
		},
	}
	r, err := Audit(in)
	require.NoError(t, err)
	require.Equal(t, 6, r.Failed)
	require.Equal(t, []bool{true, true, false, false, false, false}, []bool{r.Units[0].Cleared, r.Units[1].Cleared, r.Units[2].Cleared, r.Units[3].Cleared, r.Units[4].Cleared, r.Units[5].Cleared})
	require.Equal(t, 2, r.Parts.FoundGood)
	require.Equal(t, 4, r.Parts.Failed)
	require.Equal(t, 4, r.Parts.Right)
	require.Equal(t, CauseHits{fleet.BatteryPart, 4, 4}, r.Parts.ByCause[0])

	h := auditUnit("U")
	h.Starters = []fleet.StarterFitting{{Starter: "S", Unit: "U", RemovedOn: fleet.Known(day)}}
	require.True(t, cleared(h, fleet.StarterPart, day+1, []fleet.BenchResult{{Kind: fleet.StarterPart, Serial: "S", Verdict: fleet.BenchGood}}))
	require.False(t, cleared(h, fleet.CablePart, day, nil))
	in.Bench = nil
	again, err := Audit(AuditInput{List: in.List, Depots: in.Depots, Histories: in.Histories})
	require.NoError(t, err)
	require.Equal(t, 6, again.Parts.Failed)
}
