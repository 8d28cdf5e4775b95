package trend

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/internal/witness"
)

// leastDoubtC is what an outlook takes the limit to be known to at best.
const leastDoubtC = 0.1

// knownLimit is a unit whose limit is as good as known, one cold start a night that scatters by nightSD altogether.
func knownLimit(limitC, nightSD float64) Outlook {
	return Outlook{levelC: limitC, startsNight: 1, nightSD: math.Sqrt(nightSD*nightSD - leastDoubtC*leastDoubtC)}
}

func repeated(c float64, n int) []float64 {
	nights := make([]float64, n)
	for i := range nights {
		nights[i] = c
	}
	return nights
}

// Φ and φ against R 4.2.2.
func TestNormalDistributionAgainstR(t *testing.T) {
	for _, r := range witness.Table(t, "golden/distributions/normal_expected.csv") {
		z := witness.Number(t, r["z"])
		require.InEpsilon(t, witness.Number(t, r["Phi"]), normalCDF(z), 1e-12, "z = %v", z)
		require.InEpsilon(t, witness.Number(t, r["phi"]), normalPDF(z), 1e-12, "z = %v", z)
	}
	quantile80 := standardNormal80
	for _, r := range witness.Table(t, "golden/distributions/quantile_functions_expected.csv") {
		if r["p"] == "0.9" {
			require.InDelta(t, 0.9, normalCDF(standardNormal80), 1e-12)
			require.InDelta(t, witness.Number(t, r["normal"]), quantile80, 1e-12)
		}
	}
}

// The rule with eleven nodes against the printed ones with ten and twenty: all three give the normal distribution's moments up to
// the 18th, and the same mean of a smooth function.
func TestNodeRuleAgainstPrintedNodes(t *testing.T) {
	rows := witness.Table(t, "golden/integrals/gauss_hermite_expected.csv")
	for power := 0; power <= 18; power += 2 {
		ours, factorial := 0.0, 1.0
		for _, n := range normalNodes {
			ours += n.weight * math.Pow(n.z, float64(power))
		}
		for odd := 1; odd < power; odd += 2 {
			factorial *= float64(odd)
		}
		require.InEpsilon(t, factorial, ours, 1e-10, "moment %d", power)
		for _, n := range []string{"10", "20"} {
			printed := 0.0
			for _, r := range rows {
				if r["n"] == n {
					printed += witness.Number(t, r["weight"]) / math.SqrtPi * math.Pow(math.Sqrt2*witness.Number(t, r["node"]), float64(power))
				}
			}
			require.InEpsilon(t, printed, ours, 1e-10, "moment %d, %s nodes", power, n)
		}
	}
}

// ruleErr is what eleven nodes may err by, by how much larger the doubt about the limit is than the scatter of mornings. Fleets learn of
// ratios up to about 1.5.
func ruleErr(ratio float64) float64 {
	switch {
	case ratio > 3:
		return 0.05
	case ratio > 1.5:
		return 0.015
	case ratio > 1:
		return 2e-3
	}
	return 2e-6
}

// One morning is E[Φ((a + bZ)/c)], of which the closed form is known.
func TestOneMorningIsTheClosedForm(t *testing.T) {
	checked := 0
	for _, r := range witness.Table(t, "golden/integrals/probit_logit_normal_expected.csv") {
		a, b, c := witness.Number(t, r["a"]), witness.Number(t, r["b"]), witness.Number(t, r["c"])
		if b == 0 {
			b = leastDoubtC
		}
		o := Outlook{levelC: a, sdC: [3]float64{b, b, b}, nightSD: c}
		want := witness.Number(t, r["closed_form"])
		if witness.Number(t, r["b"]) == 0 {
			want = normalCDF(a / math.Hypot(b, c))
		}
		require.InDelta(t, want, MorningAt(o.Night(), 0), 1.1e-6, "%v", r)
		checked++
	}
	require.Equal(t, 48, checked)
}

// Two nights of one unit share the doubt about its limit: both fail with the bivariate normal probability, correlation b²/(b²+c²).
func TestNightsShareTheDoubtAboutTheLimit(t *testing.T) {
	checked := 0
	for _, r := range witness.Table(t, "golden/integrals/bivariate_normal_expected.csv") {
		rho := witness.Number(t, r["rho"])
		if rho < 0 {
			continue
		}
		checked++
		b, c := math.Sqrt(rho), math.Sqrt(1-rho)
		o := Outlook{sdC: [3]float64{b, b, b}, nightSD: c, startsNight: 1}
		h, k := witness.Number(t, r["h"]), witness.Number(t, r["k"])
		either := normalCDF(h) + normalCDF(k) - witness.Number(t, r["cdf"])
		require.InDelta(t, either, o.Risk([]float64{-h, -k}, 0, 0, nil), 10*ruleErr(b/c), "%v", r)
	}
	require.Equal(t, 27, checked)
}

