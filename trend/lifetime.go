package trend

import (
	"cmp"
	"errors"
	"math"
	"slices"
)

// Life is one battery's time under observation. Entry is its age when records of it begin (left truncation: those that died
// younger were never seen), Exit its age when it failed or was last seen; any unit of time.
type Life struct {
	Entry, Exit float64
	Failed      bool // else censored: still fitted, or removed for another reason
}

// Weibull is a lifetime: S(t) = exp(−(t/Scale)^Shape).
type Weibull struct{ Shape, Scale float64 }

// WeibullFit is a fit with the covariance of (ln Shape, ln Scale).
type WeibullFit struct {
	Weibull
	LogLik     float64
	Covariance [2][2]float64
}

// WeibullPrior are normal priors on ln Shape and ln Scale; zero spreads mean none.
type WeibullPrior struct{ LogShape, LogShapeSD, LogScale, LogScaleSD float64 }

// ErrNoFailures says that a lifetime cannot be fitted to lives of which none ended by failure, unless there is a prior.
var ErrNoFailures = errors.New("no failure among the lives: nothing says how long they last")

// FitWeibull maximises
//
//	Σ failed [ln(k/λ) + (k−1)·ln(t/λ)] − Σ [(t/λ)^k − (e/λ)^k]
//
// plus the priors, by Newton's method in (ln k, ln λ). Lives whose exit is not after their entry are left out. Source of the
// truncated likelihood: Hong, Meeker and McCalley, Annals of Applied Statistics 3 (2009) 857–879.
func FitWeibull(lives []Life, prior WeibullPrior) (WeibullFit, error) {
	lives = slices.DeleteFunc(slices.Clone(lives), func(l Life) bool { return !(l.Exit > max(0, l.Entry)) })
	slices.SortFunc(lives, func(a, b Life) int {
		return cmp.Or(cmp.Compare(a.Exit, b.Exit), cmp.Compare(a.Entry, b.Entry), cmp.Compare(truth(a.Failed), truth(b.Failed)))
	})
	failed, sum := 0.0, 0.0
	for _, l := range lives {
		sum += l.Exit
		failed += float64(truth(l.Failed))
	}
	if failed == 0 && (prior.LogShapeSD <= 0 || prior.LogScaleSD <= 0) {
		return WeibullFit{}, ErrNoFailures
	}
	at := [2]float64{0, math.Log(max(sum, 1) / max(failed, 1))}
	if prior.LogScaleSD > 0 && prior.LogShapeSD > 0 {
		at = [2]float64{prior.LogShape, prior.LogScale}
	}
	now := weibullAt(lives, prior, at)
	const mostSteps = 200
	for range mostSteps {
		step, ok := now.newton()
		if !ok {
			break
		}
		scale := 1.0
		var next weibullPoint
		for scale > 1e-12 {
			next = weibullAt(lives, prior, [2]float64{at[0] + scale*step[0], at[1] + scale*step[1]})
			if next.value >= now.value {
				break
			}
			scale /= 2
		}
		if next.value < now.value {
			break
		}
		moved := math.Abs(scale*step[0]) + math.Abs(scale*step[1])
		at, now = [2]float64{at[0] + scale*step[0], at[1] + scale*step[1]}, next
		if moved < 1e-12 {
			break
		}
	}
	det := now.h[0][0]*now.h[1][1] - now.h[0][1]*now.h[0][1]
	return WeibullFit{
		Weibull: Weibull{math.Exp(at[0]), math.Exp(at[1])}, LogLik: now.value,
		Covariance: [2][2]float64{{-now.h[1][1] / det, now.h[0][1] / det}, {now.h[0][1] / det, -now.h[0][0] / det}},
	}, nil
}

// weibullPoint is the objective with gradient and Hessian in (ln k, ln λ).
type weibullPoint struct {
	value float64
	g     [2]float64
	h     [2][2]float64
}

