package alerts

import (
	"maps"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// spreadOfFailures is the standard deviation of the number of failures, by the law of total variance over past winters w, each as
// likely as the other, units failing independently once the winter is given:
//
//	Var = Σᵢ (pᵢ(1−pᵢ) − Var_w pᵢw) + Var_w Σᵢ pᵢw
//
// Depots with the same number of past winters share them; else the worst is taken, that all have their hard winters together.
// Where the past winters are not known of every unit, luck alone is reckoned with and winters is 0.
func spreadOfFailures(units []Scored) (sd float64, winters int) {
	luck, dependent := 0.0, 0.0
	totals := map[fleet.DepotID][]float64{}
	for _, s := range units {
		luck += s.P * (1 - s.P)
		if len(s.byWinter) == 0 {
			totals = nil
		}
		if totals == nil {
			continue
		}
		if totals[s.Depot] == nil {
			totals[s.Depot] = make([]float64, len(s.byWinter))
		}
		if len(totals[s.Depot]) != len(s.byWinter) {
			totals = nil
			continue
		}
		for w, p := range s.byWinter {
			totals[s.Depot][w] += p
		}
		dependent += spreadAbout(s.byWinter)
	}
	if len(totals) == 0 {
		return math.Sqrt(luck), 0
	}
	depots := slices.Sorted(maps.Keys(totals))
	whole := slices.Clone(totals[depots[0]])
	together := math.Sqrt(spreadAbout(whole))
	alike := true
	winters = len(whole)
	for _, d := range depots[1:] {
		alike = alike && len(totals[d]) == len(whole)
		together += math.Sqrt(spreadAbout(totals[d]))
		winters = min(winters, len(totals[d]))
		for w := range whole {
			if alike {
				whole[w] += totals[d][w]
			}
		}
	}
	if alike {
		together = math.Sqrt(spreadAbout(whole))
	}
	return math.Sqrt(max(0, luck-dependent) + together*together), winters
}

// spreadAbout is the mean square distance from the mean.
func spreadAbout(x []float64) (sum float64) {
	mean := 0.0
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sum += (v - mean) * (v - mean) / float64(len(x))
	}
	return sum
}
