package trend

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"rimeyard/internal/witness"
)

// Gaps in the rows: what is not read leaves the belief to wander, no more. The Nile with years taken out, and rest volts read on
// uneven days.
func TestFilterStepWithGaps(t *testing.T) {
	for _, tc := range []struct {
		file, column          string
		noise, wander, p1, a1 float64
	}{
		{"golden/kalman/nile_missing_expected.csv", "", 15099, 1469.1, 1e7, 0},
		{"golden/kalman/irregular_expected.csv", "y", 0.0025, 2e-5, 1, 12.5},
	} {
		t.Run(tc.file, func(t *testing.T) {
			var b belief
			b.p[wear][wear], b.x[wear] = tc.p1, tc.a1
			last, loglik, gaps := 0.0, 0.0, 0
			for i, r := range witness.Table(t, tc.file) {
				day := float64(i)
				if tc.column != "" {
					day = witness.Number(t, r["day"])
				}
				if i > 0 {
					b.p[wear][wear] += tc.wander * (day - last)
				}
				last = day
				require.InEpsilon(t, witness.Number(t, r["P"]), b.p[wear][wear], 1e-10)
				if r["v"] == "" {
					gaps++
					continue
				}
				v, f := witness.Number(t, r["v"]), witness.Number(t, r["F"])
				h := vector{wear: 1}
				require.InEpsilon(t, f, tc.noise+b.along(&h), 1e-10)
				innovation := v
				if tc.column != "" {
					innovation = witness.Number(t, r["y"]) - b.x[wear]
					require.InDelta(t, v, innovation, 1e-10)
				}
				loglik -= (math.Log(2*math.Pi*f) + innovation*innovation/f) / 2
				b.condition(innovation, &h, tc.noise)
				require.InEpsilon(t, witness.Number(t, r["a_filt"]), b.x[wear], 1e-10)
				require.InEpsilon(t, witness.Number(t, r["P_filt"]), b.p[wear][wear], 1e-10)
			}
			if tc.column == "" {
				require.Positive(t, gaps)
			} else {
				require.InDelta(t, 36.3230206702557, loglik, 1e-9) // R, and a dense normal distribution
			}
		})
	}
}

// forward moves level and slope by d, the noise of both integrated over the time between.
func (b *belief) forward(d, level, slope float64) {
	b.x[wear] += d * b.x[drift]
	b.p[wear][wear] += 2*d*b.p[wear][drift] + d*d*b.p[drift][drift] + level*d + slope*d*d*d/3
	b.p[wear][drift] += d*b.p[drift][drift] + slope*d*d/2
	b.p[drift][wear] = b.p[wear][drift]
	b.p[drift][drift] += slope * d
}

// Level and slope together, on uneven days: the step that takes in a row moves the slope too, which no row reads.
func TestFilterStepOnALocalLinearTrend(t *testing.T) {
	var b belief
	b.x[wear], b.p[wear][wear], b.p[drift][drift] = 12.6, 1, 1e-4
	last := 0.0
	for i, r := range witness.Table(t, "golden/kalman/local_linear_trend_expected.csv") {
		day := witness.Number(t, r["day"])
		if i > 0 {
			b.forward(day-last, 1e-5, 1e-9)
		}
		last = day
		require.InEpsilon(t, witness.Number(t, r["level_pred"]), b.x[wear], 1e-10)
		require.InDelta(t, witness.Number(t, r["slope_pred"]), b.x[drift], 1e-12)
		b.condition(witness.Number(t, r["y"])-b.x[wear], &vector{wear: 1}, 0.0025)
		require.InEpsilon(t, witness.Number(t, r["level"]), b.x[wear], 1e-10)
		require.InDelta(t, witness.Number(t, r["slope"]), b.x[drift], 1e-12)
		require.InEpsilon(t, witness.Number(t, r["level_var"]), b.p[wear][wear], 1e-9)
		require.InEpsilon(t, witness.Number(t, r["slope_var"]), b.p[drift][drift], 1e-9)
	}
}

