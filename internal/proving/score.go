package proving

import (
	"cmp"
	"math"
	"math/rand/v2"
	"slices"

	"rimeyard/internal/fleet"
)

// Said is what a forecast said of one unit. What it did not say is unknown.
type Said struct {
	P       float64 // chance of at least one failed start in the season
	PRange  Range   // 90 % interval of P
	Suspect fleet.Part
	LimitC  fleet.Opt[float64]
	Limit80 Range // °C, 10th to 90th percentile
	Limit90 Range // °C, 5th to 95th percentile
}

// Range is an interval, both ends included.
type Range struct{ Low, High fleet.Opt[float64] }

func (r Range) holds(x float64) (holds, known bool) {
	low, a := r.Low.Get()
	high, b := r.High.Get()
	return low <= x && x <= high, a && b
}

// Case is one unit: what was said of it, and what is so.
type Case struct {
	Said  Said
	Truth Truth
}

// Score sums up how good forecasts are. A figure that the cases do not allow is NaN, as the area under the curve where no
// unit failed.
type Score struct {
	Units, Failed, Caught int

	FailedShare  float64
	AUC          float64 // ties count half
	TopShare     float64 // of as many top-ranked units as failed, the share that did; units that tie for the last places share them
	ErrorByCount float64 // calibration error Σ nₖ/n·|mean P − share failed| over ten bins of equal count; equal P stay together
	ErrorByWidth float64 // the same over ten bins of width 0.1
	Brier        float64
	Ratio        float64 // expected failures / failures
	RightCaught  float64 // of failures among as many top-ranked units as failed: share of which the cause was named
	RightAll     float64 // the same of all failures
	LimitIn80    float64 // share of cold limits inside their 80 % interval
	LimitIn90    float64
	ChanceIn90   float64 // share of true chances inside the 90 % interval of P
	LimitErrorC  float64 // mean absolute error of the cold limit
	LimitBiasC   float64 // mean error; below 0: said too cold
	WeakBiasC    float64 // the same of units that failed
}

// figures are those that Bootstrap spreads.
func (s *Score) figures() []*float64 {
	return []*float64{
		&s.FailedShare, &s.AUC, &s.TopShare, &s.ErrorByCount, &s.ErrorByWidth, &s.Brier, &s.Ratio, &s.RightCaught, &s.RightAll,
		&s.LimitIn80, &s.LimitIn90, &s.ChanceIn90, &s.LimitErrorC, &s.LimitBiasC, &s.WeakBiasC,
	}
}

// ScoreOf judges forecasts by the truth.
func ScoreOf(cases []Case) Score {
	s := Score{Units: len(cases)}
	p, failed := make([]float64, len(cases)), make([]bool, len(cases))
	var expected, brier mean
	for i, c := range cases {
		p[i], failed[i] = c.Said.P, c.Truth.Failed
		hit := 0.0
		if failed[i] {
			s.Failed++
			hit = 1
		}
		expected.add(p[i])
		brier.add((p[i] - hit) * (p[i] - hit))
	}
	s.FailedShare = float64(s.Failed) / float64(s.Units)
	s.AUC = areaUnderCurve(p, failed)
	s.TopShare = topShare(p, failed, s.Failed)
	s.ErrorByCount = calibrationError(p, failed, equalCounts(p, bins))
	s.ErrorByWidth = calibrationError(p, failed, equalWidths(p, bins))
	s.Brier = brier.value()
	s.Ratio = math.NaN()
	if s.Failed > 0 {
		s.Ratio = expected.sum / float64(s.Failed)
	}
	s.parts(cases, kthLargest(p, s.Failed))
	s.limits(cases)
	return s
}

const bins = 10

// Normal90 is the standard normal distribution's 90th percentile.
const Normal90 = 1.2815515655446004

func (s *Score) parts(cases []Case, bar float64) {
	var caught, all mean
	for _, c := range cases {
		if !c.Truth.Failed {
			continue
		}
		right := 0.0
		if c.Said.Suspect == c.Truth.Cause {
			right = 1
		}
		all.add(right)
		if c.Said.P >= bar {
			caught.add(right)
		}
	}
	s.Caught, s.RightCaught, s.RightAll = caught.n, caught.value(), all.value()
}

func (s *Score) limits(cases []Case) {
	var in80, in90, chance, off, bias, weak mean
	for _, c := range cases {
		chance.addShare(c.Said.PRange.holds(c.Truth.Chance))
		limit := c.Truth.ColdLimitC
		if math.IsNaN(limit) || math.IsInf(limit, 0) {
			continue
		}
		in80.addShare(c.Said.Limit80.holds(limit))
		in90.addShare(c.Said.Limit90.holds(limit))
		if said, known := c.Said.LimitC.Get(); known {
			off.add(math.Abs(said - limit))
			bias.add(said - limit)
			if c.Truth.Failed {
				weak.add(said - limit)
			}
		}
	}
	s.LimitIn80, s.LimitIn90, s.ChanceIn90 = in80.value(), in90.value(), chance.value()
	s.LimitErrorC, s.LimitBiasC, s.WeakBiasC = off.value(), bias.value(), weak.value()
}

