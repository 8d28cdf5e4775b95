package alerts

import (
	"cmp"
	"maps"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// Ranking says how well an order of the units put those that failed first.
type Ranking struct {
	Rule      string             `json:"rule"`
	Says      string             `json:"says"`
	Known     int                `json:"known"` // units for which the rule has a value; the others stand in the middle
	AUC       fleet.Opt[float64] `json:"auc"`
	AUCSE     fleet.Opt[float64] `json:"auc_se"`
	Precision fleet.Opt[float64] `json:"precision"` // share of failures among as many top units as failed

	AUCInterval       fleet.Opt[Span]    `json:"auc_interval"`
	PrecisionInterval fleet.Opt[Span]    `json:"precision_interval"`
	Lead              fleet.Opt[float64] `json:"auc_lead_of_forecast"` // of a rule: the forecast's area less the rule's, on the same units
	LeadInterval      fleet.Opt[Span]    `json:"auc_lead_interval"`
	Saving            Saving             `json:"saving"`
}

// Scores judge the probabilities themselves; all are better when smaller, but for Resolution.
type Scores struct {
	Brier            fleet.Opt[float64] `json:"brier"`
	Reliability      float64            `json:"reliability"`
	Resolution       float64            `json:"resolution"`
	Uncertainty      float64            `json:"uncertainty"`
	Within           float64            `json:"within"` // what grouping hides: Brier = reliability − resolution + uncertainty + within
	LogLoss          fleet.Opt[float64] `json:"log_loss"`
	CalibrationError fleet.Opt[float64] `json:"calibration_error"`

	BrierInterval       fleet.Opt[Span] `json:"brier_interval"`
	ReliabilityInterval fleet.Opt[Span] `json:"reliability_interval"`
	ResolutionInterval  fleet.Opt[Span] `json:"resolution_interval"`
	UncertaintyInterval fleet.Opt[Span] `json:"uncertainty_interval"`
}

// Group compares what was expected of some units with what came.
type Group struct {
	Name     string  `json:"name"`
	Units    int     `json:"units"`
	Expected float64 `json:"expected"`
	Failed   int     `json:"failed"`
	MeanP    float64 `json:"mean_probability"`
	Low      float64 `json:"failed_share_low"` // 95 % interval of the share that fails
	High     float64 `json:"failed_share_high"`

	ExpectedNights fleet.Opt[float64] `json:"expected_with_nights"` // had the nights been known; unknown where they are not for all units
}

// rankingOf judges an order, worst units having the largest value.
func rankingOf(rule, says string, value []float64, failed []bool, known int) Ranking {
	r := Ranking{Rule: rule, Says: says, Known: known}
	if auc, se, ok := areaUnderCurve(value, failed); ok {
		r.AUC = fleet.Known(auc)
		if !math.IsNaN(se) {
			r.AUCSE = fleet.Known(se)
		}
		if se > 1e-9 { // with no spread at all, but for rounding, there is nothing to tell one by
			r.AUCInterval = fleet.Known(Span{max(0, auc-normal95*se), min(1, auc+normal95*se)})
		}
	}
	if k := countFailed(failed); k > 0 {
		r.Precision = fleet.Known(topHits(value, failed, k) / float64(k))
	}
	return r
}

func countFailed(failed []bool) (n int) {
	for _, f := range failed {
		if f {
			n++
		}
	}
	return n
}

// areaUnderCurve is the chance that a unit that failed has a larger value than one that held, ties counting half
// (Mann–Whitney), with the standard error of DeLong, DeLong & Clarke-Pearson (1988) by midranks (Sun & Xu 2014). It is not
// ok without both kinds; the error is NaN with a single unit of a kind.
func areaUnderCurve(value []float64, failed []bool) (auc, se float64, ok bool) {
	var bad, good []float64
	for i, v := range value {
		if failed[i] {
			bad = append(bad, v)
		} else {
			good = append(good, v)
		}
	}
	if len(bad) == 0 || len(good) == 0 {
		return 0, 0, false
	}
	slices.Sort(bad)
	slices.Sort(good)
	ofBad, ofGood := make([]float64, len(bad)), make([]float64, len(good))
	for i, v := range bad {
		rank := midRank(good, v) // a multiple of a half: the sum is exact
		ofBad[i] = rank / float64(len(good))
		auc += rank
	}
	auc /= float64(len(bad)) * float64(len(good))
	for i, v := range good {
		ofGood[i] = 1 - midRank(bad, v)/float64(len(bad))
	}
	return auc, math.Sqrt(variance(ofBad)/float64(len(bad)) + variance(ofGood)/float64(len(good))), true
}

// midRank is how many of the sorted values lie below v, those equal counting half.
func midRank(sorted []float64, v float64) float64 {
	below, _ := slices.BinarySearch(sorted, v)
	notAbove, _ := slices.BinarySearchFunc(sorted, v, func(x, v float64) int {
		if x <= v {
			return -1
		}
		return 1
	})
	return float64(below+notAbove) / 2
}

// variance has the divisor n − 1; NaN for a single value.
func variance(x []float64) float64 {
	var mean, sum float64
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sum += (v - mean) * (v - mean)
	}
	return sum / float64(len(x)-1)
}

