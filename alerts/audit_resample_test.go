package alerts

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

// Counting a unit as often as its weight says must be the same as having it so many times.
func TestWeightsAreRepetitions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(2, 40).Draw(t, "n")
		value := rapid.SliceOfN(rapid.Map(rapid.IntRange(0, 12), func(i int) float64 { return float64(i) / 12 }), n, n).Draw(t, "value")
		failed := rapid.SliceOfN(rapid.Bool(), n, n).Draw(t, "failed")
		weight := rapid.SliceOfN(rapid.IntRange(0, 3), n, n).Draw(t, "weight")
		sum := 0
		for _, w := range weight {
			sum += w
		}
		for i := range weight { // a resample has as many units as there are
			if sum > n {
				cut := min(weight[i], sum-n)
				weight[i], sum = weight[i]-cut, sum-cut
			}
		}
		weight[0] += n - sum
		group := equalCounts(value, 4)
		var values []float64
		var hits []bool
		var groups []int
		for i, w := range weight {
			for range w {
				values, hits, groups = append(values, value[i]), append(hits, failed[i]), append(groups, group[i])
			}
		}
		o := newOrdering(value, make([]gain, n))
		if want, _, ok := areaUnderCurve(values, hits); ok {
			require.InDelta(t, want, o.area(weight, failed), 1e-12)
		}
		k := rapid.IntRange(1, n).Draw(t, "k")
		require.InDelta(t, topHits(values, hits, k), o.top(weight, failed, k).hits, 1e-9)
		want := scoresOf(values, hits, groups)
		got := weightedSplit(value, failed, group, weight)
		require.InDeltaSlice(t, []float64{want.Brier.Or(-1), want.Reliability, want.Resolution, want.Uncertainty}, got[:], 1e-12)
	})
}

// The bootstrap's spread of an area must be near the standard error published for the same forecast by another method.
func TestResamplingAgreesWithPublishedError(t *testing.T) {
	p, failed, want := goldenForecast(t)
	o := newOrdering(p, make([]gain, len(p)))
	random := rand.New(rand.NewPCG(1, 2))
	var areas []float64
	weight := make([]int, len(p))
	for range resamples {
		clear(weight)
		for range p {
			weight[random.IntN(len(p))]++
		}
		areas = append(areas, o.area(weight, failed))
	}
	span, known := middle95(areas).Get()
	require.True(t, known)
	// 1000 draws leave the ends of the interval uncertain by about 7 % of its half width; three times that is allowed
	require.InDelta(t, want.AUC-normal95*want.SE, span.Low, 0.2*normal95*want.SE)
	require.InDelta(t, want.AUC+normal95*want.SE, span.High, 0.2*normal95*want.SE)
}

func TestMiddleOfAHundredAndOne(t *testing.T) {
	var x []float64
	for i := range 201 {
		x = append(x, float64(200-i))
	}
	require.Equal(t, fleet.Known(Span{5, 195}), middle95(x))
	require.False(t, middle95(nil).IsKnown())
}

// moneyWorld has four units. The list bids to swap the first two. By hand, in whole currency: both batteries cost 100 and 120,
// a failed start costs 500 where nothing else is said (the middle of 400, 500 and 600).
//
//	unit  chance  age   fails  failure costs  swap of suspect  both batteries
//	U-00  0.60    4 y   yes    400            unknown (cable)  220
//	U-01  0.50    4 y   yes    500            220              220
//	U-02  0.20    4 y   no     600            220              220
//	U-03  0.10    4 y   no     500 (median)   220              220
func moneyWorld() (fleet.RankedList, []fleet.History) {
	list := auditList(0.6, 0.5, 0.2, 0.1)
	list.Units[0].Band, list.Units[1].Band = fleet.Down, fleet.Swap
	list.Units[0].Suspect = fleet.CablePart
	var hs []fleet.History
	for i := range 4 {
		h := auditUnit(fleet.UnitID(fmt.Sprintf("U-%02d", i)))
		if i < 3 {
			h.Unit.NoStartCost = fleet.Known(fleet.Money(40000 + 10000*i))
		}
		h.Batteries[0].Part, h.Batteries[0].Price = "P-1", fleet.Known(fleet.Money(10000))
		h.Batteries[1].Part, h.Batteries[1].Price = "P-2", fleet.Known(fleet.Money(12000))
		if i > 0 {
			list.Units[i].SwapCost = fleet.Known(fleet.Money(22000))
		}
		if i < 2 {
			h = broke(h, time.Date(2026, 1, 9, 6, 0, 0, 0, auditZone), fleet.BatteryPart)
		}
		hs = append(hs, h)
	}
	return list, hs
}

