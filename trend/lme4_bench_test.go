//go:build lme4

package trend_test

import (
	"encoding/csv"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

const (
	mixedUnits = 1000
	mixedWeeks = 156
)

// mixedRows are weekly rows of units whose level and drift differ, and cranking volts in a line on temperature.
func mixedRows(b *testing.B, path string) (tracks []trend.Track, lines [][]trend.CrankPoint) {
	b.Helper()
	f, err := os.Create(path)
	require.NoError(b, err)
	_, err = fmt.Fprintln(f, "unit,years,temperature_c,log_sag,v")
	require.NoError(b, err)
	rng := rand.New(rand.NewPCG(4, 4))
	asOf := fleet.NewDate(2026, time.November, 23) // a Monday
	now := (int(asOf) + 3) / 7
	for i := range mixedUnits {
		t := trend.Track{
			Unit: fleet.UnitID(fmt.Sprintf("U-%04d", i)), Depot: "NORTH", AsOf: asOf, Group: "van petrol 12", Fuel: fleet.Petrol, Series: 1, Positions: 1,
			FirstWeek: now - mixedWeeks, AsOfWeek: now, StartsPerDay: 0.7, HasLogger: true,
		}
		level, perYear := math.Log(0.26)+0.15*rng.NormFloat64(), 0.15+0.06*rng.NormFloat64()
		var points []trend.CrankPoint
		for w := range mixedWeeks {
			c := 6 - 11*math.Cos(2*math.Pi*float64(w)/52) + 3*rng.NormFloat64()
			x, years := (c-5)/10, float64(w)/52
			y := level + perYear*years - 0.05*x + 0.01*x*x + 0.10*rng.NormFloat64()
			v := 10.2 - 2*level/10 + 0.03*c + 0.1*rng.NormFloat64()
			t.Weeks = append(t.Weeks, trend.WeekRow{Week: t.FirstWeek + w, TemperatureC: c, Sag: trend.Mean{Y: y, N: 5}, ColdestC: math.NaN()})
			points = append(points, trend.CrankPoint{TemperatureC: c, V: v})
			_, err = fmt.Fprintf(f, "%s,%.17g,%.17g,%.17g,%.17g\n", t.Unit, years, c, y, v)
			require.NoError(b, err)
		}
		tracks, lines = append(tracks, t), append(lines, points)
	}
	require.NoError(b, f.Close())
	return tracks, lines
}

// BenchmarkAgainstR fits each unit's level and drift, and each unit's line of cranking volts, here and in R: one core, same rows, same run.
func BenchmarkAgainstR(b *testing.B) {
	rows, results := filepath.Join(b.TempDir(), "rows.csv"), filepath.Join(b.TempDir(), "results.csv")
	tracks, lines := mixedRows(b, rows)
	p, err := trend.Learn(b.Context(), tracks, trend.Weather{}, 1)
	require.NoError(b, err)
	var learning, filtering, fitting, mixed, nls float64
	for b.Loop() {
		began := time.Now()
		p, err = trend.Learn(b.Context(), tracks, trend.Weather{}, 1)
		require.NoError(b, err)
		learning += time.Since(began).Seconds()

		began = time.Now()
		levels := make([]float64, len(tracks))
		for i := range tracks {
			s := trend.Estimate(tracks[i], p)
			levels[i] = 0.9*s.Wear + s.Demand
		}
		filtering += time.Since(began).Seconds()

		began = time.Now()
		atZero := make([]float64, len(lines))
		for i := range lines {
			line, err := trend.FitCrankLine(lines[i])
			require.NoError(b, err)
			atZero[i] = line.AtZeroV
		}
		fitting += time.Since(began).Seconds()

		out, err := exec.CommandContext(b.Context(), "Rscript", "--vanilla", "../bench/lme4.R", rows, results).CombinedOutput()
		require.NoError(b, err, "%s", out)
		theirLevels, theirLines, mixedS, nlsS := readR(b, results)
		mixed, nls = mixed+mixedS, nls+nlsS
		require.Greater(b, correlation(levels, theirLevels), 0.9, "both must find the same units weak")
		for i := range atZero {
			require.InDelta(b, theirLines[i], atZero[i], 0.05)
		}
	}
	n := float64(b.N)
	b.ReportMetric(mixed/n, "s-lmer")
	b.ReportMetric(filtering/n, "s-filter")
	b.ReportMetric(learning/n, "s-learning")
	b.ReportMetric(mixed/filtering, "lmer/filter")
	b.ReportMetric(mixed/(learning+filtering), "lmer/learning+filter")
	b.ReportMetric(nls/n, "s-nls")
	b.ReportMetric(fitting/n, "s-lines")
	b.ReportMetric(nls/fitting, "nls/lines")
}

func readR(b *testing.B, path string) (levels, lines []float64, mixedS, nlsS float64) {
	b.Helper()
	f, err := os.Open(path)
	require.NoError(b, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(b, err)
	require.Len(b, rows, mixedUnits+1)
	number := func(s string) float64 {
		v, err := strconv.ParseFloat(s, 64)
		require.NoError(b, err)
		return v
	}
	for _, r := range rows[1:] { // in the order of keys, as the tracks are
		levels, lines = append(levels, number(r[1])), append(lines, number(r[2]))
		mixedS, nlsS = number(r[3]), number(r[4])
	}
	return levels, lines, mixedS, nlsS
}

func correlation(x, y []float64) float64 {
	var mx, my, xx, yy, xy float64
	for i := range x {
		mx, my = mx+x[i]/float64(len(x)), my+y[i]/float64(len(x))
	}
	for i := range x {
		xx, yy, xy = xx+(x[i]-mx)*(x[i]-mx), yy+(y[i]-my)*(y[i]-my), xy+(x[i]-mx)*(y[i]-my)
	}
	return xy / math.Sqrt(xx*yy)
}