// The Nile as a local linear trend, in the convention of R's KalmanRun: the first prediction has the variance as given.
func TestFilterStepOnTheNilesTrend(t *testing.T) {
	var b belief
	b.x[wear], b.p[wear][wear], b.p[drift][drift] = 1120, 1e5, 100
	flow := witness.Table(t, "golden/kalman/nile.csv")
	for i, r := range witness.Table(t, "golden/kalman/nile_llt_expected.csv") {
		if i > 0 {
			b.x[wear] += b.x[drift]
			b.p[wear][wear] += 2*b.p[wear][drift] + b.p[drift][drift] + 1469.1
			b.p[wear][drift] += b.p[drift][drift]
			b.p[drift][wear] = b.p[wear][drift]
			b.p[drift][drift] += 5
		}
		b.condition(witness.Number(t, flow[i]["flow"])-b.x[wear], &vector{wear: 1}, 15099)
		require.InEpsilon(t, witness.Number(t, r["level"]), b.x[wear], 1e-9)
		require.InDelta(t, witness.Number(t, r["slope"]), b.x[drift], 1e-9)
	}
}

// A week ahead, many times over, against F P Fᵀ + Q by full matrices, all parts correlated.
func TestPredictionIsTheMatrixProduct(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		vPop := rapid.Float64Range(0.001, 0.006).Draw(t, "drift")
		root := mat.NewDense(parts, parts, rapid.SliceOfN(rapid.Float64Range(-1, 1), parts*parts, parts*parts).Draw(t, "root"))
		f, q := mat.NewDense(parts, parts, nil), mat.NewDense(parts, parts, nil)
		for i := range parts {
			f.Set(i, i, 1)
			q.Set(i, i, wander[i]*wander[i])
		}
		f.Set(wear, drift, 1)
		f.Set(drift, drift, 0.995)
		var p mat.Dense
		p.Mul(root, root.T())
		var b belief
		for i := range parts {
			for j := range parts {
				b.p[i][j] = p.At(i, j)
			}
		}
		for range rapid.IntRange(1, 30).Draw(t, "weeks") {
			b.ahead(vPop)
			var fp, next mat.Dense
			fp.Mul(f, &p)
			next.Mul(&fp, f.T())
			p.Add(&next, q)
		}
		for i := range parts {
			for j := range parts {
				require.InDelta(t, p.At(i, j), b.p[i][j], 1e-9*(1+math.Abs(p.At(i, j))))
			}
		}
	})
}

func livesOf(tb testing.TB, set string) []Life {
	tb.Helper()
	var lives []Life
	for _, r := range witness.Table(tb, "golden/survival/"+set+".csv") {
		lives = append(lives, Life{Exit: witness.Number(tb, r["time"]), Failed: r["status"] == "1"})
	}
	return lives
}

// Right-censored lives: R 4.2.2, survival 3.5-3 (survreg, Weibull without covariates). The chance of failing within 120 more days
// follows from the same fit.
func TestWeibullAgainstR(t *testing.T) {
	type fitted struct {
		Shape   float64       `json:"weibull_shape"`
		Eta     float64       `json:"weibull_eta"`
		LogLik  float64       `json:"loglik"`
		CoefSE  float64       `json:"coef_se"`
		ScaleSE float64       `json:"log_scale_se"`
		Joint   [2][2]float64 `json:"vcov_coef_logscale"`
	}
	var raw map[string]map[string]any
	witness.JSON(t, "golden/survival/parametric_expected.json", &raw)
	for _, set := range []string{"lung", "veteran", "ovarian", "nist_8413"} {
		t.Run(set, func(t *testing.T) {
			var want fitted
			var within []struct {
				T float64
				P float64 `json:"p_fail"`
			}
			var summary struct{ Mean, Median float64 }
			reread(t, raw[set]["weibull_null"], &want)
			reread(t, raw[set]["conditional_120"], &within)
			reread(t, raw[set]["weibull_summary"], &summary)
			fit, err := FitWeibull(livesOf(t, set), WeibullPrior{})
			require.NoError(t, err)
			require.InEpsilon(t, want.Shape, fit.Shape, 1e-6)
			require.InEpsilon(t, want.Eta, fit.Scale, 1e-6)
			require.InDelta(t, want.LogLik, fit.LogLik, 1e-7)
			require.InEpsilon(t, want.CoefSE, math.Sqrt(fit.Covariance[1][1]), 1e-4)
			require.InEpsilon(t, want.ScaleSE, math.Sqrt(fit.Covariance[0][0]), 1e-4)
			require.InDelta(t, -want.Joint[0][1], fit.Covariance[0][1], 1e-4*want.CoefSE*want.ScaleSE) // shape is 1/scale
			require.InEpsilon(t, summary.Mean, fit.Mean(), 1e-6)
			require.InDelta(t, 0.5, fit.Survival(summary.Median), 1e-6)
			require.Len(t, within, 6)
			for _, w := range within {
				require.InEpsilon(t, w.P, 1-fit.Survival(w.T+120)/fit.Survival(w.T), 1e-5)
			}
		})
	}
}

