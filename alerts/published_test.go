package alerts

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

// Failures of units that are independent add to a Poisson-binomial sum: mean and spread against exact convolution.
func TestSpreadOfFailuresIsThePoissonBinomials(t *testing.T) {
	var want map[string]json.RawMessage
	b, err := os.ReadFile("../testdata/golden/distributions/sums_expected.json")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(b, &want))
	for _, name := range []string{"five", "rare", "mixed40", "equal"} {
		var sum struct {
			P        []float64
			Variance float64
		}
		require.NoError(t, json.Unmarshal(want[name], &sum))
		units := make([]Scored, len(sum.P))
		for i, p := range sum.P {
			units[i] = Scored{Depot: "YRD", P: p}
		}
		sd, winters := spreadOfFailures(units)
		require.Zero(t, winters)
		require.InEpsilon(t, math.Sqrt(sum.Variance), sd, 1e-12, name)

		// The same winter over and over adds nothing.
		for i := range units {
			units[i].byWinter = []float64{units[i].P, units[i].P, units[i].P}
		}
		sd, winters = spreadOfFailures(units)
		require.Equal(t, 3, winters)
		require.InEpsilon(t, math.Sqrt(sum.Variance), sd, 1e-9, name)
	}
}

// The law of total variance against every way that few units and winters can turn out.
func TestSpreadOverWintersByEnumeration(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		units, winters := rapid.IntRange(1, 6).Draw(t, "units"), rapid.IntRange(1, 4).Draw(t, "winters")
		list := make([]Scored, units)
		for i := range list {
			list[i].Depot = []fleet.DepotID{"EAST", "WEST"}[i%2]
			for range winters {
				list[i].byWinter = append(list[i].byWinter, rapid.Float64Range(0.01, 0.99).Draw(t, "p"))
				list[i].P += list[i].byWinter[len(list[i].byWinter)-1] / float64(winters)
			}
		}
		mean, square := 0.0, 0.0
		for w := range winters {
			for outcome := range 1 << units {
				p, n := 1/float64(winters), 0.0
				for i := range list {
					if outcome>>i&1 == 1 {
						p *= list[i].byWinter[w]
						n++
					} else {
						p *= 1 - list[i].byWinter[w]
					}
				}
				mean, square = mean+p*n, square+p*n*n
			}
		}
		sd, _ := spreadOfFailures(list)
		require.InDelta(t, math.Sqrt(square-mean*mean), sd, 1e-7)
	})
}

// The interval that R gives about the area is the error that we give, to either side.
func TestAreaWithItsInterval(t *testing.T) {
	p, failed, _ := goldenForecast(t)
	var want struct {
		CI [2]float64 `json:"delong_ci95"`
		U  float64    `json:"u_statistic"`
	}
	b, err := os.ReadFile(golden + "forecast_expected.json")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(b, &want))
	auc, se, _ := areaUnderCurve(p, failed)
	const two5 = 1.959963984540054 // the normal distribution's 97.5 % point
	require.InDelta(t, want.CI[0], auc-two5*se, 1e-12)
	require.InDelta(t, want.CI[1], auc+two5*se, 1e-12)
	hits := countFailed(failed)
	require.InDelta(t, want.U, auc*float64(hits*(len(p)-hits)), 1e-8)
}

// Of the rules that people use, the last test leaves out figures of another standard, takes the weaker of a pair, and never the
// last owner of the place; the lowest volts are per 12 V and leave out the deep cold, where a flat 9.6 V flags every crank.
func TestRulesDoNotFallIntoTheTraps(t *testing.T) {
	asOf := fleet.NewDate(2025, 10, 1)
	at := func(back int) time.Time { return (asOf - fleet.Date(back)).Midnight(time.UTC).Add(7 * time.Hour) }
	h := fleet.History{
		Unit: fleet.Unit{ID: "U", SystemVolts: 24, Batteries: 2},
		Batteries: []fleet.BatteryFitting{
			{Battery: "a", Position: 1, RatedCCAA: 600, CCAStandard: fleet.EN, FittedOn: fleet.Known(asOf - 900)},
			{Battery: "b", Position: 2, RatedCCAA: 600, CCAStandard: fleet.EN, FittedOn: fleet.Known(asOf - 100)},
		},
		Tests: []fleet.Test{
			{At: at(300), Position: 2, CCAA: fleet.Known(150.0), CCAStandard: fleet.EN}, // of the battery before
			{At: at(60), Position: 1, CCAA: fleet.Known(480.0), CCAStandard: fleet.EN},
			{At: at(60), Position: 2, CCAA: fleet.Known(600.0), CCAStandard: fleet.EN},
			{At: at(20), Position: 1, CCAA: fleet.Known(340.0), CCAStandard: fleet.DIN}, // as much as 578 A by EN
		},
		Cranks: []fleet.Crank{
			{At: at(250), MinV: fleet.Known(14.0), TemperatureC: fleet.Known(-15.0)}, // the middle of the band printed for −23 to −7 °C
			{At: at(240), MinV: fleet.Known(18.4), TemperatureC: fleet.Known(0.0)},
		},
	}
	pct, known := lastTestPct(h, time.UTC).Get()
	require.True(t, known)
	require.InDelta(t, 80, pct, 1e-12)
	v, known := lowestCrankingV(h, asOf, time.UTC, nil).Get()
	require.True(t, known)
	require.InDelta(t, 9.2, v, 1e-12)
	slices.Reverse(h.Cranks)
	require.Equal(t, fleet.Known(9.2), lowestCrankingV(h, asOf, time.UTC, nil))
}
