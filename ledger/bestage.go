package ledger

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// AgeReplacement is the age T at which replacing a part costs least in the long run,
//
//	[cp·S(T) + cf·(1 − S(T))] / ∫₀ᵀ S(t) dt,
//
// with cp the cost of a planned replacement and cf that of a failure, and the cost per unit of time by that rule (Barlow and Hunter,
// Operations Research 8 (1960) 90–100). False: no age pays, as the part does not wear out or a failure is no dearer; the rate is then that of
// running to failure.
func AgeReplacement(life trend.Weibull, planned, failure float64) (age, rate float64, pays bool) {
	run := failure / life.Mean()
	if life.Shape <= 1 || failure <= planned {
		return 0, run, false
	}
	want := planned / (failure - planned)
	if planned <= 0 {
		return 0, 0, false
	}
	lack := func(t float64) float64 { return hazard(life, t)*served(life, t) - (1 - life.Survival(t)) - want }
	low, high := 0.0, life.Scale
	for lack(high) < 0 {
		low, high = high, 2*high
	}
	for range 200 {
		middle := (low + high) / 2
		if lack(middle) < 0 {
			low = middle
		} else {
			high = middle
		}
	}
	s := life.Survival(high)
	rate = (planned*s + failure*(1-s)) / served(life, high)
	if s == 0 {
		return 0, run, false // it pays at an age that no part reaches
	}
	return high, rate, true
}

// served is the time that a part serves on the average if it is replaced at age t: ∫₀ᵗ S = m·P(1/k, (t/λ)^k) with m the mean life and P
// the regularised lower incomplete gamma function.
func served(life trend.Weibull, t float64) float64 {
	return life.Mean() * mathext.GammaIncReg(1/life.Shape, math.Pow(t/life.Scale, life.Shape))
}

// hazard per unit of time.
func hazard(life trend.Weibull, t float64) float64 {
	return life.Shape / life.Scale * math.Pow(t/life.Scale, life.Shape-1)
}

// Renewals is the expected number of failures up to each of n equal steps of time, in a place whose part is renewed at each failure: the
// renewal equation as a Riemann–Stieltjes sum with the distribution at half steps (Xie, Communications in Statistics, Simulation 18
// (1989) 281–293). Element i is at (i+1)·t/n; the error falls with the square of the step.
func Renewals(life trend.Weibull, t float64, n int) []float64 {
	step := t / float64(n)
	f := func(x float64) float64 { return -math.Expm1(-math.Pow(x/life.Scale, life.Shape)) }
	half := make([]float64, n)
	for i := range half {
		half[i] = f((float64(i) + 0.5) * step)
	}
	m, rises := make([]float64, n), make([]float64, n)
	last := 0.0
	for i := range m {
		sum := f(float64(i+1)*step) - half[0]*last
		for j := range i {
			sum += half[i-j] * rises[j]
		}
		m[i] = sum / (1 - half[0])
		rises[i], last = m[i]-last, m[i]
	}
	return m
}

// BlockReplacement is the interval at which renewing all at once, whatever their age, costs least: (cp + cf·M(T))/T with M the renewal
// function, up to three lives. False: none in that time costs less than running to failure.
func BlockReplacement(life trend.Weibull, planned, failure float64) (interval, rate float64, pays bool) {
	const steps, lives = 300, 3
	far := lives * life.Scale
	coarse, fine := Renewals(life, far, steps), Renewals(life, far, 2*steps)
	rate = failure / life.Mean()
	for i := range coarse {
		t := far * float64(i+1) / steps
		m := (4*fine[2*i+1] - coarse[i]) / 3 // Richardson
		if r := (planned + failure*m) / t; r < rate {
			interval, rate, pays = t, r, true
		}
	}
	return interval, rate, pays
}

// ReplaceAt is the best age for a part, with the interval in which it lies for all that is known of the life. Lives are in years, planned is
// what a planned replacement costs and failure what a failure in service does, both with the part.
func ReplaceAt(fit trend.WeibullFit, planned, failure fleet.Money) BestAge {
	cp, cf := planned.Amount(), failure.Amount()
	age, rate, pays := AgeReplacement(fit.Weibull, cp, cf)
	run := cf / fit.Mean()
	b := BestAge{PerYear: fleet.RoundMoney(rate), RunToFailure: fleet.RoundMoney(run)}
	if pays && b.PerYear < b.RunToFailure { // an age that saves less than a cent a year is none to keep to
		b.AgeYears = fleet.Known(age)
	}
	if run > 0 {
		b.Saves = 1 - rate/run
	}
	block, blockRate, blockPays := BlockReplacement(fit.Weibull, cp, cf)
	b.BlockPerYear = fleet.RoundMoney(blockRate)
	if blockPays {
		b.Block = fleet.Known(block)
	}
	var ages []float64
	for _, life := range plausible(fit) {
		at, _, any := AgeReplacement(life, cp, cf)
		if !any {
			at = math.Inf(1)
		}
		ages = append(ages, at)
	}
	slices.Sort(ages)
	if low := ages[len(ages)/10]; !math.IsInf(low, 1) {
		b.Low = fleet.Known(low)
	}
	if high := ages[len(ages)-1-len(ages)/10]; !math.IsInf(high, 1) {
		b.High = fleet.Known(high)
	}
	return b
}

// plausible are lives spread evenly over what a fit leaves open: normal in (ln shape, ln scale) with the fit's covariance, at points of an
// additive recurrence by the plastic number, which fill the square without chance (Roberts 2018, from memory).
func plausible(fit trend.WeibullFit) []trend.Weibull {
	const points, plastic = 201, 1.32471795724474602596
	sdK := math.Sqrt(max(0, fit.Covariance[0][0]))
	slope, sdL := 0.0, math.Sqrt(max(0, fit.Covariance[1][1]))
	if sdK > 0 {
		slope = fit.Covariance[0][1] / sdK
		sdL = math.Sqrt(max(0, fit.Covariance[1][1]-slope*slope))
	}
	lives := make([]trend.Weibull, points)
	for i := range lives {
		a := math.Mod(0.5+float64(i+1)/plastic, 1)
		b := math.Mod(0.5+float64(i+1)/(plastic*plastic), 1)
		x, y := distuv.UnitNormal.Quantile(a), distuv.UnitNormal.Quantile(b)
		lives[i] = trend.Weibull{Shape: fit.Shape * math.Exp(sdK*x), Scale: fit.Scale * math.Exp(slope*x+sdL*y)}
	}
	return lives
}
