package alerts

import (
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

var (
	listDay   = fleet.NewDate(2025, 10, 1)
	auditZone = func() *time.Location { return fleet.Depot{Timezone: "Europe/Helsinki"}.Zone() }()
)

func auditSeq(hs ...fleet.History) iter.Seq2[fleet.History, error] {
	return func(yield func(fleet.History, error) bool) {
		for _, h := range hs {
			if !yield(h, nil) {
				return
			}
		}
	}
}

func auditUnit(id fleet.UnitID) fleet.History {
	return fleet.History{
		Unit: fleet.Unit{ID: id, Depot: "NOR", SystemVolts: 24, Batteries: 2},
		Batteries: []fleet.BatteryFitting{
			{Battery: "old " + string(id), Unit: id, Position: 1, RatedCCAA: 1000, CCAStandard: fleet.EN, FittedOn: fleet.Known(listDay - 1461)},
			{Battery: "new " + string(id), Unit: id, Position: 2, RatedCCAA: 1000, CCAStandard: fleet.EN, FittedOn: fleet.Known(listDay - 365)},
		},
	}
}

func broke(h fleet.History, at time.Time, cause fleet.Part) fleet.History {
	h.Breakdowns = append(h.Breakdowns, fleet.Breakdown{Unit: h.Unit.ID, At: at, Cause: cause})
	return h
}

func auditList(p ...float64) fleet.RankedList {
	list := fleet.RankedList{AsOf: listDay, Season: fleet.Season{From: listDay, To: fleet.NewDate(2026, 3, 31)}}
	for i, v := range p {
		list.Units = append(list.Units, fleet.Forecast{
			Unit: fleet.UnitID(fmt.Sprintf("U-%02d", i)), Depot: "NOR", Rank: i + 1, Band: fleet.Watch,
			NoStartProbability: fleet.Known(v), Suspect: fleet.BatteryPart,
		})
	}
	return list
}

func auditOf(t *testing.T, list fleet.RankedList, hs ...fleet.History) AuditResult {
	t.Helper()
	r, err := Audit(AuditInput{List: list, Depots: []fleet.Depot{{ID: "NOR", Timezone: "Europe/Helsinki"}}, Histories: auditSeq(hs...)})
	require.NoError(t, err)
	return r
}

func TestWhatCountsAsFailed(t *testing.T) {
	mid := time.Date(2026, 1, 10, 6, 0, 0, 0, auditZone)
	removed := func(h fleet.History, d fleet.Date, because fleet.Removal) fleet.History {
		h.Batteries = slices.Clone(h.Batteries)
		h.Batteries[0].RemovedOn, h.Batteries[0].RemovedBecause = fleet.Known(d), because
		return h
	}
	u := auditUnit("U-00")
	midDay := fleet.DateOf(mid, auditZone)
	for _, tc := range []struct {
		name             string
		h                fleet.History
		failed, takenOut int
	}{
		{"nothing happened", u, 0, 0},
		{"battery in season", broke(u, mid, fleet.BatteryPart), 1, 0},
		{"control in season", broke(u, mid, fleet.ControlPart), 1, 0},
		{"another cause", broke(u, mid, fleet.OtherPart), 0, 0},
		{"late on the last day, by the depot's clock", broke(u, time.Date(2026, 3, 31, 23, 59, 0, 0, auditZone), fleet.CablePart), 1, 0},
		{"the day after, though the day before in UTC", broke(u, time.Date(2026, 4, 1, 1, 0, 0, 0, auditZone), fleet.CablePart), 0, 0},
		{"the first morning of the list", broke(u, time.Date(2025, 10, 1, 0, 30, 0, 0, auditZone), fleet.StarterPart), 1, 0},
		{"the evening before the list", broke(u, time.Date(2025, 9, 30, 23, 30, 0, 0, auditZone), fleet.StarterPart), 0, 0},
		{"swapped in time", removed(u, midDay, fleet.RemovedPreventive), 0, 1},
		{"swapped in time, failed later", removed(broke(u, mid, fleet.CablePart), midDay-9, fleet.RemovedPreventive), 0, 1},
		{"failed, then swapped as preventive", removed(broke(u, mid, fleet.CablePart), midDay+9, fleet.RemovedPreventive), 1, 0},
		{"failed and swapped that day", removed(broke(u, mid, fleet.BatteryPart), midDay, fleet.RemovedFailed), 1, 0},
		{"swap booked the day before the breakdown", removed(broke(u, mid, fleet.BatteryPart), midDay-1, fleet.RemovedFailed), 1, 0},
		{"condemned without a breakdown", removed(u, midDay, fleet.RemovedFailed), 0, 1},
		{"damaged in a crash", removed(u, midDay, fleet.RemovedDamaged), 0, 0},
		{"swapped before the list", removed(u, listDay-1, fleet.RemovedPreventive), 0, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			r := auditOf(t, auditList(0.3), tc.h)
			require.Equal(t, tc.failed, r.Failed)
			require.Equal(t, tc.takenOut, r.TakenOut)
			require.Equal(t, 1, r.Scored+r.TakenOut)
			require.InDelta(t, 0.3, r.Expected+r.TakenOutExpected, 1e-12)
		})
	}
}

