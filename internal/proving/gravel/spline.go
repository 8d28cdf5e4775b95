package gravel

// spline is a monotone cubic through points (Fritsch & Carlson 1980), straight beyond its ends.
type spline struct{ x, y, slope []float64 }

// newSpline takes points of rising x: x, y, x, y, …
func newSpline(points ...float64) spline {
	n := len(points) / 2
	s := spline{make([]float64, n), make([]float64, n), make([]float64, n)}
	secant := make([]float64, n-1)
	for i := range n {
		s.x[i], s.y[i] = points[2*i], points[2*i+1]
		if i > 0 {
			secant[i-1] = (s.y[i] - s.y[i-1]) / (s.x[i] - s.x[i-1])
		}
	}
	s.slope[0], s.slope[n-1] = secant[0], secant[n-2]
	for i := 1; i < n-1; i++ {
		if a, b := secant[i-1], secant[i]; a*b > 0 {
			s.slope[i] = 2 * a * b / (a + b) // harmonic: never overshoots
		}
	}
	return s
}

func (s *spline) at(x float64) float64 {
	n := len(s.x)
	if x <= s.x[0] {
		return s.y[0] + s.slope[0]*(x-s.x[0])
	}
	if x >= s.x[n-1] {
		return s.y[n-1] + s.slope[n-1]*(x-s.x[n-1])
	}
	i := 0
	for x > s.x[i+1] {
		i++
	}
	h := s.x[i+1] - s.x[i]
	t := (x - s.x[i]) / h
	u := 1 - t
	return u*u*(1+2*t)*s.y[i] + t*t*(3-2*t)*s.y[i+1] + h*t*u*(u*s.slope[i]-t*s.slope[i+1])
}
