package gravel

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// Every row of a clean fleet is one that the interchange files allow.
func TestRowsAreThoseOfRealFiles(t *testing.T) {
	f := built(t, proving.Options{Seed: 8, Units: 80, Years: 2})
	zones := map[fleet.DepotID]*time.Location{}
	for _, d := range f.Depots {
		_, err := time.LoadLocation(d.Timezone)
		require.NoError(t, err)
		zones[d.ID] = d.Zone()
		require.GreaterOrEqual(t, len(f.Temps[d.ID]), 12*365+182, "past winters")
		for i, day := range f.Temps[d.ID] {
			require.LessOrEqual(t, day.MinC.Or(0), day.MaxC.Or(0))
			require.Equal(t, f.Season.To-fleet.Date(len(f.Temps[d.ID])-1-i), day.Date, "without a gap")
		}
	}
	classes := map[string]bool{}
	for _, h := range f.Histories {
		classes[h.Unit.Class] = true
		require.Contains(t, zones, h.Unit.Depot)
		checkFittings(t, h)
		checkTests(t, h, zones[h.Unit.Depot])
		checkCranks(t, h)
	}
	require.Greater(t, len(classes), 5)
}

// checkFittings holds that in each place one part follows the other, on one day.
func checkFittings(t *testing.T, h fleet.History) {
	t.Helper()
	labels := map[string]bool{}
	for pos := 1; pos <= h.Unit.Batteries; pos++ {
		var before *fleet.BatteryFitting
		for i := range h.Batteries {
			fit := &h.Batteries[i]
			if fit.Position != pos {
				continue
			}
			require.False(t, labels[fit.Battery], "%s is fitted twice", fit.Battery)
			labels[fit.Battery] = true
			require.LessOrEqual(t, fit.MadeOn.Or(0), fit.FittedOn.Or(0))
			require.Equal(t, fit.RemovedOn.IsKnown(), fit.RemovedBecause != "")
			if before != nil {
				require.Equal(t, before.RemovedOn, fit.FittedOn)
			}
			before = fit
		}
		require.NotNil(t, before, "%s: nothing was ever in place %d", h.Unit.ID, pos)
		require.False(t, before.RemovedOn.IsKnown(), "the last one is still in place")
	}
	require.NotEmpty(t, h.Starters)
}

func checkTests(t *testing.T, h fleet.History, zone *time.Location) {
	t.Helper()
	for _, row := range h.Tests {
		require.Equal(t, h.Unit.ID, row.Unit)
		require.Contains(t, []int{1, 2}[:h.Unit.Batteries], row.Position)
		require.True(t, row.CCAA.IsKnown() || row.LoadV.IsKnown())
		require.InDelta(t, 12.4, row.RestV.Or(0), 0.9)
		fitted := row.Battery == ""
		for _, b := range h.Batteries {
			if b.Position != row.Position || !b.FittedAt(fleet.DateOf(row.At, zone)) {
				continue
			}
			fitted = fitted || b.Battery == row.Battery
			if row.CCAA.IsKnown() {
				require.Equal(t, b.CCAStandard, row.CCAStandard)
				require.InDelta(t, 0.9, row.CCAA.Or(0)/b.RatedCCAA, 0.87)
			}
		}
		require.True(t, fitted, "%s was not there on %s", row.Battery, row.At)
	}
}

func checkCranks(t *testing.T, h fleet.History) {
	t.Helper()
	for i, c := range h.Cranks {
		require.Equal(t, h.Unit.ID, c.Unit)
		require.True(t, i == 0 || h.Cranks[i-1].At.Before(c.At), "one row per instant, in order")
		require.True(t, c.MinV.Or(0) <= c.MeanV.Or(0) && c.MeanV.Or(0) <= c.RestV.Or(0))
		require.InDelta(t, 12.4, c.RestV.Or(0)/float64(h.Unit.BatteriesInSeries()), 1.2)
		require.Less(t, c.DurationMs.Or(0), 120_000.0)
		require.NotEmpty(t, c.Outcome)
	}
}
