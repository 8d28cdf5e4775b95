package trend

import "math"

// limit is T*, the air temperature at which a cold start is as likely to fail as not, with its slopes and the part that
// stems from the circuit alone.
func (m *model) limit(x *vector, restV float64) (tStar float64, h vector, perRestV float64, terms [limitTerms]float64) {
	raw, slope := m.circuit.limit(x[wear], x[demand], x[loop], restV)
	l := &m.p.Limit
	empty := max(0, fullRestV-restV)
	terms = [limitTerms]float64{raw - m.g.MeanLimitC, x[wear], x[demand], max(x[loop], -0.1), empty, x[dip]}
	coef := [limitTerms]float64{l.Beta, l.Wear, l.Demand, l.Loop, l.Empty, l.Dip}
	tStar = m.g.MeanLimitC + m.g.ShiftC
	for i, c := range coef {
		tStar += c * terms[i]
	}
	h[wear] = l.Beta*slope.r + l.Wear
	h[demand] = l.Beta*slope.d + l.Demand
	h[loop] = l.Beta*slope.c + l.Loop
	h[dip] = l.Dip
	perRestV = l.Beta * slope.restV
	if empty > 0 {
		perRestV -= l.Empty
	}
	return tStar, h, perRestV, terms
}

const limitTerms = 6

// limitVariance is the doubt about T* that comes from the doubt about the state.
func (b *belief) limitVariance(h vector, perRestV float64) float64 {
	v := perRestV * perRestV * b.restVar
	for i := range parts {
		for j := range parts {
			v += h[i] * b.p[i][j] * h[j]
		}
	}
	return max(v, 1e-6)
}

// learnFrom takes in how one cold start ended: fell tells whether it was worse than the threshold, which lies offset °C above T*.
// The state is shifted along what T* depends on so that mean and variance of the probit model are met (assumed-density
// filtering; Minka 2001). trust below 1 is the chance that a failure was one of cold at all.
func (m *model) learnFrom(b *belief, temperatureC, offset float64, fell bool, trust float64) {
	tStar, h, perRestV, _ := m.limit(&b.x, b.restV)
	variance := b.limitVariance(h, perRestV)
	sign := -1.0
	if fell {
		sign = 1
	}
	s := math.Sqrt(m.g.SpreadC*m.g.SpreadC + variance)
	k := sign * (tStar + offset - temperatureC) / s
	if !fell && k > 5 {
		return // a start that was sure to succeed teaches nothing
	}
	cdf := max(normalCDF(k), 1e-12)
	lambda := normalPDF(k) / cdf
	factor := lambda * (lambda + k)
	if fell {
		cdf = max(cdf, 1e-6)
		weight := trust * cdf / (cdf + 3*m.g.Chance)
		lambda *= weight
		factor *= weight
	}
	var ph vector
	for i := range parts {
		for j := range parts {
			ph[i] += b.p[i][j] * h[j]
		}
	}
	step := sign * lambda / s
	shrink := min(factor, 0.99) / (s * s)
	for i := range parts {
		b.x[i] += ph[i] * step
		for j := range parts {
			b.p[i][j] -= ph[i] * ph[j] * shrink
		}
	}
	b.hold()
}

func normalPDF(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