func TestAuditBesideTheRules(t *testing.T) {
	var hs []fleet.History
	var p []float64
	for i := range 60 {
		h := auditUnit(fleet.UnitID(fmt.Sprintf("U-%02d", i)))
		at := time.Date(2025, 9, 20, 6, 0, 0, 0, auditZone)
		h.Tests = []fleet.Test{
			{Unit: h.Unit.ID, Position: 1, At: at.AddDate(0, -2, 0), CCAA: fleet.Known(400.0), CCAStandard: fleet.EN}, // no longer the last
			{Unit: h.Unit.ID, Position: 1, At: at, CCAA: fleet.Known(900 - 5*float64(i)), CCAStandard: fleet.EN},
			{Unit: h.Unit.ID, Position: 2, At: at, CCAA: fleet.Known(950.0), CCAStandard: fleet.EN},
			{Unit: h.Unit.ID, Position: 2, At: at.AddDate(0, 2, 0), CCAA: fleet.Known(1.0), CCAStandard: fleet.EN}, // after the list
		}
		h.Cranks = []fleet.Crank{
			{Unit: h.Unit.ID, At: at.AddDate(-2, 0, 0), MinV: fleet.Known(10.0), TemperatureC: fleet.Known(0.0)}, // too long ago
			{Unit: h.Unit.ID, At: at, MinV: fleet.Known(18.0), TemperatureC: fleet.Known(2.0)},
			{Unit: h.Unit.ID, At: at.Add(time.Hour), MinV: fleet.Known(9.0), TemperatureC: fleet.Known(-20.0)}, // too cold to compare
		}
		if i >= 36 {
			h = broke(h, time.Date(2026, 1, 1+i%20, 7, 0, 0, 0, auditZone), []fleet.Part{fleet.BatteryPart, fleet.StarterPart}[i%2])
		}
		hs, p = append(hs, h), append(p, float64(i)/100)
	}
	r := auditOf(t, auditList(p...), hs...)
	require.Equal(t, 24, r.Failed)
	require.False(t, r.TooFew)
	require.InDelta(t, 1.0, r.Forecast.AUC.Or(0), 1e-12)
	require.InDelta(t, 1.0, r.Forecast.Precision.Or(0), 1e-12)
	require.Equal(t, []float64{0.5, 1, 0.5}, []float64{r.Rules[0].AUC.Or(0), r.Rules[1].AUC.Or(0), r.Rules[2].AUC.Or(0)})
	require.InDelta(t, 0.4, r.Rules[0].Precision.Or(0), 1e-12, "all are of one age: as good as drawing lots")
	require.Equal(t, Parts{Failed: 24, Right: 12, Caught: 24, CaughtRight: 12, RightShare: shareSpan(12, 24), CaughtShare: shareSpan(12, 24), ByCause: []CauseHits{
		{fleet.BatteryPart, 12, 12}, {fleet.StarterPart, 12, 0}, {Cause: fleet.CablePart}, {Cause: fleet.ChargingPart}, {Cause: fleet.ControlPart},
	}}, r.Parts)
	u := r.Units[10]
	require.InDelta(t, 4.0, u.AgeYears.Or(0), 1e-9)
	require.InDelta(t, 85.0, u.TestPct.Or(0), 1e-9)
	require.InDelta(t, 9.0, u.LowestV.Or(0), 1e-9)
	require.Contains(t, r.Judgement, "24 of 60 units failed")
	require.Contains(t, r.Judgement, "100 times in a hundred")

	slices.Reverse(hs)
	again := auditOf(t, auditList(p...), hs...)
	require.Equal(t, r, again, "the order of units changes nothing")
	for _, row := range r.Rows() {
		require.Len(t, row, len(AuditColumns()))
	}
	require.Len(t, r.Units, 60)
}

