package proving

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

// goldenScores was computed with R from a published data set: see README.md beside the file.
type goldenScores struct {
	AUC       float64 `json:"auc_mann_whitney"`
	Brier     float64
	ByWidth   struct{ ECE float64 } `json:"murphy_10_equal_width_bins"`
	Confusion []struct {
		Threshold float64
		TP, FP    int
	}
	Tiny struct {
		P          []float64
		Y          []int
		AUC, Brier float64
	}
}

func golden(t *testing.T) (cases []Case, want goldenScores) {
	t.Helper()
	f, err := os.Open("../../testdata/golden/scores/forecast.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	for _, row := range rows[1:] {
		p, err := strconv.ParseFloat(row[0], 64)
		require.NoError(t, err)
		cases = append(cases, Case{Said{P: p}, Truth{Failed: row[1] == "1"}})
	}
	b, err := os.ReadFile("../../testdata/golden/scores/forecast_expected.json")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(b, &want))
	return cases, want
}

func TestScoreAgainstPublishedForecast(t *testing.T) {
	cases, want := golden(t)
	s := ScoreOf(cases)
	require.Equal(t, 332, s.Units)
	require.Equal(t, 109, s.Failed)
	require.InDelta(t, want.AUC, s.AUC, 1e-12)
	require.InDelta(t, want.Brier, s.Brier, 1e-12)
	require.InDelta(t, want.ByWidth.ECE, s.ErrorByWidth, 1e-12)
	for _, at := range want.Confusion { // top k of ties at the threshold: exactly the published true positives
		above, failed := make([]float64, len(cases)), make([]bool, len(cases))
		for i, c := range cases {
			if c.Said.P >= at.Threshold {
				above[i] = 1
			}
			failed[i] = c.Truth.Failed
		}
		require.InDelta(t, float64(at.TP)/float64(at.TP+at.FP), topShare(above, failed, at.TP+at.FP), 1e-12)
	}
}

func TestScoreOfSixByHand(t *testing.T) {
	_, want := golden(t)
	var cases []Case
	for i, p := range want.Tiny.P {
		cases = append(cases, Case{Said{P: p}, Truth{Failed: want.Tiny.Y[i] == 1}})
	}
	s := ScoreOf(cases)
	require.InDelta(t, want.Tiny.AUC, s.AUC, 1e-12)
	require.InDelta(t, want.Tiny.Brier, s.Brier, 1e-12)
	// .9 failed; .8 and .8, of which one failed, fill the two places left: 2 of 3
	require.InDelta(t, 2.0/3, s.TopShare, 1e-12)
	require.InDelta(t, 0.5, s.FailedShare, 1e-12)
	require.InDelta(t, 3.4/3, s.Ratio, 1e-12)
	// bins of width 0.1 hold .1 | .4 .4 | .8 .8 | .9: gaps .1, −.2, .6, −.1 of six units
	require.InDelta(t, 1.0/6, s.ErrorByWidth, 1e-12)
	require.InDelta(t, 1.0/6, s.ErrorByCount, 1e-12)
}

func TestErrorByCountByHand(t *testing.T) {
	// twenty units, two to a bin: bin k says (k + ½)/10 twice, and both or neither failed
	var cases []Case
	for k := range 10 {
		for range 2 {
			cases = append(cases, Case{Said{P: (float64(k) + 0.5) / 10}, Truth{Failed: k >= 5}})
		}
	}
	// |.05| |.15| … |.45| on either side: mean .25
	require.InDelta(t, 0.25, ScoreOf(cases).ErrorByCount, 1e-12)
}

func TestPartsAndLimitsByHand(t *testing.T) {
	between := func(low, high float64) Range { return Range{fleet.Known(low), fleet.Known(high)} }
	cases := []Case{
		{Said{P: 0.9, Suspect: fleet.BatteryPart, LimitC: fleet.Known(-5.0), Limit80: between(-10, 0), PRange: between(0.6, 0.95)}, Truth{Failed: true, Cause: fleet.BatteryPart, ColdLimitC: 0, Chance: 0.8}},
		{Said{P: 0.8, Suspect: fleet.BatteryPart, LimitC: fleet.Known(-6.0), Limit80: between(-9, -3), PRange: between(0.6, 0.9)}, Truth{Failed: true, Cause: fleet.CablePart, ColdLimitC: -2, Chance: 0.5}},
		{Said{P: 0.7, Suspect: fleet.StarterPart, LimitC: fleet.Known(-20.0), Limit80: between(-30, -10), Limit90: between(-31, -9)}, Truth{ColdLimitC: -23}},
		{Said{P: 0.1, Suspect: fleet.StarterPart}, Truth{Failed: true, Cause: fleet.StarterPart, ColdLimitC: math.Inf(-1)}},
	}
	s := ScoreOf(cases)
	require.Equal(t, 2, s.Caught) // three failed; .9, .8 and .7 stand on top
	require.InDelta(t, 0.5, s.RightCaught, 1e-12)
	require.InDelta(t, 2.0/3, s.RightAll, 1e-12)
	require.InDelta(t, 2.0/3, s.LimitIn80, 1e-12)
	require.InDelta(t, 1.0, s.LimitIn90, 1e-12)
	require.InDelta(t, 0.5, s.ChanceIn90, 1e-12)
	require.InDelta(t, (5+4+3)/3.0, s.LimitErrorC, 1e-12)
	require.InDelta(t, (-5-4+3)/3.0, s.LimitBiasC, 1e-12)
	require.InDelta(t, -4.5, s.WeakBiasC, 1e-12)
}

