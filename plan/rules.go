package plan

import (
	"math"

	"gonum.org/v1/gonum/mathext"

	"rimeyard/internal/fleet"
)

// DefaultRules are where a fleet that has learned nothing of its own begins.
//
//   - Cures, Minutes, LeastChance, TestNoise and KeptShare are choices: common practice, no source. Work on a part that lowers the season's
//     chance by less than two points is not worth opening a bonnet for.
//   - NewPartRisk: a battery that dies suddenly while new, Weibull with shape 2.2 and scale 12 years, in its first half year:
//     (0.5/12)^2.2 / 26 = 0.000035 a week. Shape and scale from memory.
//   - LifeYears of batteries 5.5 with shape 2.6, which is a mean of 4.9 years: trade surveys of 2010 gave 55 months (from memory).
//     Starters: common practice, no source.
func DefaultRules() Rules {
	return Rules{
		Cures:       map[fleet.Part]float64{fleet.BatteryPart: 0.95, fleet.StarterPart: 0.95, fleet.CablePart: 0.7, fleet.ChargingPart: 0.6},
		NewPartRisk: 0.000035,
		LifeYears:   map[fleet.Part]float64{fleet.BatteryPart: 5.5, fleet.StarterPart: 12},
		LifeShape:   2.6,
		LeastChance: 0.02,
		Minutes: map[fleet.Part]int{
			fleet.BatteryPart: 40, fleet.StarterPart: 90, fleet.CablePart: 25, fleet.ChargingPart: 20, fleet.ControlPart: 30,
		},
		SetUpMinutes: 20,
		TestMinutes:  10,
		TestNoise:    0.5,
		KeptShare:    0.9,
	}
}

const weeksPerYear = 365.25 / 7

// lives holds for each part what share of a life is left at each age.
type lives map[fleet.Part]life

// life is the mean remaining life of a part that has reached an age, as a share of a new one's mean life m, for T ~ Weibull(k, λ):
//
//	E[T − a | T > a] / m = Q(1/k, (a/λ)^k) / exp(−(a/λ)^k),   m = λ Γ(1 + 1/k)
//
// with Q the regularised upper incomplete gamma function; from ∫ₐ^∞ exp(−(t/λ)^k) dt by substitution. A part of unknown age is met at a
// random moment of its life and has (1 + cv²)/2 of it before it (Cox 1962, Renewal Theory, §5.4).
type life struct {
	byWeek    []float64 // at that many weeks of age, the last for all that are older
	unknown   float64
	meanYears float64
}

func livesBy(r Rules) lives {
	all := lives{}
	for part, scale := range r.LifeYears {
		all[part] = newLife(r.LifeShape, scale)
	}
	return all
}

// farTail of (a/λ)^k: none in a thousand million parts gets there, and the quotient still has all its digits.
const farTail = 20

func newLife(shape, scaleYears float64) life {
	g1, g2 := math.Gamma(1+1/shape), math.Gamma(1+2/shape)
	l := life{unknown: g2 / (2 * g1 * g1), meanYears: scaleYears * g1} // (1 + cv²)/2 = E[T²]/(2 E[T]²)
	for week := 0; ; week++ {
		x := math.Pow(float64(week)/weeksPerYear/scaleYears, shape)
		if x > farTail {
			return l
		}
		l.byWeek = append(l.byWeek, mathext.GammaIncRegComp(1/shape, x)*math.Exp(x))
	}
}

// left is the share of a life that a part of that age has before it.
func (l life) left(age fleet.Opt[float64], weeksOn int) float64 {
	years, known := age.Get()
	if !known {
		return l.unknown
	}
	week := int(math.Round(years*weeksPerYear)) + weeksOn
	return l.byWeek[min(max(0, week), len(l.byWeek)-1)]
}
