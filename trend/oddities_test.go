package trend

import (
	"fmt"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/witness"
)

// The Nile's annual flow (Cobb 1978) against mean and spread of its first twenty years: both sums year by year, and the first alarm.
func TestCusumOfTheNile(t *testing.T) {
	var want struct {
		Alarm int `json:"cusum_first_alarm_h5_year"`
	}
	witness.JSON(t, "golden/changepoint/expected.json", &want)
	var sum cusum
	alarm := 0
	for _, row := range witness.Table(t, "golden/changepoint/nile_cusum_expected.csv") {
		sum.take(witness.Number(t, row["z"]))
		require.InDelta(t, witness.Number(t, row["cusum_up"]), sum.up, 1e-9)
		require.InDelta(t, witness.Number(t, row["cusum_down"]), sum.down, 1e-9)
		if alarm == 0 && max(sum.up, sum.down) > cusumAlarm {
			var err error
			alarm, err = strconv.Atoi(row["year"])
			require.NoError(t, err)
		}
	}
	require.Equal(t, want.Alarm, alarm)
}

// A reading in its own place surprises by as much as it does; in place of one with another rating and tester the amperes count, not the share.
func TestReadingInPlaceOfAnother(t *testing.T) {
	a := TestSurprise{ShownA: 300, RatedA: 600, Ln: -0.7, WantLn: -0.1, SD: 0.1, DeviceLn: 0.05}
	require.InDelta(t, a.Z(), a.InPlaceOf(a), 1e-12)
	b := TestSurprise{ShownA: 540, RatedA: 300, Ln: 0.6, WantLn: -0.1, SD: 0.1, DeviceLn: 0.05}
	require.InDelta(t, 0.9315, a.InPlaceOf(b), 1e-3) // ln(600/300) − 0.7 + 0.1 = 0.0931
}

func TestSwapIsDated(t *testing.T) {
	worn := func(back int) float64 {
		if back > 150 {
			return 0.9 - 0.5*float64(720-back)/570
		}
		return 1
	}
	h := plain("U", worn)
	h.Cranks = nil
	m := FindMisfits(Compress(h, yard, yardWeather(), asOf), defaultParams(&taught))
	require.Len(t, m.Swaps, 1)
	require.Equal(t, (asOf - 150).Monday(), m.Swaps[0].Monday)
	require.Greater(t, m.Swaps[0].WearBefore, 0.6)
	require.Less(t, m.Swaps[0].WearAfter, 0.2)
	require.Zero(t, m.Swaps[0].Booked)
	require.Greater(t, m.Swaps[0].TestRise.Or(0), 0.6)
}

func TestMisfitsChangeNothing(t *testing.T) {
	h := plain("U", func(back int) float64 { return 0.5 + 0.0005*float64(back) })
	track := Compress(h, yard, yardWeather(), asOf)
	before := Estimate(track, defaultParams(&taught))
	m := FindMisfits(track, defaultParams(&taught))
	HeldOut(track, defaultParams(&taught))
	require.Equal(t, before.belief, Estimate(track, defaultParams(&taught)).belief)
	require.Len(t, m.Tests, len(track.Tests))
}

func TestTooFewTestsNameNoTester(t *testing.T) {
	var tests []TestSurprise
	for i := range baselineTests + recentTests - 1 {
		tests = append(tests, TestSurprise{Unit: fleet.UnitID(fmt.Sprint(i)), Day: fleet.Date(15000 + 5*i), Device: "A", Ln: -0.05 * float64(i), SD: 0.1})
	}
	require.Empty(t, Drifts(tests))
	tests = append(tests, TestSurprise{Day: 16000, Device: "A", Ln: -2.5, SD: 0.1})
	require.Len(t, Drifts(tests), 1)
	for i := range tests {
		tests[i].Unit = "the same battery over and over"
	}
	require.Empty(t, Drifts(tests))
}