func weibullAt(lives []Life, prior WeibullPrior, at [2]float64) weibullPoint {
	k, b := math.Exp(at[0]), at[1]
	var p weibullPoint
	var d, sumLog, u, uz, uzz float64
	add := func(t, sign float64) {
		if t <= 0 {
			return
		}
		z := math.Log(t) - b
		v := sign * math.Exp(k*z)
		u, uz, uzz = u+v, uz+v*z, uzz+v*z*z
	}
	for _, l := range lives {
		add(l.Exit, 1)
		add(l.Entry, -1)
		if l.Failed {
			d++
			sumLog += math.Log(l.Exit)
		}
	}
	p.value = d*at[0] + (k-1)*sumLog - d*k*b - u
	byK := d/k + sumLog - d*b - uz
	p.g = [2]float64{k * byK, -d*k + k*u}
	p.h[0][0] = k*byK - d - k*k*uzz
	p.h[0][1] = k * (-d + u + k*uz)
	p.h[1][1] = -k * k * u
	for i, pr := range [2][2]float64{{prior.LogShape, prior.LogShapeSD}, {prior.LogScale, prior.LogScaleSD}} {
		if pr[1] > 0 {
			off := (at[i] - pr[0]) / (pr[1] * pr[1])
			p.value -= off * (at[i] - pr[0]) / 2
			p.g[i] -= off
			p.h[i][i] -= 1 / (pr[1] * pr[1])
		}
	}
	p.h[1][0] = p.h[0][1]
	return p
}

// newton is −H⁻¹g where that climbs, else a short step uphill.
func (p weibullPoint) newton() ([2]float64, bool) {
	size := math.Hypot(p.g[0], p.g[1])
	if size == 0 || math.IsNaN(size) {
		return [2]float64{}, false
	}
	det := p.h[0][0]*p.h[1][1] - p.h[0][1]*p.h[0][1]
	if p.h[0][0] < 0 && det > 0 {
		s := [2]float64{-(p.h[1][1]*p.g[0] - p.h[0][1]*p.g[1]) / det, -(p.h[0][0]*p.g[1] - p.h[0][1]*p.g[0]) / det}
		if far := math.Hypot(s[0], s[1]); far > 1 {
			s[0], s[1] = s[0]/far, s[1]/far
		}
		return s, true
	}
	return [2]float64{0.3 * p.g[0] / size, 0.3 * p.g[1] / size}, true
}

// Mean is the expected life.
func (w Weibull) Mean() float64 { return w.Scale * math.Gamma(1+1/w.Shape) }

// Survival is the share that lives past t.
func (w Weibull) Survival(t float64) float64 { return math.Exp(-math.Pow(max(t, 0)/w.Scale, w.Shape)) }

// SurvivalStep is one fall of a survival curve.
type SurvivalStep struct {
	Time     float64
	AtRisk   int
	Events   int
	Survival float64 // just after Time
}

// KaplanMeier is the product-limit survival curve with delayed entry: a life is at risk at t if Entry < t ≤ Exit.
// Source: Kaplan and Meier, JASA 53 (1958); Klein and Moeschberger, Survival Analysis, 4.6, for delayed entry.
func KaplanMeier(lives []Life) []SurvivalStep {
	var entries, exits []float64
	events := map[float64]int{}
	for _, l := range lives {
		if l.Exit > l.Entry {
			entries, exits = append(entries, l.Entry), append(exits, l.Exit)
			events[l.Exit] += truth(l.Failed)
		}
	}
	slices.Sort(entries)
	slices.Sort(exits)
	var steps []SurvivalStep
	survival, entered, left := 1.0, 0, 0
	for i, t := range exits {
		if i > 0 && exits[i-1] == t {
			continue
		}
		for entered < len(entries) && entries[entered] < t {
			entered++
		}
		for left < len(exits) && exits[left] < t {
			left++
		}
		if d := events[t]; d > 0 {
			atRisk := entered - left
			survival *= 1 - float64(d)/float64(atRisk)
			steps = append(steps, SurvivalStep{t, atRisk, d, survival})
		}
	}
	return steps
}
