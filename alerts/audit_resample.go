package alerts

import (
	"cmp"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// ordering is an order of units, prepared once so that each resample is one pass.
type ordering struct {
	units []int // largest value first
	ends  []int // where each run of equal values ends
	gains []gain
}

func newOrdering(value []float64, gains []gain) ordering {
	o := ordering{units: make([]int, len(value)), gains: gains}
	for i := range o.units {
		o.units[i] = i
	}
	slices.SortStableFunc(o.units, func(a, b int) int { return cmp.Compare(value[b], value[a]) })
	for i := range o.units {
		if i+1 == len(value) || value[o.units[i]] != value[o.units[i+1]] {
			o.ends = append(o.ends, i+1)
		}
	}
	return o
}

// topped sums over the first units of an order.
type topped struct{ hits, unpriced, avoided, spent float64 }

// top sums over the first k units, each counted as often as its weight says. Units that tie for the last places share them.
func (o ordering) top(weight []int, failed []bool, k int) (sum topped) {
	from, left := 0, float64(k)
	for _, end := range o.ends {
		var run topped
		size := 0.0
		for _, i := range o.units[from:end] {
			w, g := float64(weight[i]), o.gains[i]
			size += w
			if failed[i] {
				run.hits += w
			}
			if g.priced {
				run.avoided, run.spent = run.avoided+w*g.avoided, run.spent+w*g.spent
			} else {
				run.unpriced += w
			}
		}
		share := 1.0
		if size > left {
			share = left / size
		}
		sum.hits, sum.unpriced = sum.hits+share*run.hits, sum.unpriced+share*run.unpriced
		sum.avoided, sum.spent = sum.avoided+share*run.avoided, sum.spent+share*run.spent
		if left -= size; left <= 0 {
			break
		}
		from = end
	}
	return sum
}

// area is the area under the curve with each unit counted as often as its weight says; NaN without both kinds.
func (o ordering) area(weight []int, failed []bool) float64 {
	from := 0
	var bad, good, sum float64
	for _, end := range o.ends {
		var runBad, runGood float64
		for _, i := range o.units[from:end] {
			if failed[i] {
				runBad += float64(weight[i])
			} else {
				runGood += float64(weight[i])
			}
		}
		sum += runGood * (bad + runBad/2)
		bad, good, from = bad+runBad, good+runGood, end
	}
	if bad == 0 || good == 0 {
		return math.NaN()
	}
	return sum / (bad * good)
}

// resamples is how often units are drawn anew: the ends of a 95 % interval then lie within about one per cent of where endless
// resampling would put them (Efron and Tibshirani, An Introduction to the Bootstrap, 1993, ch. 14).
const resamples = 1000

// resample finds intervals by the bootstrap: units are drawn with replacement, all orders being judged on the same draw, and
// the middle 95 % of the answers kept (percentile method, Efron 1979). Groups stay as they were dealt.
func (r *AuditResult) resample(orders []ordering, p []float64, failed []bool, group []int, random Random) {
	n := len(p)
	if random == nil || n < 2 || r.Failed == 0 || r.Failed == n {
		return
	}
	rankings := r.rankings()
	precision, lead, saved, more := make([][]float64, len(orders)), make([][]float64, len(orders)), make([][]float64, len(orders)), make([][]float64, len(orders))
	var split [4][]float64 // Brier, reliability, resolution, uncertainty
	weight := make([]int, n)
	for range resamples {
		clear(weight)
		for range n {
			weight[random.IntN(n)]++
		}
		k := 0
		for i, w := range weight {
			if failed[i] {
				k += w
			}
		}
		if k == 0 || k == n {
			continue
		}
		list := orders[0].area(weight, failed)
		for i, o := range orders {
			precision[i] = append(precision[i], o.top(weight, failed, k).hits/float64(k))
			lead[i] = append(lead[i], list-o.area(weight, failed))
			top := o.top(weight, failed, r.Swaps)
			saved[i] = append(saved[i], top.avoided-top.spent)
			more[i] = append(more[i], saved[0][len(saved[0])-1]-(top.avoided-top.spent))
		}
		for i, v := range weightedSplit(p, failed, group, weight) {
			split[i] = append(split[i], v)
		}
	}
	for i, k := range rankings {
		k.PrecisionInterval = middle95(precision[i])
		if i > 0 {
			k.LeadInterval = middle95(lead[i])
			k.Lead = fleet.Known(r.Forecast.AUC.Or(0) - k.AUC.Or(0))
		}
		if k.Saving.Saved.IsKnown() {
			k.Saving.Interval = moneyOf(middle95(saved[i]))
		}
		if k.Saving.More.IsKnown() {
			k.Saving.MoreInterval = moneyOf(middle95(more[i]))
		}
	}
	for i, to := range []*fleet.Opt[Span]{&r.Scores.BrierInterval, &r.Scores.ReliabilityInterval, &r.Scores.ResolutionInterval, &r.Scores.UncertaintyInterval} {
		*to = middle95(split[i])
	}
}

// weightedSplit is the Brier score and its parts, as by scoresOf, with each unit counted as often as its weight says.
func weightedSplit(p []float64, failed []bool, group, weight []int) (out [4]float64) {
	n := float64(len(p)) // which the weights add up to
	groups := slices.Max(group) + 1
	size, expected, bad := make([]float64, groups), make([]float64, groups), make([]float64, groups)
	base := 0.0
	for i, v := range p {
		w := float64(weight[i])
		size[group[i]] += w
		expected[group[i]] += w * v
		miss := v
		if failed[i] {
			bad[group[i]] += w
			base += w / n
			miss = v - 1
		}
		out[0] += w * miss * miss / n
	}
	for k, s := range size {
		if s > 0 {
			share := bad[k] / s
			out[1] += s / n * (expected[k]/s - share) * (expected[k]/s - share)
			out[2] += s / n * (share - base) * (share - base)
		}
	}
	out[3] = base * (1 - base)
	return out
}

func moneyOf(span fleet.Opt[Span]) fleet.Opt[MoneySpan] {
	s, known := span.Get()
	if !known {
		return fleet.Opt[MoneySpan]{}
	}
	return fleet.Known(MoneySpan{fleet.Money(math.Round(s.Low)), fleet.Money(math.Round(s.High))})
}

// middle95 is what lies between the 2.5 % and the 97.5 % point, each the nearest value that is there.
func middle95(x []float64) fleet.Opt[Span] {
	if len(x) == 0 {
		return fleet.Opt[Span]{}
	}
	slices.Sort(x)
	last := float64(len(x) - 1)
	return fleet.Known(Span{x[int(math.Round(0.025*last))], x[int(math.Round(0.975*last))]})
}
