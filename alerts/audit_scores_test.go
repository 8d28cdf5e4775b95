package alerts

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

const golden = "../testdata/golden/scores/"

func goldenRows(t *testing.T, name string) (header []string, rows [][]string) {
	t.Helper()
	f, err := os.Open(golden + name)
	require.NoError(t, err)
	defer f.Close()
	all, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	return all[0], all[1:]
}

func parse(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	require.NoError(t, err)
	return v
}

type murphySplit struct {
	Reliability, Resolution, Uncertainty, ECE float64
	Variance                                  float64 `json:"within_bin_variance"`
	Covariance                                float64 `json:"within_bin_covariance"`
}

type goldenScores struct {
	N, Positives int
	AUC          float64     `json:"auc_mann_whitney"`
	SE           float64     `json:"delong_se"`
	Brier        float64     `json:"brier"`
	LogLoss      float64     `json:"log_loss"`
	ByP          murphySplit `json:"murphy_by_distinct_p"`
	ByWidth      murphySplit `json:"murphy_10_equal_width_bins"`
	TopK         []struct {
		K, Hits int
	} `json:"top_k_ties_by_row_order"`
	Tiny struct {
		P          []float64
		Y          []int
		AUC, Brier float64
		LogLoss    float64 `json:"log_loss"`
	}
}

func goldenForecast(t *testing.T) (p []float64, failed []bool, want goldenScores) {
	t.Helper()
	_, rows := goldenRows(t, "forecast.csv")
	for _, r := range rows {
		p, failed = append(p, parse(t, r[0])), append(failed, r[1] == "1")
	}
	b, err := os.ReadFile(golden + "forecast_expected.json")
	require.NoError(t, err)
	require.NoError(t, json.Unmarshal(b, &want))
	require.Len(t, p, want.N)
	require.Equal(t, want.Positives, countFailed(failed))
	return p, failed, want
}

func TestScoresAgainstPublishedForecast(t *testing.T) {
	p, failed, want := goldenForecast(t)
	auc, se, ok := areaUnderCurve(p, failed)
	require.True(t, ok)
	require.InDelta(t, want.AUC, auc, 1e-12)
	require.InDelta(t, want.SE, se, 1e-12)

	distinct, width := make([]int, len(p)), make([]int, len(p))
	for i, v := range p {
		distinct[i] = int(math.Round(100 * v))
		width[i] = min(9, int(math.Round(100*v))/10)
	}
	for _, split := range []struct {
		group []int
		want  murphySplit
	}{{distinct, want.ByP}, {width, want.ByWidth}} {
		s := scoresOf(p, failed, split.group)
		require.InDelta(t, want.Brier, s.Brier.Or(-1), 1e-12)
		require.InDelta(t, want.LogLoss, s.LogLoss.Or(-1), 1e-12)
		require.InDelta(t, split.want.Reliability, s.Reliability, 1e-12)
		require.InDelta(t, split.want.Resolution, s.Resolution, 1e-12)
		require.InDelta(t, split.want.Uncertainty, s.Uncertainty, 1e-12)
		require.InDelta(t, split.want.Variance-split.want.Covariance, s.Within, 1e-12)
		require.InDelta(t, split.want.ECE, s.CalibrationError.Or(-1), 1e-12)
	}

	byRow := slices.Clone(p) // the published top k breaks ties by row; so that is made part of the value
	for i := range byRow {
		byRow[i] -= 1e-9 * float64(i)
	}
	for _, top := range want.TopK {
		require.InDelta(t, float64(top.Hits), topHits(byRow, failed, top.K), 1e-12, "top %d", top.K)
	}
}

func TestScoresOfSixByHand(t *testing.T) {
	_, _, want := goldenForecast(t)
	failed := make([]bool, len(want.Tiny.Y))
	for i, y := range want.Tiny.Y {
		failed[i] = y == 1
	}
	auc, _, _ := areaUnderCurve(want.Tiny.P, failed)
	require.InDelta(t, want.Tiny.AUC, auc, 1e-12)
	s := scoresOf(want.Tiny.P, failed, make([]int, len(failed)))
	require.InDelta(t, want.Tiny.Brier, s.Brier.Or(-1), 1e-12)
	require.InDelta(t, want.Tiny.LogLoss, s.LogLoss.Or(-1), 1e-12)
	// by hand: .9 fails; .8 and .8, of which one fails, share one place; .4 and .4 likewise
	require.InDelta(t, 1.0, topHits(want.Tiny.P, failed, 1), 1e-12)
	require.InDelta(t, 1.5, topHits(want.Tiny.P, failed, 2), 1e-12)
	require.InDelta(t, 2.5, topHits(want.Tiny.P, failed, 4), 1e-12)
}

func TestWilsonAgainstPublished(t *testing.T) {
	header, rows := goldenRows(t, "binomial_intervals_expected.csv")
	lowAt, highAt := slices.Index(header, "wilson_lo"), slices.Index(header, "wilson_hi")
	for _, r := range rows {
		low, high := wilson(int(parse(t, r[0])), int(parse(t, r[1])))
		require.InDelta(t, parse(t, r[lowAt]), low, 1e-9, "%s of %s", r[0], r[1])
		require.InDelta(t, parse(t, r[highAt]), high, 1e-9, "%s of %s", r[0], r[1])
	}
}

func TestScoreLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 60).Draw(t, "n")
		p := rapid.SliceOfN(rapid.Map(rapid.IntRange(0, 20), func(i int) float64 { return float64(i) / 20 }), n, n).Draw(t, "p")
		failed := rapid.SliceOfN(rapid.Bool(), n, n).Draw(t, "failed")
		tenths := equalCounts(p, 10)
		for i := range p {
			for j := range p {
				require.True(t, p[i] != p[j] || tenths[i] == tenths[j], "equal values in two groups")
				require.True(t, p[i] >= p[j] || tenths[i] <= tenths[j], "groups out of order")
			}
		}
		s := scoresOf(p, failed, tenths)
		require.InDelta(t, s.Brier.Or(-1), s.Reliability-s.Resolution+s.Uncertainty+s.Within, 1e-12)
		units, hits := 0, 0
		for _, g := range groupsOf(p, failed, tenths, strconv.Itoa) {
			units, hits = units+g.Units, hits+g.Failed
			require.True(t, g.Low <= float64(g.Failed)/float64(g.Units)+1e-12 && g.High >= float64(g.Failed)/float64(g.Units)-1e-12)
		}
		require.Equal(t, n, units)
		require.Equal(t, countFailed(failed), hits)
		auc, _, ok := areaUnderCurve(p, failed)
		turned := make([]float64, n)
		for i, v := range p {
			turned[i] = -v
		}
		reversed, _, _ := areaUnderCurve(turned, failed)
		require.True(t, !ok || math.Abs(auc+reversed-1) < 1e-12, "an order turned round mirrors its area")
		require.InDelta(t, float64(countFailed(failed)), topHits(p, failed, n), 1e-12)
	})
}
