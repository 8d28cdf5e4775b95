package trend

import (
	"context"
	"fmt"
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

const asOf fleet.Date = 20000 // 2024-10-04

var yard = fleet.Depot{ID: "YRD", Timezone: "Europe/Oslo", Latitude: fleet.Known(60.0)}

// yardWeather is a plain year round, without noise: −9 °C at the coldest dawn.
func yardWeather() Weather {
	var days []fleet.DayTemp
	for d := asOf - 1500; d < asOf; d++ {
		low := 3 - 12*math.Cos(2*math.Pi*float64(d-20)/365.25)
		days = append(days, fleet.DayTemp{Depot: yard.ID, Date: d, MinC: fleet.Known(low), MaxC: fleet.Known(low + 8)})
	}
	return NewWeather([]fleet.Depot{yard}, map[fleet.DepotID][]fleet.DayTemp{yard.ID: days}, asOf)
}

// plain is a unit tested each month for two years; shown gives the share of the rating by day before asOf.
func plain(id fleet.UnitID, shown func(daysBack int) float64) fleet.History {
	h := fleet.History{Unit: fleet.Unit{ID: id, Depot: yard.ID, Class: "van", Fuel: fleet.Petrol, SystemVolts: 12, Batteries: 1}}
	h.Batteries = []fleet.BatteryFitting{{Battery: "b", Unit: id, Position: 1, Part: "P", Chemistry: fleet.Flooded, RatedCCAA: 600, CCAStandard: fleet.EN, FittedOn: fleet.Known(asOf - 1000)}}
	for back := 720; back > 0; back -= 30 {
		at := (asOf - fleet.Date(back)).Midnight(yard.Zone()).Add(9 * time.Hour)
		h.Tests = append(h.Tests, fleet.Test{Unit: id, Position: 1, At: at, RestV: fleet.Known(12.6), CCAA: fleet.Known(600 * shown(back)), CCAStandard: fleet.EN, Tester: "A"})
		low, high, _ := yardWeather().Day(yard.ID, asOf-fleet.Date(back))
		h.Cranks = append(h.Cranks, fleet.Crank{
			Unit: id, At: at.Add(-2 * time.Hour), RestV: fleet.Known(12.6), MeanV: fleet.Known(10.6 + 0.02*low), MinV: fleet.Known(9.4 + 0.02*low),
			TemperatureC: fleet.Known(math.Round((3*low + high) / 4)), DurationMs: fleet.Known(800.0), Outcome: fleet.Started,
		})
	}
	return h
}

func estimate(h fleet.History) State {
	return Estimate(Compress(h, yard, yardWeather(), asOf), defaultParams(&taught))
}

func TestCircuitLimitGoesTheRightWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := newCircuit(math.Log(petrolDemand), petrolQuitV, 0, curve{A: rapid.Float64Range(-0.4, 0.4).Draw(t, "a"), B: rapid.Float64Range(-0.1, 0.1).Draw(t, "b"), From: -20, To: 20})
		r, d, steep := rapid.Float64Range(-0.3, 2).Draw(t, "r"), rapid.Float64Range(-0.5, 0.8).Draw(t, "d"), rapid.Float64Range(-0.2, 0.2).Draw(t, "steepness")
		v, more := rapid.Float64Range(11.8, 12.7).Draw(t, "v"), rapid.Float64Range(0, 0.5).Draw(t, "more")
		at, _ := c.limit(r, d, steep, v)
		for name, worse := range map[string]float64{
			"wear": first(c.limit(r+more, d, steep, v)), "demand": first(c.limit(r, d+more, steep, v)),
			"less charge": first(c.limit(r, d, steep, v-more)),
		} {
			require.GreaterOrEqual(t, worse, at-1e-9, name)
		}
	})
}

func first(t float64, _ gradient) float64 { return t }

func TestLowerLastTestNeverLowersTheLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		last, less := rapid.Float64Range(0.4, 1.1).Draw(t, "last"), rapid.Float64Range(0, 0.3).Draw(t, "less")
		shown := func(v float64) func(int) float64 {
			return func(back int) float64 {
				if back <= 30 {
					return v
				}
				return 0.9
			}
		}
		require.GreaterOrEqual(t, estimate(plain("U", shown(last-less))).ColdLimitC, estimate(plain("U", shown(last))).ColdLimitC-1e-9)
	})
}