// topHits is how many of the k units with the largest values failed. Units that tie for the last places share them, so the
// answer does not hang on the order of rows.
func topHits(value []float64, failed []bool, k int) float64 {
	bar := kthLargest(value, k)
	var above, aboveFailed, ties, tiesFailed float64
	for i, v := range value {
		hit := 0.0
		if failed[i] {
			hit = 1
		}
		if v > bar {
			above, aboveFailed = above+1, aboveFailed+hit
		} else if v == bar {
			ties, tiesFailed = ties+1, tiesFailed+hit
		}
	}
	if ties == 0 {
		return aboveFailed
	}
	return aboveFailed + tiesFailed*(float64(k)-above)/ties
}

// kthLargest is +Inf for k below one, so that nothing reaches it.
func kthLargest(value []float64, k int) float64 {
	if k < 1 {
		return math.Inf(1)
	}
	sorted := slices.Sorted(slices.Values(value))
	return sorted[len(sorted)-min(k, len(sorted))]
}

// leastP keeps the log loss finite where a probability was exactly 0 or 1.
const leastP = 1e-6

// scoresOf computes the Brier score and its parts over groups (Murphy 1973; with the two within-group terms of Stephenson,
// Coelho & Jolliffe 2008 in one), the log loss, and the calibration error Σ nₖ/n·|mean p − share failed|.
func scoresOf(p []float64, failed []bool, group []int) Scores {
	n := float64(len(p))
	if n == 0 {
		return Scores{}
	}
	var s Scores
	var brier, loss, off float64
	base := float64(countFailed(failed)) / n
	for i, v := range p {
		if failed[i] {
			brier += (v - 1) * (v - 1) / n
			loss -= math.Log(max(v, leastP)) / n
		} else {
			brier += v * v / n
			loss -= math.Log1p(-min(v, 1-leastP)) / n
		}
	}
	for _, g := range groupsOf(p, failed, group, func(int) string { return "" }) {
		share, weight := float64(g.Failed)/float64(g.Units), float64(g.Units)/n
		s.Reliability += weight * (g.MeanP - share) * (g.MeanP - share)
		s.Resolution += weight * (share - base) * (share - base)
		off += weight * math.Abs(g.MeanP-share)
	}
	s.Uncertainty = base * (1 - base)
	s.Within = brier - s.Reliability + s.Resolution - s.Uncertainty
	s.Brier, s.LogLoss, s.CalibrationError = fleet.Known(brier), fleet.Known(loss), fleet.Known(off)
	return s
}

// equalCounts deals the units into groups of equal count by value; equal values stay together.
func equalCounts(value []float64, want int) []int {
	n := len(value)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(value[a], value[b]) })
	of := make([]int, n)
	for k, i := range order {
		of[i] = k * want / n
		if k > 0 && value[i] == value[order[k-1]] {
			of[i] = of[order[k-1]]
		}
	}
	return of
}

// groupsOf sums up the units of each group, in the order of their numbers; empty ones are left out.
func groupsOf(p []float64, failed []bool, of []int, name func(int) string) []Group {
	sums := map[int]*Group{}
	for i, k := range of {
		g := sums[k]
		if g == nil {
			g = &Group{Name: name(k)}
			sums[k] = g
		}
		g.Units++
		g.Expected += p[i]
		if failed[i] {
			g.Failed++
		}
	}
	out := []Group{}
	for k := range slices.Max(append(of, 0)) + 1 {
		if g := sums[k]; g != nil {
			g.MeanP = g.Expected / float64(g.Units)
			g.Low, g.High = wilson(g.Failed, g.Units)
			out = append(out, *g)
		}
	}
	return out
}

// addNights sums up, group by group, what was expected had the nights been known.
func addNights(groups []Group, units []Scored, of []int) {
	sums, all := map[int]float64{}, map[int]bool{}
	for i, s := range units {
		k := of[i]
		if _, seen := all[k]; !seen {
			all[k] = true
		}
		with, known := s.PNights.Get()
		sums[k] += with
		all[k] = all[k] && known
	}
	for i, k := range slices.Sorted(maps.Keys(all)) { // as groupsOf orders them
		if all[k] {
			groups[i].ExpectedNights = fleet.Known(sums[k])
		}
	}
}

// shareSpan is unknown where there is nothing to take a share of.
func shareSpan(x, n int) fleet.Opt[Span] {
	if n == 0 {
		return fleet.Opt[Span]{}
	}
	low, high := wilson(x, n)
	return fleet.Known(Span{low, high})
}

const normal95 = 1.959963984540054

// wilson is the 95 % score interval of a share (Wilson 1927), exact at its ends.
func wilson(x, n int) (low, high float64) {
	const z = normal95
	size, share := float64(n), float64(x)/float64(n)
	centre := (share + z*z/(2*size)) / (1 + z*z/size)
	half := z * math.Sqrt(share*(1-share)/size+z*z/(4*size*size)) / (1 + z*z/size)
	low, high = centre-half, centre+half
	if x == 0 {
		low = 0
	}
	if x == n {
		high = 1
	}
	return low, high
}
