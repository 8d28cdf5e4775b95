package proving

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
)

// Pooled is what only many fleets together can show.
type Pooled struct {
	ByCause map[fleet.Part]CauseScore
	// ErrorByCount is the calibration error with the units of all fleets in one heap, so that the luck of single winters and of few failures
	// in a bin weighs little.
	ErrorByCount float64
	// ErrorIfRight is the mean over fleets of the calibration error that one fleet would show if each of its chances were right.
	ErrorIfRight float64
}

// CauseScore is how failures of one cause stand against the units that held.
type CauseScore struct {
	Failures int
	AUC      float64 // mean over fleets, by their failures of this cause
}

// PooledOf judges fleets together.
func PooledOf(fleets [][]Case, samples int, seed uint64) Pooled {
	out := Pooled{ByCause: map[fleet.Part]CauseScore{}}
	r := rand.New(rand.NewPCG(seed, uint64(len(fleets))))
	var p []float64
	var failed []bool
	var right mean
	for _, cases := range fleets {
		for part, one := range byCause(cases) {
			sum := out.ByCause[part]
			n := float64(sum.Failures + one.Failures)
			sum.AUC = (sum.AUC*float64(sum.Failures) + one.AUC*float64(one.Failures)) / n
			sum.Failures += one.Failures
			out.ByCause[part] = sum
		}
		for _, c := range cases {
			p, failed = append(p, c.Said.P), append(failed, c.Truth.Failed)
		}
		right.add(errorIfRight(cases, samples, r))
	}
	out.ErrorByCount = calibrationError(p, failed, equalCounts(p, bins))
	out.ErrorIfRight = right.value()
	return out
}

func byCause(cases []Case) map[fleet.Part]CauseScore {
	out := map[fleet.Part]CauseScore{}
	for _, part := range fleet.Suspects() {
		var p []float64
		var failed []bool
		n := 0
		for _, c := range cases {
			if c.Truth.Failed && c.Truth.Cause != part {
				continue
			}
			p, failed = append(p, c.Said.P), append(failed, c.Truth.Failed)
			if c.Truth.Failed {
				n++
			}
		}
		if auc := areaUnderCurve(p, failed); !math.IsNaN(auc) {
			out[part] = CauseScore{n, auc}
		}
	}
	return out
}

func errorIfRight(cases []Case, samples int, r *rand.Rand) float64 {
	p, failed := make([]float64, len(cases)), make([]bool, len(cases))
	for i, c := range cases {
		p[i] = c.Said.P
	}
	bin := equalCounts(p, bins)
	var all mean
	for range samples {
		for i := range failed {
			failed[i] = r.Float64() < p[i]
		}
		all.add(calibrationError(p, failed, bin))
	}
	return all.value()
}