func TestFailedStartNeverLowersTheLimit(t *testing.T) {
	h := plain("U", func(int) float64 { return 0.8 })
	before := estimate(h).ColdLimitC
	failed := fleet.Crank{Unit: "U", At: (asOf - 5).Midnight(yard.Zone()).Add(7 * time.Hour), TemperatureC: fleet.Known(-4.0), MinV: fleet.Known(5.0), Outcome: fleet.NoCrank}
	h.Cranks = append(h.Cranks, failed)
	require.Greater(t, estimate(h).ColdLimitC, before)
}

func TestUnreadableRowsChangeNothing(t *testing.T) {
	h := plain("U", func(int) float64 { return 0.8 })
	want := fmt.Sprint(estimate(h).belief)
	at := (asOf - 40).Midnight(yard.Zone()).Add(11 * time.Hour)
	h.Tests = append(h.Tests, fleet.Test{Unit: "U", Position: 1, At: at, RestV: fleet.Known(math.NaN()), CCAA: fleet.Known(math.Inf(1)), CCAStandard: fleet.EN, Tester: "A"})
	h.Cranks = append(h.Cranks, fleet.Crank{Unit: "U", At: at, MinV: fleet.Known(48.0), MeanV: fleet.Known(math.NaN()), TemperatureC: fleet.Known(900.0), Outcome: fleet.NoStart})
	got := estimate(h)
	require.Equal(t, want, fmt.Sprint(got.belief))
	require.Positive(t, got.Track().Odd.OutOfGate)
}

func TestFahrenheitRowsAreRead(t *testing.T) {
	clean, dirty := plain("U", func(int) float64 { return 0.8 }), plain("U", func(int) float64 { return 0.8 })
	for i := range dirty.Cranks {
		if c := &dirty.Cranks[i]; i%4 == 0 {
			c.TemperatureC = fleet.Known(c.TemperatureC.Or(0)*1.8 + 32)
		}
	}
	a, b := estimate(clean), estimate(dirty)
	require.Equal(t, 6, b.Track().Odd.Fahrenheit)
	require.InDelta(t, a.ColdLimitC, b.ColdLimitC, 1e-6)
}

func TestSwapWithoutARecordIsSeen(t *testing.T) {
	worn := func(back int) float64 {
		if back > 150 {
			return 0.9 - 0.5*float64(720-back)/570
		}
		return 1
	}
	h := plain("U", worn)
	h.Cranks = nil // tests alone, since the plain cranks know nothing of the swap
	s := estimate(h)
	require.Equal(t, 1, s.SwapsInferred)
	require.Less(t, s.Wear, 0.15)
	h = plain("U", func(back int) float64 { return 0.5 + 0.0005*float64(back) })
	h.Cranks = nil
	require.Zero(t, estimate(h).SwapsInferred)
}

func TestNeighboursReadingIsNotBelieved(t *testing.T) {
	one := func(back int) float64 {
		if back == 330 {
			return 0.3
		}
		return 0.9
	}
	clean, dirty := estimate(plain("U", func(int) float64 { return 0.9 })), estimate(plain("U", one))
	require.InDelta(t, clean.ColdLimitC, dirty.ColdLimitC, 1.5)
}

func TestTesterThatReadsLowIsFound(t *testing.T) {
	var tracks []Track
	for i := range 40 {
		h := plain(fleet.UnitID(fmt.Sprintf("U%02d", i)), func(back int) float64 { return 1 - 0.0003*float64(1000-back) })
		for j := range h.Tests {
			if (i+j)%3 == 0 {
				h.Tests[j].Tester, h.Tests[j].CCAA = "B", fleet.Known(0.85*h.Tests[j].CCAA.Or(0))
			}
		}
		tracks = append(tracks, Compress(h, yard, yardWeather(), asOf))
	}
	p, err := Learn(context.Background(), tracks, yardWeather(), 2)
	require.NoError(t, err)
	require.InDelta(t, math.Log(0.85), p.Devices["B"]-p.Devices["A"], 0.03)
}