// With delayed entry, by sex: R, and what comes out when it is ignored.
func TestWeibullWithLateEntryOfEach(t *testing.T) {
	var want map[string]struct {
		Shape, Eta, Loglik float64
		VCov               [2][2]float64
	}
	witness.JSON(t, "golden/survival/channing_expected.json", &want)
	lives := map[string][]Life{}
	for _, r := range witness.Table(t, "golden/survival/channing_truncated.csv") {
		name := "female"
		if r["sex"] == "1" {
			name = "male"
		}
		lives[name] = append(lives[name], Life{witness.Number(t, r["entry"]), witness.Number(t, r["exit"]), r["status"] == "1"})
	}
	for name, of := range lives {
		fit, err := FitWeibull(of, WeibullPrior{})
		require.NoError(t, err)
		require.InEpsilon(t, want[name].Shape, fit.Shape, 1e-6, name)
		require.InEpsilon(t, want[name].Eta, fit.Scale, 1e-6, name)
		require.InDelta(t, want[name].Loglik, fit.LogLik, 1e-6, name)
		for i := range 2 {
			for j := range 2 {
				require.InDelta(t, want[name].VCov[i][j], fit.Covariance[i][j], 1e-5*math.Sqrt(want[name].VCov[i][i]*want[name].VCov[j][j]), name)
			}
		}
	}
	blind := channing(t)
	for i := range blind {
		blind[i].Entry = 0
	}
	fit, err := FitWeibull(blind, WeibullPrior{})
	require.NoError(t, err)
	require.InEpsilon(t, want["wrong_if_truncation_ignored"].Shape, fit.Shape, 1e-6)
	require.InEpsilon(t, want["wrong_if_truncation_ignored"].Eta, fit.Scale, 1e-6)
}

func TestKaplanMeierAgainstR(t *testing.T) {
	at := map[string]SurvivalStep{}
	for _, set := range []string{"lung", "veteran", "ovarian", "nist_8413"} {
		for _, s := range KaplanMeier(livesOf(t, set)) {
			at[fmt.Sprint(set, " ", s.Time)] = s
		}
	}
	events := 0
	for _, r := range witness.Table(t, "golden/survival/km_expected.csv") {
		if r["events"] == "0" {
			continue
		}
		events++
		got := at[fmt.Sprint(r["set"], " ", witness.Number(t, r["time"]))]
		require.InDelta(t, witness.Number(t, r["km"]), got.Survival, 1e-12, "%v", r)
		require.Equal(t, [2]int{int(witness.Number(t, r["at_risk"])), int(witness.Number(t, r["events"]))}, [2]int{got.AtRisk, got.Events}, "%v", r)
	}
	require.Len(t, at, events)
}

// Certified by NIST to 15 digits. The polynomials are built to lose them; the tolerances are those that a sound Householder
// factorisation is known to reach on each.
func TestLeastSquaresOnNISTsHardSets(t *testing.T) {
	var certified map[string]struct{ Estimate []float64 }
	witness.JSON(t, "golden/nist_linear/certified.json", &certified)
	for name, tolerance := range map[string]float64{
		"Pontius": 1e-8, "NoInt1": 1e-9, "NoInt2": 1e-9, "Wampler1": 1e-8, "Wampler2": 1e-8, "Wampler3": 1e-7, "Wampler4": 1e-6, "Wampler5": 1e-5, "Filip": 1e-6,
	} {
		t.Run(name, func(t *testing.T) {
			rows, want := witness.Table(t, "golden/nist_linear/"+name+".csv"), certified[name].Estimate
			from := truth(len(want) == 1) // through the origin: no constant
			x, y := mat.NewDense(len(rows), len(want), nil), make([]float64, len(rows))
			for i, r := range rows {
				for j := range want {
					x.Set(i, j, math.Pow(witness.Number(t, r["x"]), float64(j+from)))
				}
				y[i] = witness.Number(t, r["y"])
			}
			b, _, err := leastSquares(x, y, nil)
			require.NoError(t, err)
			for i, w := range want {
				require.InEpsilon(t, w, b[i], tolerance)
			}
		})
	}
}