func TestWhatCannotBeComputedIsNotANumber(t *testing.T) {
	s := ScoreOf([]Case{{Said{P: 0.2}, Truth{}}, {Said{P: 0.3}, Truth{}}})
	for name, v := range map[string]float64{"auc": s.AUC, "top": s.TopShare, "ratio": s.Ratio, "right": s.RightAll, "limit": s.LimitIn80, "off": s.LimitErrorC} {
		require.True(t, math.IsNaN(v), name)
	}
	require.InDelta(t, 0.25, s.ErrorByCount, 1e-12)
}

// The share of n independent units that fail has the standard error √(p(1−p)/n).
func TestBootstrapOfAShare(t *testing.T) {
	cases := make([]Case, 400)
	for i := range cases {
		cases[i].Truth.Failed = i%4 == 0
		cases[i].Said.P = float64(i%7) / 7
	}
	got := Bootstrap(cases, 2000, 1)
	require.InEpsilon(t, math.Sqrt(0.25*0.75/400), got.FailedShare, 0.06) // 2,000 samples know a deviation to 1.6 %
	again := Bootstrap(cases, 2000, 1)
	require.InDelta(t, got.AUC, again.AUC, 0, "the same seed, the same answer")
}

func TestOrderOfUnitsDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 50).Draw(t, "units")
		cases := make([]Case, n)
		for i := range cases {
			cases[i].Said.P = float64(rapid.IntRange(0, 20).Draw(t, "p")) / 20
			cases[i].Truth.Failed = rapid.Bool().Draw(t, "failed")
		}
		a, shuffled := ScoreOf(cases), ScoreOf(rapid.Permutation(cases).Draw(t, "order"))
		b := shuffled
		for i, v := range a.figures() {
			w := *b.figures()[i]
			require.Equal(t, math.IsNaN(*v), math.IsNaN(w), "figure %d", i)
			if !math.IsNaN(w) {
				require.InDelta(t, *v, w, 1e-9, "figure %d", i)
			}
		}
	})
}

func TestMeanOverFleets(t *testing.T) {
	m := Mean([]Score{{Units: 2, Failed: 1, AUC: 0.5, Brier: 0.2}, {Units: 3, Failed: 0, AUC: math.NaN(), Brier: 0.4}})
	require.Equal(t, 5, m.Units)
	require.InDelta(t, 0.5, m.AUC, 1e-12)
	require.InDelta(t, 0.3, m.Brier, 1e-12)
}

// By hand: the failure of the battery stands above both that held, that of the cable between them, that of the control below both.
func TestPooledByHand(t *testing.T) {
	one := []Case{
		{Said{P: 0.9}, Truth{Failed: true, Cause: fleet.BatteryPart}},
		{Said{P: 0.4}, Truth{Failed: true, Cause: fleet.CablePart}},
		{Said{P: 0.1}, Truth{Failed: true, Cause: fleet.ControlPart}},
		{Said: Said{P: 0.3}},
		{Said: Said{P: 0.6}},
	}
	other := []Case{{Said{P: 0.2}, Truth{Failed: true, Cause: fleet.BatteryPart}}, {Said: Said{P: 0.5}}}
	got := PooledOf([][]Case{one, other}, 50, 1)
	require.Equal(t, map[fleet.Part]CauseScore{fleet.BatteryPart: {2, 0.5}, fleet.CablePart: {1, 0.5}, fleet.ControlPart: {1, 0}}, got.ByCause)
	require.InDelta(t, (0.1+0.6+0.9+0.3+0.6+0.8+0.5)/7, got.ErrorByCount, 1e-12, "seven units in seven bins")
}

// A unit whose chance is right errs by 1−p with the chance p and by p otherwise.
func TestCalibrationErrorOfARightForecast(t *testing.T) {
	var cases []Case
	for i := range 10 {
		cases = append(cases, Case{Said: Said{P: 0.05 + 0.1*float64(i)}})
	}
	want := 0.0
	for _, c := range cases {
		want += 2 * c.Said.P * (1 - c.Said.P) / 10
	}
	require.InDelta(t, want, PooledOf([][]Case{cases}, 20_000, 1).ErrorIfRight, 0.003)
}