// A 24 V pair is two 12 V batteries in series: the same readings per battery give the same limit.
func TestPairIsJudgedPerBattery(t *testing.T) {
	single, pair := plain("U", func(int) float64 { return 0.7 }), plain("U", func(int) float64 { return 0.7 })
	pair.Unit.SystemVolts, pair.Unit.Batteries = 24, 2
	second := pair.Batteries[0]
	second.Position, second.Battery = 2, "c"
	pair.Batteries = append(pair.Batteries, second)
	for _, x := range pair.Tests[:len(pair.Tests):len(pair.Tests)] {
		x.Position = 2
		pair.Tests = append(pair.Tests, x)
	}
	for i := range pair.Cranks {
		c := &pair.Cranks[i]
		c.RestV, c.MeanV, c.MinV = fleet.Known(2*c.RestV.Or(0)), fleet.Known(2*c.MeanV.Or(0)), fleet.Known(2*c.MinV.Or(0))
	}
	require.InDelta(t, estimate(single).ColdLimitC, estimate(pair).ColdLimitC, 1e-9)
}

func TestSeasonOf(t *testing.T) {
	south := fleet.Depot{Latitude: fleet.Known(-33.0)}
	for _, tc := range []struct {
		asOf, from, to string
		depot          fleet.Depot
	}{
		{"2025-09-30", "2025-10-01", "2026-03-31", yard},
		{"2025-10-01", "2025-10-01", "2026-03-31", yard},
		{"2026-03-31", "2025-10-01", "2026-03-31", yard},
		{"2026-04-01", "2026-10-01", "2027-03-31", yard},
		{"2026-04-01", "2026-04-01", "2026-09-30", south},
		{"2026-10-01", "2027-04-01", "2027-09-30", south},
	} {
		d, err := fleet.ParseDate(tc.asOf)
		require.NoError(t, err)
		s := SeasonOf(d, tc.depot)
		require.Equal(t, tc.from+" "+tc.to, s.From.String()+" "+s.To.String(), tc.asOf)
	}
}

func TestWintersLeaveOutWhatIsNotKnown(t *testing.T) {
	season := SeasonOf(asOf, yard)
	winters := Winters(yardWeather().Days(yard.ID), season, asOf)
	require.Len(t, winters, 4)
	for _, w := range winters {
		require.Len(t, w.DawnC, int(season.To-season.From)+1)
		require.InDelta(t, -9, w.MinC, 0.1)
	}
	padded, spread := yardWeather().RiskWinters(yard, season, asOf)
	require.Len(t, padded, 5)
	require.Zero(t, spread)
	guessed, spread := NewWeather([]fleet.Depot{yard}, nil, asOf).RiskWinters(yard, season, asOf)
	require.Len(t, guessed, 5)
	require.InDelta(t, 4, spread, 0)
}

// What the fleet has taught can be kept as JSON: read back it gives the same state, bit for bit.
func TestParamsSurviveJSON(t *testing.T) {
	var tracks []Track
	for i := range 12 {
		tracks = append(tracks, Compress(plain(fleet.UnitID(fmt.Sprintf("U%02d", i)), func(int) float64 { return 0.9 - 0.01*float64(i) }), yard, yardWeather(), asOf))
	}
	p, err := Learn(context.Background(), tracks, yardWeather(), 2)
	require.NoError(t, err)
	var back Params
	reread(t, p, &back)
	require.Equal(t, fmt.Sprint(Estimate(tracks[3], p).belief), fmt.Sprint(Estimate(tracks[3], back).belief))
	require.Equal(t, Estimate(tracks[3], p).Outlook().Night(), Estimate(tracks[3], back).Outlook().Night())
}

func TestLearningEndsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	_, err := Learn(ctx, []Track{Compress(plain("U", func(int) float64 { return 1 }), yard, yardWeather(), asOf)}, yardWeather(), 2)
	require.ErrorIs(t, err, context.Canceled)
}