// A night's air is N(−8, 7²), so the chance of at least one start below a known limit is the distribution of the season's minimum.
func TestSeasonsMinimum(t *testing.T) {
	for _, r := range witness.Table(t, "golden/integrals/minimum_of_season_expected.csv") {
		nights := repeated(witness.Number(t, r["mu"]), int(witness.Number(t, r["n"])))
		for limit, want := range map[float64]float64{
			-25: witness.Number(t, r["p_min_below_m25"]), witness.Number(t, r["q10"]): 0.1, witness.Number(t, r["median"]): 0.5, witness.Number(t, r["q90"]): 0.9,
		} {
			require.InDelta(t, want, knownLimit(limit, witness.Number(t, r["sd"])).Risk(nights, 0, 0, nil), 1e-3, "%v below %v", r, limit)
		}
	}
}

// Five months of normal nights against a limit that is known: the chance of each night, the expected number, the chance of any.
func TestSeasonOfFiveMonths(t *testing.T) {
	months := witness.Table(t, "golden/integrals/season_months.csv")
	for _, r := range witness.Table(t, "golden/integrals/season_expected.csv") {
		sum, none := 0.0, 1.0
		for i, column := range []string{"p_day_nov", "p_day_dec", "p_day_jan", "p_day_feb", "p_day_mar"} {
			o := knownLimit(witness.Number(t, r["t50"]), math.Hypot(witness.Number(t, r["spread"]), witness.Number(t, months[i]["sd"])))
			mu, days := witness.Number(t, months[i]["mu"]), int(witness.Number(t, months[i]["days"]))
			want := witness.Number(t, r[column])
			got := MorningAt(o.Night(), mu)
			require.InDelta(t, want, got, 3e-6, "%s, %s", r["t50"], column) // nothing is said to be rarer than 1e-6
			sum += float64(days) * got
			none *= 1 - o.Risk(repeated(mu, days), 0, 0, nil)
		}
		require.InDelta(t, witness.Number(t, r["expected_failures"]), sum, 1e-3)
		require.InDelta(t, witness.Number(t, r["p_any"]), 1-none, 1e-3)
	}
}

// Doubt about the thermometer adds to one night's variance, however it is shared out between nights.
func TestDoubtAboutTheThermometerAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		night, doubt, thermometer := rapid.Float64Range(2, 6).Draw(t, "night"), rapid.Float64Range(0.5, 3).Draw(t, "doubt"), rapid.Float64Range(0, 4).Draw(t, "thermometer")
		low := rapid.Float64Range(-10, 10).Draw(t, "low")
		o := Outlook{sdC: [3]float64{doubt, doubt, doubt}, nightSD: night, startsNight: 1}
		want := normalCDF(-low / math.Sqrt(night*night+doubt*doubt+thermometer*thermometer))
		require.InDelta(t, want, o.Risk([]float64{low}, 0, thermometer, nil), 3e-3)
	})
}

// A start that went well at a temperature says that the limit lies below it: where mornings do not scatter, what is known of the
// limit becomes a normal distribution cut off there, with the inverse Mills ratio for a mean.
func TestStartThatWentWellCutsTheBelief(t *testing.T) {
	const sd = 0.2
	p := defaultParams(&Prior{})
	p.Foresight = Foresight{NightSDC: 0, StartSDC: 0}
	p.Foresight.Level[signDemand] = 0.25 // the sign is four times the state: the limit is the demand, in °C
	track := Track{Fuel: fleet.Petrol, Series: 1, Positions: 1}
	m := newModel(&track, &p)
	checked := 0
	for _, r := range witness.Table(t, "golden/integrals/truncated_normal_expected.csv") {
		a, below := witness.Number(t, r["a"]), witness.Number(t, r["mean_below"])
		var b belief
		b.restV = assumedRestV
		b.p[demand][demand] = sd * sd
		offC := a * sd
		if a > 4 {
			continue // so far above the limit that nothing is learned
		}
		m.learnFrom(&b, offC, 0, false, 1)
		require.InDelta(t, sd*below, b.x[demand], 1e-9, "%v", r)
		if shrink := -below * (a - below); shrink < 0.99 { // var = 1 − λ(λ + a), λ = −mean_below
			require.InDelta(t, sd*sd*(1-shrink), b.p[demand][demand], 1e-9, "%v", r)
			checked++
		}
	}
	require.GreaterOrEqual(t, checked, 4)
}
