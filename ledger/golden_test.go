package ledger

import (
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/witness"
	"rimeyard/trend"
)

// The files of testdata/golden and testdata/reference say in their README where they come from.

type goldenQuantiles struct{ Prob, Value []float64 }

type goldenCounts struct {
	P, Pmf, Cdf    []float64
	Mean, Variance float64
	Quantiles      goldenQuantiles
}

type goldenCosts struct {
	P, Cost        []float64
	Mean, Variance float64
	Quantiles      goldenQuantiles
}

type goldenSums struct {
	Five, Rare, Mixed40, Equal goldenCounts
	Small                      goldenCosts `json:"compound_small"`
	Thirty                     goldenCosts `json:"compound_30"`
	Random                     struct {
		P         []float64
		Costs     []float64 `json:"cost_values"`
		Probs     []float64 `json:"cost_probs"`
		Mean      float64
		Variance  float64
		Quantiles goldenQuantiles
		To1000    float64 `json:"prob_le_1000"`
	} `json:"compound_random_cost"`
	Panjer struct {
		Lambda float64
		Units  []float64 `json:"severity_units"`
		Probs  []float64 `json:"severity_probs"`
		Pmf    []float64 `json:"pmf_first_41"`
		To40   float64   `json:"cdf_at_40"`
	} `json:"compound_poisson_panjer"`
}

// risksOf are independent risks of one outcome each.
func risksOf(p, cost []float64) [][]outcome {
	risks := make([][]outcome, len(p))
	for i := range p {
		risks[i] = []outcome{{p[i], cost[i]}}
	}
	return risks
}

func ones(n int) []float64 {
	x := make([]float64, n)
	for i := range x {
		x[i] = 1
	}
	return x
}

func summed(risks [][]outcome) cumulants {
	var sum cumulants
	for _, r := range risks {
		var m moments
		for _, o := range r {
			m.add(o.p, moments{o.cost, o.cost * o.cost, o.cost * o.cost * o.cost, 1})
		}
		sum.add(m.cumulants())
	}
	return sum
}

func convolved(risks [][]outcome, step float64, steps int) *grid {
	g := newGrid(step, steps)
	for _, r := range risks {
		g.one(r)
	}
	g.settle()
	return g
}

func TestConvolutionAgainstPoissonBinomial(t *testing.T) {
	var want goldenSums
	witness.JSON(t, "golden/distributions/sums_expected.json", &want)
	for name, w := range map[string]goldenCounts{"five": want.Five, "rare": want.Rare, "mixed40": want.Mixed40, "equal": want.Equal} {
		risks := risksOf(w.P, ones(len(w.P)))
		g := convolved(risks, 1, len(w.P))
		for k, c := range w.Cdf {
			require.InDelta(t, c, g.upTo(float64(k)), 1e-12, "%s %d", name, k)
		}
		sum := summed(risks)
		require.InDelta(t, w.Mean, sum.mean, 1e-12)
		require.InDelta(t, w.Variance, sum.variance, 1e-12)
		for i, p := range w.Quantiles.Prob {
			require.InDelta(t, w.Quantiles.Value[i], mixture{g}.quantile(p, 0, 1, float64(len(w.P))), 0, "%s P%v", name, 100*p)
		}
	}
}

func TestConvolutionAgainstSumsOfCosts(t *testing.T) {
	var want goldenSums
	witness.JSON(t, "golden/distributions/sums_expected.json", &want)
	for name, w := range map[string]goldenCosts{"small": want.Small, "thirty": want.Thirty} {
		risks, most := risksOf(w.P, w.Cost), 0.0
		for _, c := range w.Cost {
			most += c
		}
		step := commonStep(w.Cost)
		g := convolved(risks, step, int(most/step))
		sum := summed(risks)
		require.InEpsilon(t, w.Mean, sum.mean, 1e-12, name)
		require.InEpsilon(t, w.Variance, sum.variance, 1e-12, name)
		for i, p := range w.Quantiles.Prob {
			require.InDelta(t, w.Quantiles.Value[i], mixture{g}.quantile(p, 0, step, most), 0, "%s P%v", name, 100*p)
		}
	}
	var risks [][]outcome
	r := want.Random
	for _, q := range r.P {
		var risk []outcome
		for i, c := range r.Costs {
			risk = append(risk, outcome{q * r.Probs[i], c})
		}
		risks = append(risks, risk)
	}
	g := convolved(risks, 50, 90)
	require.InDelta(t, r.To1000, g.upTo(1000), 1e-12)
	require.InEpsilon(t, r.Mean, summed(risks).mean, 1e-12)
	require.InEpsilon(t, r.Variance, summed(risks).variance, 1e-12)
	for i, p := range r.Quantiles.Prob {
		require.InDelta(t, r.Quantiles.Value[i], mixture{g}.quantile(p, 0, 50, 4500), 0)
	}
}