func TestHuberAgainstMASSOnTwoColumns(t *testing.T) {
	var raw map[string]any
	witness.JSON(t, "golden/robust/expected.json", &raw)
	var want struct {
		Huber struct {
			Coef  map[string]float64
			Scale float64 `json:"scale_mad"`
			SE    []float64
		}
	}
	reread(t, raw["mtcars"], &want)
	x, y := design(t, "golden/robust/mtcars.csv", "mpg", "wt", "hp")
	fit, err := huber(x, y)
	require.NoError(t, err)
	require.InEpsilon(t, want.Huber.Scale, fit.scale, 1e-7)
	for i, key := range []string{"(Intercept)", "wt", "hp"} {
		require.InEpsilon(t, want.Huber.Coef[key], fit.coef[i], 1e-7)
		require.InEpsilon(t, want.Huber.SE[i], math.Sqrt(fit.covariance.At(i, i)), 1e-5)
	}
	var ols map[string]struct{ OLS map[string]float64 }
	reread(t, map[string]any{"phones": raw["phones"]}, &ols)
	x, y = design(t, "golden/robust/phones.csv", "calls", "year")
	b, _, err := leastSquares(x, y, nil)
	require.NoError(t, err)
	require.InEpsilon(t, ols["phones"].OLS["(Intercept)"], b[0], 1e-9)
	require.InEpsilon(t, ols["phones"].OLS["year"], b[1], 1e-9)
}

// The copper in wholemeal flour (Analytical Methods Committee 1989, in MASS): one value of 28.95 among 24 moves neither.
func TestMedianAndItsSpread(t *testing.T) {
	var raw map[string]any
	witness.JSON(t, "golden/robust/expected.json", &raw)
	var want struct {
		X      []float64
		Median float64
		MAD    float64 `json:"mad_1.4826"`
	}
	reread(t, raw["chem_location"], &want)
	middle := median(slices.Clone(want.X))
	require.InDelta(t, want.Median, middle, 1e-12)
	off := slices.Clone(want.X)
	for i := range off {
		off[i] -= middle
	}
	require.InDelta(t, want.MAD, 1.4826*medianAbs(off), 1e-12)
}

// The fleet's shares of what is common are best linear predictions: a group's surprises, summed, over their number and the
// ratio of variances within and between (lme4 1.1-31, random intercepts of the sleep study).
func TestShrinkingIsTheBestLinearPrediction(t *testing.T) {
	var want map[string]struct {
		Fixed map[string]float64
		SD    float64 `json:"residual_sd"`
		Parts []struct {
			VCov float64 `json:"vcov"`
		} `json:"var_components"`
		BLUP []struct {
			Level string
			Ranef float64
		}
	}
	witness.JSON(t, "golden/mixed/sleepstudy_expected.json", &want)
	fit := want["random_intercept_reml"]
	bySubject := map[string]sums{}
	for _, r := range witness.Table(t, "golden/mixed/sleepstudy.csv") {
		s := bySubject[r["subject"]]
		s.take(witness.Number(t, r["reaction"])-fit.Fixed["(Intercept)"]-fit.Fixed["Days"]*witness.Number(t, r["days"]), 0)
		bySubject[r["subject"]] = s
	}
	require.Len(t, fit.BLUP, 18)
	for _, b := range fit.BLUP {
		require.InEpsilon(t, b.Ranef, bySubject[b.Level].mean(fit.SD*fit.SD/fit.Parts[0].VCov), 1e-6, b.Level)
	}
}
