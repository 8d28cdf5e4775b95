package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// provenCranks counts the cranks from so many days before a battery was renewed to so many after, and those that prove the work.
func provenCranks(t *testing.T, w *world, judge *alerts.Judge, from, to fleet.Date) (judged, good int) {
	t.Helper()
	for _, h := range w.histories {
		known := h.AsOf(w.asOf, time.UTC)
		for i, f := range known.Batteries {
			on := f.FittedOn.Or(0)
			if i == 0 || i+1 < len(known.Batteries) || on+to > w.asOf { // the state is that of the battery fitted now
				continue
			}
			for _, c := range known.Cranks {
				if day := fleet.DateOf(c.At, time.UTC); day <= on+from || day > on+to {
					continue
				}
				p, err := judge.Proves(h, fleet.BatteryPart, c)
				require.NoError(t, err)
				require.NotEmpty(t, p.Why)
				if p.Judged {
					judged++
				}
				if p.Good {
					good++
				}
			}
		}
	}
	return judged, good
}

func TestNewBatteriesProveThemselves(t *testing.T) {
	w := newWorld(11, 120, 1)
	issued, err := alerts.Issue(t.Context(), w.input())
	require.NoError(t, err)
	judge := alerts.NewJudge(issued.Learned, w.input())
	judged, good := provenCranks(t, w, judge, 0, 30)
	worn, passed := provenCranks(t, w, judge, -30, -1)
	t.Logf("after a swap %d of %d cranks prove it; before it %d of %d would have", good, judged, passed, worn)
	require.Greater(t, judged, 100)
	require.Greater(t, worn, 100)
	require.Greater(t, float64(good), 0.95*float64(judged), "a sound new battery hardly ever comes back")
	require.Less(t, float64(passed), 0.3*float64(worn), "a worn one does, mostly")
}

func TestWhatACrankProves(t *testing.T) {
	w := newWorld(12, 30, 1)
	issued, err := alerts.Issue(t.Context(), w.input())
	require.NoError(t, err)
	judge := alerts.NewJudge(issued.Learned, w.input())
	h := w.histories[1]
	h.Batteries = append(h.Batteries[:len(h.Batteries):len(h.Batteries)], fleet.BatteryFitting{
		Battery: "N", Unit: h.Unit.ID, Position: 1, Part: "B70", Chemistry: fleet.Flooded, RatedCCAA: 640, CCAStandard: fleet.EN, FittedOn: fleet.Known(w.asOf - 1),
	})
	at := (w.asOf - 1).Midnight(time.UTC).Add(10 * time.Hour)
	crank := func(change func(*fleet.Crank)) fleet.Crank {
		c := fleet.Crank{Unit: h.Unit.ID, At: at, RestV: fleet.Known(12.7), MeanV: fleet.Known(11.2), TemperatureC: fleet.Known(5.0), Outcome: fleet.Started}
		change(&c)
		return c
	}
	none := fleet.Opt[float64]{}
	for want, tc := range map[string]struct {
		change       func(*fleet.Crank)
		judged, good bool
	}{
		"were 11.2 V; units of its class read": {func(*fleet.Crank) {}, true, true},
		"were only 8.5 V":                      {func(c *fleet.Crank) { c.MeanV = fleet.Known(8.5) }, true, false},
		"lowest volts while cranking":          {func(c *fleet.Crank) { c.MeanV, c.MinV = none, fleet.Known(10.4) }, true, true},
		"and 9.6 V at least": {func(c *fleet.Crank) {
			c.RestV, c.MeanV, c.TemperatureC = fleet.Known(10.6), fleet.Known(9.5), fleet.Known(24.0)
		}, true, false},
		"did not crank":                   {func(c *fleet.Crank) { c.Outcome = fleet.NoCrank }, true, false},
		"cranked slowly":                  {func(c *fleet.Crank) { c.Outcome = fleet.Slow }, true, false},
		"no volts while cranking":         {func(c *fleet.Crank) { c.MeanV = none }, false, false},
		"no temperature is known":         {func(c *fleet.Crank) { c.TemperatureC, c.At = none, at.AddDate(3, 0, 0) }, false, false},
		"engine was warm":                 {func(c *fleet.Crank) { c.CoolantC = fleet.Known(60.0) }, false, false},
		"one of the two is wrong":         {func(c *fleet.Crank) { c.RestV = fleet.Known(11.0) }, false, false},
		"charge it, then start once more": {func(c *fleet.Crank) { c.RestV = fleet.Known(12.1) }, false, false},
	} {
		part := fleet.BatteryPart
		if want == "and 9.6 V at least" { // with the battery as it is
			part = fleet.StarterPart
		}
		p, err := judge.Proves(h, part, crank(tc.change))
		require.NoError(t, err)
		require.Contains(t, p.Why, want)
		require.Equal(t, []bool{tc.judged, tc.good}, []bool{p.Judged, p.Good}, want)
	}
	bare := crank(func(c *fleet.Crank) { c.RestV, c.TemperatureC = none, none })
	p, err := judge.Proves(h, fleet.BatteryPart, bare)
	require.NoError(t, err)
	require.True(t, p.Judged, "the day's temperatures stand in, and a charged battery")

	h.Cranks = []fleet.Crank{crank(func(c *fleet.Crank) { c.At = at.Add(-time.Hour) }), crank(func(c *fleet.Crank) { c.MeanV = none }), crank(func(c *fleet.Crank) { c.At = at.Add(time.Hour) })}
	p, crankedAt, found, err := judge.FirstProving(h, fleet.BatteryPart, at.Add(-time.Minute))
	require.NoError(t, err)
	require.True(t, found && p.Good && crankedAt.Equal(at.Add(time.Hour)), "%v %v", p, crankedAt)
	_, _, found, err = judge.FirstProving(h, fleet.BatteryPart, at.Add(time.Hour))
	require.NoError(t, err)
	require.False(t, found)
	_, err = judge.Proves(fleet.History{Unit: fleet.Unit{ID: "X", Depot: "nowhere"}}, fleet.BatteryPart, bare)
	require.ErrorContains(t, err, "nowhere")
}