func TestRecursionAgainstPanjer(t *testing.T) {
	var want goldenSums
	witness.JSON(t, "golden/distributions/sums_expected.json", &want)
	p := want.Panjer
	g := newGrid(1, len(p.Pmf)-1)
	g.log[0] = -p.Lambda
	for i, units := range p.Units {
		g.put(units, p.Lambda*p.Probs[i])
	}
	g.recur()
	for i, m := range p.Pmf {
		require.InDelta(t, m, g.mass[i], 1e-12)
	}
	g.settle()
	require.InDelta(t, p.To40, g.upTo(40), 1e-12)
}

// Taken together by two terms of the expansion, the hundred rare risks of the set come within a millionth of the exact convolution.
func TestExpansionOfRareRisks(t *testing.T) {
	var want goldenSums
	witness.JSON(t, "golden/distributions/sums_expected.json", &want)
	g := newGrid(1, len(want.Rare.P))
	for _, r := range risksOf(want.Rare.P, ones(len(want.Rare.P))) {
		g.expand(r)
	}
	g.settle()
	for k, c := range want.Rare.Cdf {
		require.InDelta(t, c, g.upTo(float64(k)), 1e-5, "%d", k)
	}
}

func TestAgeReplacementAgainstBarlowAndHunter(t *testing.T) {
	for _, r := range witness.Table(t, "golden/renewal/age_replacement_expected.csv") {
		life := trend.Weibull{Shape: witness.Number(t, r["shape"]), Scale: witness.Number(t, r["eta"])}
		cp, cf := witness.Number(t, r["cost_planned"]), witness.Number(t, r["cost_failure"])
		age, rate, pays := AgeReplacement(life, cp, cf)
		require.Equal(t, r["T_opt"] != "", pays)
		require.InEpsilon(t, witness.Number(t, r["cost_rate"]), rate, 1e-8)
		require.InEpsilon(t, witness.Number(t, r["cost_rate_run_to_failure"]), cf/life.Mean(), 1e-8)
		if pays {
			require.InEpsilon(t, witness.Number(t, r["T_opt"]), age, 1e-8)
		}
	}
}

// published are the rows of one example of a reliability page, by quantity.
func published(t *testing.T, example string) map[string]float64 {
	t.Helper()
	out := map[string]float64{}
	for _, r := range witness.Table(t, "reference/12b_reliability_expected_answers.csv") {
		if r["example"] == example {
			if v, err := strconv.ParseFloat(r["value"], 64); err == nil {
				out[r["quantity"]] = v
			}
		}
	}
	require.NotEmpty(t, out)
	return out
}

func TestAgeReplacementAgainstPublishedExamples(t *testing.T) {
	for _, example := range []string{"age_replacement_a", "age_replacement_b"} {
		w := published(t, example)
		age, rate, pays := AgeReplacement(trend.Weibull{Shape: w["beta"], Scale: w["eta"]}, w["cost_preventive"], w["cost_corrective"])
		require.True(t, pays)
		require.InDelta(t, w["optimum_age"], age, 0.05)
		require.InEpsilon(t, w["cost_rate_at_optimum"], rate, 3e-4)
	}
	fit := trend.WeibullFit{Weibull: trend.Weibull{Shape: 2.5, Scale: 5}}
	w := published(t, "age_replacement_fleet") // 180 planned, 600 on the road, 60 months
	best := ReplaceAt(fit, 180_00, 600_00)
	require.InDelta(t, w["optimum_age"], best.AgeYears.Or(0)*12, 0.02)
	require.InDelta(t, w["cost_rate_at_optimum"]*12, best.PerYear.Amount(), 0.006)
	require.InDelta(t, 11.27060*12, best.RunToFailure.Amount(), 0.006)
	require.InDelta(t, best.AgeYears.Or(0), best.Low.Or(0), 1e-9) // nothing is uncertain
	require.LessOrEqual(t, best.PerYear, best.BlockPerYear)
}

func TestRenewalFunction(t *testing.T) {
	for _, r := range witness.Table(t, "golden/renewal/weibull_renewal_expected.csv") {
		life, at := trend.Weibull{Shape: witness.Number(t, r["shape"]), Scale: 1}, witness.Number(t, r["t_over_eta"])
		coarse, fine := Renewals(life, at, 2000), Renewals(life, at, 4000)
		m := (4*fine[3999] - coarse[1999]) / 3
		require.InDelta(t, witness.Number(t, r["M"]), m, max(1e-9, 10*witness.Number(t, r["numerical_uncertainty"])), "%v", r)
	}
}

func TestBlockReplacementIsTheLeastOfThoseTried(t *testing.T) {
	for _, r := range witness.Table(t, "golden/renewal/block_replacement_expected.csv") {
		life, at, want := trend.Weibull{Shape: witness.Number(t, r["shape"]), Scale: 1}, witness.Number(t, r["t_over_eta"]), witness.Number(t, r["rate_cp1_cf5"])
		coarse, fine := Renewals(life, at, 1000), Renewals(life, at, 2000)
		require.InEpsilon(t, want, (1+5*(4*fine[1999]-coarse[999])/3)/at, 1e-8)
		_, rate, pays := BlockReplacement(life, 1, 5)
		require.True(t, pays)
		require.LessOrEqual(t, rate, want*(1+1e-6))
		_, byAge, _ := AgeReplacement(life, 1, 5)
		require.LessOrEqual(t, byAge, rate) // Barlow and Hunter: by age is never dearer than by block
	}
}

