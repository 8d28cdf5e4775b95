package trend

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"rimeyard/internal/witness"
)

// design reads columns into a matrix with a leading 1.
func design(t *testing.T, file, response string, columns ...string) (*mat.Dense, []float64) {
	t.Helper()
	rows := witness.Table(t, file)
	x, y := mat.NewDense(len(rows), len(columns)+1, nil), make([]float64, len(rows))
	for i, r := range rows {
		x.Set(i, 0, 1)
		for j, c := range columns {
			x.Set(i, j+1, witness.Number(t, r[c]))
		}
		y[i] = witness.Number(t, r[response])
	}
	return x, y
}

func TestLeastSquaresAgainstNIST(t *testing.T) {
	var certified map[string]struct{ Estimate []float64 }
	witness.JSON(t, "golden/nist_linear/certified.json", &certified)
	for _, tc := range []struct {
		name    string
		columns []string
	}{{"Norris", []string{"x"}}, {"Longley", []string{"x1", "x2", "x3", "x4", "x5", "x6"}}} {
		t.Run("NIST StRD, certified, "+tc.name, func(t *testing.T) {
			x, y := design(t, "golden/nist_linear/"+tc.name+".csv", "y", tc.columns...)
			b, _, err := leastSquares(x, y, nil)
			require.NoError(t, err)
			for i, want := range certified[tc.name].Estimate {
				require.InEpsilon(t, want, b[i], 1e-9)
			}
		})
	}
}

func TestHuberAgainstMASS(t *testing.T) {
	var raw map[string]any
	witness.JSON(t, "golden/robust/expected.json", &raw)
	for name, columns := range map[string][]string{"phones": {"calls", "year"}, "stackloss": {"stack_loss", "air_flow", "water_temp", "acid_conc"}} {
		t.Run("R, MASS rlm, "+name, func(t *testing.T) {
			one := struct {
				Huber struct {
					Coef  map[string]float64
					Scale float64 `json:"scale_mad"`
					SE    []float64
				}
			}{}
			reread(t, raw[name], &one)
			x, y := design(t, "golden/robust/"+name+".csv", columns[0], columns[1:]...)
			fit, err := huber(x, y)
			require.NoError(t, err)
			keys := map[string][]string{"phones": {"(Intercept)", "year"}, "stackloss": {"(Intercept)", "Air.Flow", "Water.Temp", "Acid.Conc."}}[name]
			require.InEpsilon(t, one.Huber.Scale, fit.scale, 1e-7)
			for i, key := range keys {
				require.InEpsilon(t, one.Huber.Coef[key], fit.coef[i], 1e-7)
				require.InEpsilon(t, one.Huber.SE[i], math.Sqrt(fit.covariance.At(i, i)), 1e-5)
			}
		})
	}
}

func TestFitCrankLine(t *testing.T) {
	var points []CrankPoint
	for i := range 60 {
		c := float64(i%30) - 15
		points = append(points, CrankPoint{c, 9.8 + 0.04*c + 0.05*math.Sin(float64(7*i))})
	}
	clean, err := FitCrankLine(points)
	require.NoError(t, err)
	require.InDelta(t, 0.04, clean.PerC, 3*clean.PerCSE)
	require.InDelta(t, 9.8, clean.AtZeroV, 3*clean.AtZeroSE)
	require.Equal(t, [2]float64{-15, 14}, [2]float64{clean.FromC, clean.ToC})
	dirty, err := FitCrankLine(append(points, CrankPoint{-14, 6}, CrankPoint{41, 9.1}, CrankPoint{math.NaN(), 9}))
	require.NoError(t, err)
	require.InDelta(t, clean.PerC, dirty.PerC, 0.006, "two foreign readings must not turn the line")
	_, err = FitCrankLine([]CrankPoint{{1, 9}, {1, 9}, {1, 9}})
	require.ErrorIs(t, err, ErrTooFewCranks)
}

func TestCrankLineDoesNotCareForOrderOrOrigin(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) CrankPoint {
			return CrankPoint{rapid.Float64Range(-30, 30).Draw(t, "c"), rapid.Float64Range(6, 12).Draw(t, "v")}
		}), 5, 30).Draw(t, "points")
		a, err := FitCrankLine(points)
		if err != nil {
			require.ErrorIs(t, err, ErrTooFewCranks)
			return
		}
		b, err := FitCrankLine(rapid.Permutation(points).Draw(t, "shuffled"))
		require.NoError(t, err)
		require.Equal(t, fmt.Sprint(a), fmt.Sprint(b))
	})
}