func TestMoneySavedByHand(t *testing.T) {
	list, hs := moneyWorld()
	r := auditOf(t, list, hs...)
	require.Equal(t, 2, r.Swaps)
	money := func(units int) fleet.Opt[fleet.Money] { return fleet.Known(fleet.Money(100 * units)) }
	require.Equal(t, Saving{Caught: 2, Unpriced: 1, Avoided: money(500), Spent: money(220), Saved: money(280), PerSwap: money(280)}, r.Forecast.Saving,
		"the cable has no price: left out on both sides")
	// all batteries are of one age: two of four by lot, so half of everything
	require.Equal(t, Saving{Caught: 1, Avoided: money(450), Spent: money(440), Saved: money(10), PerSwap: money(5), More: money(270)}, r.Rules[0].Saving)

	for i := range hs {
		hs[i].Unit.NoStartCost = fleet.Opt[fleet.Money]{}
	}
	r = auditOf(t, list, hs...)
	require.Equal(t, Saving{Caught: 2, Unpriced: 2}, r.Forecast.Saving, "unknown is not zero")

	list.Units[0].Band, list.Units[1].Band = fleet.Watch, fleet.Watch
	require.Equal(t, Saving{}, auditOf(t, list, hs...).Forecast.Saving, "a list that asks for no swap saves nothing that could be told")
}

// What the list saves more than a rule is the difference of two sums over the same units. A rule that is the list itself saves exactly as much
// on every draw; one that differs from it in few units differs by little, however much each of the two depends on luck.
func TestTheDifferenceOfSavingsIsThatOfPairs(t *testing.T) {
	const units = 400
	r := rand.New(rand.NewPCG(4, 4))
	value, near, group := make([]float64, units), make([]float64, units), make([]int, units)
	result := AuditResult{Units: make([]Scored, units), Swaps: 60, Rules: make([]Ranking, 2)}
	for i := range units {
		value[i] = r.Float64()
		near[i] = value[i] + 0.05*r.Float64()
		u := &result.Units[i]
		u.FailureCost, u.SwapCost, u.BatteryCost = fleet.Known(fleet.Money(500_00)), fleet.Known(fleet.Money(200_00)), fleet.Known(fleet.Money(200_00))
		if u.Failed = r.Float64() < value[i]*value[i]; u.Failed {
			result.Failed++
		}
	}
	orders := []ordering{
		newOrdering(value, gains(result.Units, Scored.listGain)), newOrdering(value, gains(result.Units, Scored.ruleGain)), newOrdering(near, gains(result.Units, Scored.ruleGain)),
	}
	result.save(orders)
	result.resample(orders, value, failures(result.Units), group, r)

	same := result.Rules[0].Saving
	require.Equal(t, fleet.Known(fleet.Money(0)), same.More)
	require.Equal(t, fleet.Known(MoneySpan{}), same.MoreInterval)
	other := result.Rules[1].Saving
	span, known := other.MoreInterval.Get()
	require.True(t, known && span.Low <= other.More.Or(0) && other.More.Or(0) <= span.High)
	width := func(s fleet.Opt[MoneySpan]) float64 { span, _ := s.Get(); return float64(span.High - span.Low) }
	require.Less(t, width(other.MoreInterval), math.Hypot(width(result.Forecast.Saving.Interval), width(other.Interval))/2)
	require.False(t, result.Forecast.Saving.More.IsKnown(), "of the list itself")
}

func TestIntervalsComeFromTheStreamAlone(t *testing.T) {
	list, hs := moneyWorld()
	audited := func(hs []fleet.History) AuditResult {
		r, err := Audit(AuditInput{List: list, Histories: auditSeq(hs...), Random: rand.New(rand.NewPCG(1, 0))})
		require.NoError(t, err)
		return r
	}
	first := audited(hs)
	for _, k := range append([]Ranking{first.Forecast}, first.Rules...) {
		span, known := k.PrecisionInterval.Get()
		require.True(t, known && span.Low <= k.Precision.Or(-1) && k.Precision.Or(2) <= span.High, "%s", k.Rule)
	}
	span, known := first.Forecast.Saving.Interval.Get()
	require.True(t, known && span.Low <= first.Forecast.Saving.Saved.Or(0) && first.Forecast.Saving.Saved.Or(0) <= span.High)
	require.InDelta(t, 0.5, first.Rules[0].Lead.Or(0), 1e-12, "1 against a half")
	slices.Reverse(hs)
	require.Equal(t, first, audited(hs))
	require.False(t, auditOf(t, list, hs...).Forecast.PrecisionInterval.IsKnown(), "no stream, no interval")
}