func TestSparesAgainstPoisson(t *testing.T) {
	for _, r := range witness.Table(t, "golden/renewal/poisson_spares_expected.csv") {
		s := SparesFor(witness.Number(t, r["lambda"]), int(witness.Number(t, r["stock"])))
		require.InDelta(t, witness.Number(t, r["fill_prob"]), s.Service, 1e-10)
		require.InDelta(t, witness.Number(t, r["expected_shortage"]), s.Short, 1e-10)
		require.InDelta(t, witness.Number(t, r["expected_leftover"]), s.Leftover, 1e-10)
	}
	w := published(t, "poisson_spares")
	require.InDelta(t, w["P_le_1_mean_1"], SparesFor(1, 1).Service, 5e-6)
	require.InDelta(t, w["P_le_4_mean_1"], SparesFor(1, 4).Service, 5e-6)
}

func TestProrataAgainstPublishedExamples(t *testing.T) {
	w := published(t, "pro_rata")
	from := fleet.NewDate(2024, 3, 15)
	credit := func(price fleet.Money, free, cover, months int) float64 {
		return Cover{price, free, cover, from}.Credit(from.AddMonths(months)).Amount()
	}
	require.InDelta(t, w["refund_120_36_12"], credit(120_00, 0, 36, 12), 1e-9)
	require.InDelta(t, w["refund_150_48_24"], credit(150_00, 0, 48, 24), 1e-9)
	require.InDelta(t, w["refund_150_24_12"], credit(150_00, 0, 24, 12), 1e-9)
	require.InDelta(t, 100-w["customer_pays_100_60_38"], credit(100_00, 0, 60, 38), 1e-9)
	require.InDelta(t, w["refund_after_cover"], credit(120_00, 0, 36, 36), 1e-9)
	require.InDelta(t, w["free_period_then_pro_rata"], credit(100_00, 24, 60, 12), 1e-9)
}

func TestRestrictedMeanAgainstSurvival(t *testing.T) {
	var want struct {
		Sets map[string]struct {
			Mean float64 `json:"rmst_365"`
			SE   float64 `json:"rmst_365_se"`
		} `json:"quantiles_loglog"`
	}
	witness.JSON(t, "golden/survival/km_summary_expected.json", &want)
	require.Len(t, want.Sets, 4)
	for name, w := range want.Sets {
		var lives []trend.Life
		for _, r := range witness.Table(t, "golden/survival/"+name+".csv") {
			lives = append(lives, trend.Life{Exit: witness.Number(t, r["time"]), Failed: r["status"] == "1"})
		}
		mean, se, _ := RestrictedMean(lives, 365)
		require.InEpsilon(t, w.Mean, mean, 1e-9, name)
		require.InEpsilon(t, w.SE, se, 1e-9, name)
	}
}

func TestQuantilesOfType7(t *testing.T) {
	var in map[string]json.RawMessage
	witness.JSON(t, "golden/quantiles/input.json", &in)
	seen := 0
	for _, r := range witness.Table(t, "golden/quantiles/expected.csv") {
		if r["type"] != "7" {
			continue
		}
		seen++
		var x []float64
		text := in[r["set"]]
		if text[0] != '[' { // a set of one number
			text = json.RawMessage(fmt.Sprintf("[%s]", text))
		}
		require.NoError(t, json.Unmarshal(text, &x))
		slices.Sort(x)
		require.InDelta(t, witness.Number(t, r["value"]), quantileOf(x, witness.Number(t, r["prob"])), 1e-10, "%v", r)
	}
	require.Positive(t, seen)
}

// The translated gamma of many risks against their exact convolution: 3000 units with monthly chances of up to two in a hundred.
func TestManyRisksAgainstConvolution(t *testing.T) {
	var risks [][]outcome
	for i := range 3000 {
		q := 0.0005 + 0.0195*math.Pow(float64(i%100)/100, 3)
		risks = append(risks, []outcome{{0.7 * q, 90_000}, {0.1 * q, 120_000}, {0.2 * q, 35_000}})
	}
	sum := summed(risks)
	require.Greater(t, sum.failed, float64(manyFailures)) // where the budget uses it
	exact := convolved(risks, 5000, 1200)
	together := newGrid(5000, 1200)
	for _, r := range risks {
		together.expand(r)
	}
	together.settle()
	sd := math.Sqrt(sum.variance)
	for _, p := range []float64{0.05, 0.1, 0.5, 0.9, 0.95} {
		want := mixture{exact}.quantile(p, 0, 5000, 6e6)
		require.InDelta(t, want, mixture{sum.shifted()}.quantile(p, 0, 1, 6e6), 0.04*sd+2500, "P%v", 100*p) // half a step of the grid
		require.InDelta(t, want, mixture{together}.quantile(p, 0, 5000, 6e6), 0, "P%v", 100*p)
	}
}