func TestCrankWithoutThermometer(t *testing.T) {
	h := auditUnit("U-00")
	at := time.Date(2025, 3, 3, 6, 0, 0, 0, auditZone)
	h.Cranks = []fleet.Crank{{At: at, MinV: fleet.Known(17.0)}, {At: at.Add(5 * time.Hour), MinV: fleet.Known(12.0)}}
	in := AuditInput{
		List: auditList(0.2), Depots: []fleet.Depot{{ID: "NOR", Timezone: "Europe/Helsinki"}}, Histories: auditSeq(h),
		Temps: map[fleet.DepotID][]fleet.DayTemp{"NOR": {{Depot: "NOR", Date: fleet.NewDate(2025, 3, 3), MinC: fleet.Known(1.0)}}},
	}
	r, err := Audit(in)
	require.NoError(t, err)
	require.InDelta(t, 8.5, r.Units[0].LowestV.Or(0), 1e-12, "the day's first crank goes by the depot's low, a later one does not")
}

func TestFewFailuresAreNoJudgement(t *testing.T) {
	hs := []fleet.History{auditUnit("U-00"), broke(auditUnit("U-01"), time.Date(2026, 1, 9, 6, 0, 0, 0, auditZone), fleet.BatteryPart)}
	r := auditOf(t, auditList(0.1, 0.4), hs...)
	require.True(t, r.TooFew)
	require.Contains(t, r.Judgement, "1 of 2 units failed, 0.5 were expected")
	require.Contains(t, r.Judgement, "too uncertain to judge")
	require.False(t, r.Forecast.AUCSE.IsKnown())
	_, err := json.Marshal(r)
	require.NoError(t, err, "no NaN may reach JSON")

	in := AuditInput{List: auditList(0.1, 0.4), Histories: auditSeq(hs...), Through: fleet.Known(fleet.NewDate(2025, 12, 31))}
	r, err = Audit(in)
	require.NoError(t, err)
	require.Zero(t, r.Failed, "what came after the last known day is not looked at")
	require.False(t, r.SeasonOver)
	require.Contains(t, r.Judgement, "The season runs until 2026-03-31")
}

func TestAuditOfNothing(t *testing.T) {
	list := auditList(0.1, 0.2)
	list.Units[1].NoStartProbability = fleet.Opt[float64]{}
	r := auditOf(t, list, auditUnit("U-01"), auditUnit("Z-99"))
	require.Equal(t, []int{2, 0, 1, 1, 1}, []int{r.Listed, r.Scored, r.NoProbability, r.NoHistory, r.NotListed})
	require.False(t, r.Forecast.AUC.IsKnown())
	_, err := json.Marshal(r)
	require.NoError(t, err)
	require.NotEmpty(t, r.Rows())
}

func TestAuditStopsAtAnError(t *testing.T) {
	lost := errors.New("lost")
	_, err := Audit(AuditInput{List: auditList(0.1), Histories: func(yield func(fleet.History, error) bool) { yield(fleet.History{}, lost) }})
	require.ErrorIs(t, err, lost)
}