// Bootstrap is the standard error of each figure: its standard deviation over samples of the units with replacement (Efron 1979).
// A sample that does not allow a figure is left out of that figure.
func Bootstrap(cases []Case, samples int, seed uint64) Score {
	r := rand.New(rand.NewPCG(seed, uint64(len(cases))))
	sample := make([]Case, len(cases))
	var spread Score
	values := make([][]float64, len(spread.figures()))
	for range samples {
		for i := range sample {
			sample[i] = cases[r.IntN(len(cases))]
		}
		s := ScoreOf(sample)
		for i, v := range s.figures() {
			if !math.IsNaN(*v) {
				values[i] = append(values[i], *v)
			}
		}
	}
	for i, v := range spread.figures() {
		*v = deviation(values[i])
	}
	return spread
}

// Mean is the mean of each figure over fleets; fleets that do not allow a figure are left out of it. Counts add up.
func Mean(scores []Score) Score {
	var total Score
	means := make([]mean, len(total.figures()))
	for _, s := range scores {
		total.Units, total.Failed, total.Caught = total.Units+s.Units, total.Failed+s.Failed, total.Caught+s.Caught
		for i, v := range s.figures() {
			if !math.IsNaN(*v) {
				means[i].add(*v)
			}
		}
	}
	for i, v := range total.figures() {
		*v = means[i].value()
	}
	return total
}

// MeanError is the standard error of Mean over fleets that were drawn apart, from that of each.
func MeanError(errs []Score) Score {
	var total Score
	squares := make([]mean, len(total.figures()))
	for _, e := range errs {
		for i, v := range e.figures() {
			if !math.IsNaN(*v) {
				squares[i].add(*v * *v)
			}
		}
	}
	for i, v := range total.figures() {
		*v = math.Sqrt(squares[i].sum) / float64(squares[i].n)
	}
	return total
}

type mean struct {
	sum float64
	n   int
}

func (m *mean) add(x float64) { m.sum, m.n = m.sum+x, m.n+1 }

func (m *mean) addShare(in, known bool) {
	if known && in {
		m.sum++
	}
	if known {
		m.n++
	}
}

// value is NaN of nothing.
func (m *mean) value() float64 { return m.sum / float64(m.n) }

// deviation has the divisor n − 1; NaN for fewer than two values.
func deviation(x []float64) float64 {
	if len(x) < 2 {
		return math.NaN()
	}
	var m, squares mean
	for _, v := range x {
		m.add(v)
	}
	for _, v := range x {
		squares.add((v - m.value()) * (v - m.value()))
	}
	return math.Sqrt(squares.sum / float64(len(x)-1))
}

// areaUnderCurve is the chance that a unit that failed has a larger value than one that held, by the sum of ranks (Mann & Whitney
// 1947); values that tie share their mean rank.
func areaUnderCurve(value []float64, failed []bool) float64 {
	order := ascending(value)
	var ranks, bad float64
	for i := 0; i < len(order); {
		j := i
		for j < len(order) && value[order[j]] == value[order[i]] {
			j++
		}
		for _, k := range order[i:j] {
			if failed[k] {
				ranks += float64(i+1+j) / 2
				bad++
			}
		}
		i = j
	}
	return (ranks - bad*(bad+1)/2) / (bad * (float64(len(value)) - bad))
}

func ascending(value []float64) []int {
	order := make([]int, len(value))
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Compare(value[a], value[b]) })
	return order
}

func topShare(value []float64, failed []bool, k int) float64 {
	bar := kthLargest(value, k)
	var above, ties, aboveFailed, tiesFailed float64
	for i, v := range value {
		hit := 0.0
		if failed[i] {
			hit = 1
		}
		switch {
		case v > bar:
			above, aboveFailed = above+1, aboveFailed+hit
		case v == bar:
			ties, tiesFailed = ties+1, tiesFailed+hit
		}
	}
	return (aboveFailed + tiesFailed*(float64(k)-above)/ties) / float64(k)
}

// kthLargest is +Inf for k = 0, so that nothing reaches it.
func kthLargest(value []float64, k int) float64 {
	if k == 0 {
		return math.Inf(1)
	}
	return slices.Sorted(slices.Values(value))[len(value)-k]
}

func equalCounts(value []float64, want int) []int {
	order, of := ascending(value), make([]int, len(value))
	for k, i := range order {
		of[i] = k * want / len(value)
		if k > 0 && value[i] == value[order[k-1]] {
			of[i] = of[order[k-1]]
		}
	}
	return of
}

// equalWidths puts a value on a border into the bin above, but for 1.
func equalWidths(value []float64, want int) []int {
	of := make([]int, len(value))
	for i, v := range value {
		of[i] = max(0, min(int(v*float64(want)), want-1))
	}
	return of
}

func calibrationError(p []float64, failed []bool, bin []int) float64 {
	gaps := make([]float64, bins) // Σ P − failures
	for i, b := range bin {
		gaps[b] += p[i]
		if failed[i] {
			gaps[b]--
		}
	}
	var sum float64
	for _, gap := range gaps {
		sum += math.Abs(gap)
	}
	return sum / float64(len(p))
}
