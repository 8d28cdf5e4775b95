package alerts_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func (w *world) replay(t *testing.T, through fleet.Date) alerts.Replayed {
	t.Helper()
	r, err := alerts.Replay(t.Context(), alerts.Input{
		AsOf: w.asOf, Depots: w.depots, Temps: w.temps, Histories: each(w.until()), Workers: 2,
	}, through)
	require.NoError(t, err)
	return r
}

// colder moves the nights of the season by so many degrees.
func (w *world) colder(byC float64) {
	for _, days := range w.temps {
		for i := range days {
			if days[i].Date >= w.asOf {
				days[i].MinC = fleet.Known(days[i].MinC.Or(0) - byC)
			}
		}
	}
}

func TestReplayIsTheListAndLooksAheadForTheNightsAlone(t *testing.T) {
	w := newWorld(3, 90, 1)
	end := w.asOf + 181
	list := bytesOf(t, w.rank(t, w.until(), 2))
	came := w.replay(t, end)
	require.Equal(t, list, bytesOf(t, came.List))
	require.Len(t, came.WithNights, 90)
	for _, u := range came.List.Units {
		mean := 0.0
		for _, p := range came.ByWinter[u.Unit] {
			mean += p / float64(len(came.ByWinter[u.Unit]))
		}
		require.InDelta(t, u.NoStartProbability.Or(-1), mean, 1e-4, "the list's chance is the mean over past winters, rounded")
	}
	w.colder(6)
	harder := w.replay(t, end)
	require.Equal(t, list, bytesOf(t, harder.List), "the nights that came changed what was known before")
	more := 0
	for unit, p := range came.WithNights {
		require.GreaterOrEqual(t, harder.WithNights[unit], p, "%s: colder nights, less likely to fail", unit)
		if harder.WithNights[unit] > p {
			more++
		}
	}
	require.Greater(t, more, 60)
	half := w.replay(t, w.asOf+90)
	for unit, p := range half.WithNights {
		require.LessOrEqual(t, p, harder.WithNights[unit], "half of the season, yet likelier to fail")
	}
}

func TestReplayWithoutTheNightsSaysNothingOfThem(t *testing.T) {
	w := newWorld(4, 30, 1)
	days := w.temps["MID"]
	for i := range days {
		if day := int(days[i].Date - w.asOf); day >= 100 { // more than a fifth of the season is missing
			days[i].MinC = fleet.Opt[float64]{}
		}
	}
	r := w.replay(t, w.asOf+181)
	require.Len(t, r.List.Units, 30)
	for _, u := range r.List.Units {
		_, known := r.WithNights[u.Unit]
		require.Equal(t, u.Depot != "MID", known)
	}
}
