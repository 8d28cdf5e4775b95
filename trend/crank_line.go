package trend

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// CrankPoint is one crank: air temperature and cranking volts.
type CrankPoint struct{ TemperatureC, V float64 }

// CrankLine is cranking volts against temperature, V = AtZeroV + PerC·T, with standard errors.
type CrankLine struct {
	AtZeroV, PerC    float64
	AtZeroSE, PerCSE float64
	Covariance       float64 // of the two coefficients
	ScaleV           float64 // robust spread of one crank about the line
	N                int
	FromC, ToC       float64 // temperatures seen
}

// ErrTooFewCranks says that a line needs three cranks at two temperatures or more.
var ErrTooFewCranks = errors.New("a line through cranks needs at least three, at two temperatures or more")

// FitCrankLine is Huber's regression: residuals beyond 1.345 times the spread count by their distance, not its square, so
// that a few neighbours' readings or Fahrenheit rows do not turn the line. Cranks that are not finite numbers are left out.
// Source: Huber, Annals of Mathematical Statistics 35 (1964); spread by the median of absolute residuals / 0.6745, anew in each step.
func FitCrankLine(points []CrankPoint) (CrankLine, error) {
	points = slices.DeleteFunc(slices.Clone(points), func(p CrankPoint) bool {
		return math.IsNaN(p.V+p.TemperatureC) || math.IsInf(p.V+p.TemperatureC, 0)
	})
	slices.SortFunc(points, func(a, b CrankPoint) int {
		if a.TemperatureC != b.TemperatureC {
			return cmpFloat(a.TemperatureC, b.TemperatureC)
		}
		return cmpFloat(a.V, b.V)
	})
	n := len(points)
	const narrowestC = 0.1 // thermometers tell no less apart
	if n < 3 || points[n-1].TemperatureC-points[0].TemperatureC < narrowestC {
		return CrankLine{}, ErrTooFewCranks
	}
	x, y := mat.NewDense(n, 2, nil), make([]float64, n)
	middle := 0.0
	for _, p := range points {
		middle += p.TemperatureC / float64(n)
	}
	for i, p := range points {
		x.SetRow(i, []float64{1, p.TemperatureC - middle})
		y[i] = p.V
	}
	fit, err := huber(x, y)
	if err != nil {
		return CrankLine{}, err
	}
	// Back from the centred line: a = a' − m·b.
	vaa, vab, vbb := fit.covariance.At(0, 0), fit.covariance.At(0, 1), fit.covariance.At(1, 1)
	return CrankLine{
		AtZeroV: fit.coef[0] - middle*fit.coef[1], PerC: fit.coef[1],
		AtZeroSE: math.Sqrt(max(0, vaa-2*middle*vab+middle*middle*vbb)), PerCSE: math.Sqrt(vbb),
		Covariance: vab - middle*vbb, ScaleV: fit.scale, N: n,
		FromC: points[0].TemperatureC, ToC: points[n-1].TemperatureC,
	}, nil
}

// At is the line's volts at a temperature, and the standard error of that mean.
func (l CrankLine) At(temperatureC float64) (v, se float64) {
	variance := l.AtZeroSE*l.AtZeroSE + 2*temperatureC*l.Covariance + temperatureC*temperatureC*l.PerCSE*l.PerCSE
	return l.AtZeroV + l.PerC*temperatureC, math.Sqrt(max(0, variance))
}

func cmpFloat(a, b float64) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}
