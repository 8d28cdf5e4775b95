package trend

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/witness"
)

func TestWeibullAgainstTheHandbook(t *testing.T) {
	var lives []Life
	for _, r := range witness.Table(t, "golden/survival/nist_8413.csv") {
		lives = append(lives, Life{Exit: witness.Number(t, r["time"]), Failed: r["status"] == "1"})
	}
	fit, err := FitWeibull(lives, WeibullPrior{})
	require.NoError(t, err)
	require.InDelta(t, 1.7208, fit.Shape, 5e-5)   // NIST/SEMATECH e-Handbook 8.4.1.3
	require.InDelta(t, 606.5280, fit.Scale, 1e-3) // likewise
	require.InEpsilon(t, 1.72079726080136, fit.Shape, 1e-7)
	require.InDelta(t, -75.1346181644749, fit.LogLik, 1e-8)
	require.InEpsilon(t, 0.291812763149642*0.291812763149642, fit.Covariance[0][0], 1e-5)
	require.InEpsilon(t, 0.205943908987726*0.205943908987726, fit.Covariance[1][1], 1e-5)
}

func channing(tb testing.TB) []Life {
	tb.Helper()
	var lives []Life
	for _, r := range witness.Table(tb, "golden/survival/channing_truncated.csv") {
		lives = append(lives, Life{witness.Number(tb, r["entry"]), witness.Number(tb, r["exit"]), r["status"] == "1"})
	}
	return lives
}

func TestWeibullWithLateEntry(t *testing.T) {
	var want struct {
		All struct{ Shape, Eta, Loglik float64 }
	}
	witness.JSON(t, "golden/survival/channing_expected.json", &want)
	fit, err := FitWeibull(channing(t), WeibullPrior{})
	require.NoError(t, err)
	require.InEpsilon(t, want.All.Shape, fit.Shape, 1e-6)
	require.InEpsilon(t, want.All.Eta, fit.Scale, 1e-6)
	require.InDelta(t, want.All.Loglik, fit.LogLik, 1e-7)
}

func TestKaplanMeierWithLateEntry(t *testing.T) {
	at := map[float64]SurvivalStep{}
	for _, s := range KaplanMeier(channing(t)) {
		at[s.Time] = s
	}
	events := 0
	for _, r := range witness.Table(t, "golden/survival/channing_km_expected.csv") {
		if r["events"] == "0" {
			continue
		}
		events++
		got := at[witness.Number(t, r["time"])]
		require.InDelta(t, witness.Number(t, r["km"]), got.Survival, 1e-12)
		require.InDelta(t, witness.Number(t, r["at_risk"]), float64(got.AtRisk), 0)
	}
	require.Len(t, at, events)
}

func TestWeibullNeedsAFailureOrAPrior(t *testing.T) {
	_, err := FitWeibull([]Life{{Exit: 3}}, WeibullPrior{})
	require.ErrorIs(t, err, ErrNoFailures)
	fit, err := FitWeibull([]Life{{Exit: 3}}, WeibullPrior{0.9, 0.25, 5, 0.3})
	require.NoError(t, err)
	require.Greater(t, fit.Scale, 100.0)
}

// More of the removals being failures can only shorten the life that is found.
func TestFailuresShortenLives(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lives := rapid.SliceOfN(rapid.Custom(func(t *rapid.T) Life {
			return Life{0, rapid.Float64Range(20, 400).Draw(t, "weeks"), rapid.Bool().Draw(t, "failed")}
		}), 5, 40).Draw(t, "lives")
		prior := WeibullPrior{0.95, 0.05, 5.6, 0.3}
		before, err := FitWeibull(lives, prior)
		require.NoError(t, err)
		for i := range lives {
			lives[i].Failed = true
		}
		after, err := FitWeibull(lives, prior)
		require.NoError(t, err)
		require.LessOrEqual(t, after.Scale, before.Scale*(1+1e-9))
	})
}