func TestAuditOfEachDepotIsThatOfItsUnitsAlone(t *testing.T) {
	list, hs := moneyWorld()
	for i := range list.Units {
		if i%2 == 1 {
			list.Units[i].Depot, hs[i].Unit.Depot = "SUD", "SUD"
		}
	}
	in := AuditInput{List: list, Histories: auditSeq(hs...), WithNights: map[fleet.UnitID]float64{"U-00": 0.7, "U-01": 0.4, "U-02": 0.3}}
	whole, depots, err := AuditDepots(in)
	require.NoError(t, err)
	require.Len(t, depots, 2)
	alone, err := Audit(in)
	require.NoError(t, err)
	require.Equal(t, alone, whole)
	for depot, want := range map[fleet.DepotID][]int{"NOR": {0, 2}, "SUD": {1, 3}} {
		part := in
		part.List.Units = []fleet.Forecast{list.Units[want[0]], list.Units[want[1]]}
		part.Histories = auditSeq(hs[want[0]], hs[want[1]])
		alone, err := Audit(part)
		require.NoError(t, err)
		if depot == "SUD" { // without the others, no median stands in for the last one's cost
			alone.Units[1].FailureCost = depots[depot].Units[1].FailureCost
			require.Equal(t, alone.Units, depots[depot].Units)
			continue
		}
		require.Equal(t, alone, depots[depot])
	}
	require.Equal(t, []int{3, 2}, []int{whole.Nights.Units, whole.Nights.Failed})
	require.InDelta(t, 1.4, whole.Nights.Expected, 1e-12)
	require.InDelta(t, 0.21+0.24+0.21, whole.Nights.ExpectedSD*whole.Nights.ExpectedSD, 1e-12)
	require.Contains(t, depots["NOR"].Judgement, "1 of 2 units failed, 0.8 were expected, 1.0 had the nights been known")
	require.NotContains(t, whole.Judgement, "nights", "not for all units")
}

func TestAuditSaysWhichListItJudged(t *testing.T) {
	list, hs := moneyWorld()
	require.Equal(t, SourceReplayed, auditOf(t, list, hs...).Source)
	issue := &fleet.Issue{ID: 7, AsOf: listDay, IssuedAt: time.Date(2025, 10, 1, 3, 0, 0, 0, time.UTC), Method: "earlier"}
	r, err := Audit(AuditInput{List: list, Histories: auditSeq(hs...), Issue: issue})
	require.NoError(t, err)
	require.Equal(t, []any{SourceIssued, "earlier", fleet.Known(listDay)}, []any{r.Source, r.Method, r.IssuedOn})
	b, err := json.Marshal(r)
	require.NoError(t, err)
	var back AuditResult
	require.NoError(t, json.Unmarshal(b, &back))
	require.Equal(t, r, back, "what is kept as JSON is what was found")
}

// By hand: two units whose chances are .1 and .3 in a mild winter, .5 and .7 in a hard one. Given the winter, the number of failures
// varies by .09 + .21 and by .25 + .21, .38 in the mean; the totals .4 and 1.2 vary by .16.
func TestOneWinterForAllWidensTheRange(t *testing.T) {
	units := []Scored{{P: 0.3, Depot: "A", byWinter: []float64{0.1, 0.5}}, {P: 0.5, Depot: "A", byWinter: []float64{0.3, 0.7}}}
	sd, winters := spreadOfFailures(units)
	require.InDelta(t, 0.38+0.16, sd*sd, 1e-12)
	require.Equal(t, 2, winters)

	units[1].Depot = "B"
	sd, _ = spreadOfFailures(units)
	require.InDelta(t, 0.38+0.16, sd*sd, 1e-12, "the same winters at both depots")
	units[1].byWinter = []float64{0.3, 0.7, 0.3, 0.7} // another record, the same chances: the hard winters are taken to meet
	sd, _ = spreadOfFailures(units)
	require.InDelta(t, 0.38+0.16, sd*sd, 1e-12)

	units[1].byWinter = nil
	sd, winters = spreadOfFailures(units)
	require.InDelta(t, 0.21+0.25, sd*sd, 1e-12, "luck alone")
	require.Zero(t, winters)
}
