package plan_test

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// The oil wildcatter (Raiffa 1968, Decision Analysis, ch. 2; from memory, its sums done anew by hand): dry, wet or soaking; drilling
// gains −70, 50 or 200; a sounding shows no, open or closed structure. At once 20; after the sounding 0 + 11.5 + 21 = 32.5, drilling after
// the last two.
func TestPreposteriorAgainstTheWildcatter(t *testing.T) {
	prior := []float64{0.5, 0.3, 0.2}
	payoff := [][]float64{{0, 0, 0}, {-70, 50, 200}}
	now, _ := plan.Preposterior(prior, [][]float64{{1}, {1}, {1}}, payoff)
	require.InDelta(t, 20, now, 1e-9)
	after, acts := plan.Preposterior(prior, [][]float64{{0.6, 0.3, 0.1}, {0.3, 0.4, 0.3}, {0.1, 0.4, 0.5}}, payoff)
	require.InDelta(t, 32.5, after, 1e-9)
	require.Equal(t, []int{0, 1, 1}, acts)
	perfect, _ := plan.Preposterior(prior, [][]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}, payoff)
	require.InDelta(t, 0.3*50+0.2*200, perfect, 1e-9)
}

// Every rule that says what to do after each signal is tried: the best is worth what preposterior says. Knowing never harms.
func TestPreposteriorAgainstEveryRule(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
		states, signals, acts := 1+r.IntN(5), 1+r.IntN(4), 1+r.IntN(4)
		prior, says := shares(r, states), make([][]float64, states)
		for k := range says {
			says[k] = shares(r, signals)
		}
		payoff := make([][]float64, acts)
		for a := range payoff {
			for range states {
				payoff[a] = append(payoff[a], r.NormFloat64())
			}
		}
		best := math.Inf(-1)
		for rule := range int(math.Pow(float64(acts), float64(signals))) {
			sum, rest := 0.0, rule
			for s := range signals {
				for k := range states {
					sum += prior[k] * says[k][s] * payoff[rest%acts][k]
				}
				rest /= acts
			}
			best = max(best, sum)
		}
		value, _ := plan.Preposterior(prior, says, payoff)
		require.InDelta(t, best, value, 1e-12)
		for a := range payoff {
			sum := 0.0
			for k := range prior {
				sum += prior[k] * payoff[a][k]
			}
			require.GreaterOrEqual(t, value+1e-12, sum)
		}
	})
}

func shares(r *rand.Rand, n int) []float64 {
	all, sum := make([]float64, n), 0.0
	for i := range all {
		all[i] = r.Float64()
		sum += all[i]
	}
	for i := range all {
		all[i] /= sum
	}
	return all
}

// Answers of a test: those of each case sum to 1; without noise they tell all; with much they tell nothing.
func TestWhatATestSays(t *testing.T) {
	for _, noise := range []float64{0, 0.3, 1, 1e6} {
		says := plan.TestSays(noise)
		for k := range says {
			sum := 0.0
			for s, p := range says[k] {
				require.GreaterOrEqual(t, p, 0.0)
				require.InDelta(t, says[4-k][4-s], p, 1e-12)
				sum += p
			}
			require.InDelta(t, 1, sum, 1e-12)
			if noise == 0 {
				require.InDelta(t, 1, says[k][k], 1e-12)
			}
			if noise == 1e6 {
				require.InDelta(t, 0.2, says[k][0], 1e-3)
			}
		}
	}
}

// doubtful suffers from its battery so much, or hardly, that a swap just pays or just does not.
func doubtful(sure bool) plan.Input {
	in := plan.Input{Monday: monday, Weeks: 3, Rules: plainRules(), Depots: []plan.Depot{{ID: "NOR", CapacityByWeek: []int{2}, TestsByWeek: []int{1}}}}
	for i := range 2 {
		u := plainUnit(i, []float64{0, 0.1, 0.25}, 100_000, 24_000)
		u.ChanceIf = fleet.Known([5]float64{0.01, 0.02, 0.2, 0.5, 0.52})
		if sure {
			u.ChanceIf = fleet.Known([5]float64{0.25, 0.25, 0.25, 0.25, 0.25})
		}
		in.Units = append(in.Units, u)
	}
	return in
}

// With no noise the five cases are told apart: acting in the second week pays 1000 · p − 240 in the two worst, which is
// (260 + 280)/5 = 108.00, against 1000 · 0.25 − 240 = 10.00 by acting at once. One unit is tested, as there is one test a week; the other in
// the week after, when acting still avoids all.
func TestRetestWhereKnowingIsWorthMore(t *testing.T) {
	in := doubtful(false)
	in.Rules.TestNoise = 0
	in.Depots[0].TestsByWeek = []int{1, 0}
	p := made(t, in)
	require.Len(t, p.Retests, 1)
	require.Equal(t, fleet.UnitID("U-00"), p.Retests[0].Unit)
	require.InDelta(t, 98, p.Retests[0].Worth.Or(0).Amount(), 0.01)
	require.InDelta(t, 0.4, p.Retests[0].ActIf, 1e-12)
	require.Equal(t, fleet.Known(fleet.Money(1000)), p.Saved) // the other is swapped
	require.Equal(t, 1, p.Depots[0].Weeks[0].Tests)
	require.Contains(t, p.Retests[0].Why, "a test in the week of 5 October is worth 98.00 more than acting or leaving now")

	in.Depots[0].TestsByWeek = nil
	require.Empty(t, made(t, in).Retests)
}

// A test that can tell nothing is not proposed, nor one that costs more than it tells, nor for a unit that is locked.
func TestNoRetestWhereKnowingIsWorthLess(t *testing.T) {
	require.Empty(t, made(t, doubtful(true)).Retests)
	in := doubtful(false)
	require.NotEmpty(t, made(t, in).Retests)
	in.Rules.TestMinutes, in.Depots[0].LabourPerHour = 600, fleet.Known(fleet.Money(6_000))
	require.Empty(t, made(t, in).Retests)
	in = doubtful(false)
	for _, u := range in.Units {
		in.Locked = append(in.Locked, plan.Choice{Unit: u.ID, Do: plan.DoLeave})
	}
	require.Empty(t, made(t, in).Retests)
	in = doubtful(false)
	in.Depots[0].CapacityByWeek = []int{0} // nobody could act on what a test tells
	require.Empty(t, made(t, in).Retests)
}
