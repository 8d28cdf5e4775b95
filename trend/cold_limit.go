package trend

import "math"

// signState says which part of the state a sign is, its scale, and the channel whose share of wear comes with it (kCCA: none).
var signState = [...]struct {
	sign, part int
	scale      float64
	channel    kind
}{
	{signWear, wear, 2, kCCA},
	{signDrift, drift, 100, kCCA},
	{signDemand, demand, 4, kSag},
	{signSteep, steepness, 10, kCCA},
	{signDip, dip, 2, kLow},
	{signDelay, delay, 2, kSeconds},
	{signDelayCold, delayCold, 5, kCCA},
	{signPace, pace, 4, kSpeed},
	{signAmps, amps, 4, kCurrent},
}

// circuitLimit is what the circuit alone makes of a state, with its slopes.
func (m *model) circuitLimit(x *vector, restV float64) (float64, gradient) {
	return m.circuit.limit(m.p.OnWear[kSag]*x[wear], x[demand], x[steepness], restV)
}

// limit is T*, the air temperature at which a cold start is as likely to fail as not, with its slopes.
func (m *model) limit(b *belief) (tStar float64, h vector, perRestV float64) {
	f := &m.p.Foresight
	raw, slope := m.circuitLimit(&b.x, b.restV)
	s := m.signsOf(b, raw)
	tStar = f.Group[m.t.Group]
	for i, x := range s {
		tStar += f.Level[i] * x
	}
	h, perRestV = m.limitSlopes(b, slope)
	return tStar, h, perRestV
}

// limitSlopes is what a step in the state does to T*.
func (m *model) limitSlopes(b *belief, slope gradient) (h vector, perRestV float64) {
	f := &m.p.Foresight
	byRaw := f.Level[signLimit] / 10
	h[wear], h[demand], h[steepness] = byRaw*slope.r*m.p.OnWear[kSag], byRaw*slope.d, byRaw*slope.steep
	perRestV = byRaw * slope.restV
	for _, s := range signState {
		h[s.part] += f.Level[s.sign] * s.scale
		h[wear] += f.Level[s.sign] * s.scale * m.p.OnWear[s.channel]
	}
	if b.x[wear] > wearKnee {
		h[wear] += f.Level[signWearExcess] * 2
	}
	if b.x[wear] < 0 {
		h[wear] -= f.Level[signWearLow] * 2
	}
	if b.x[drift] > m.vPop+driftKnee {
		h[drift] += f.Level[signDriftHigh] * 100
	}
	if m.whole(b, delay, kSeconds) > delayKnee {
		h[delay] += f.Level[signDelayHigh] * 2
		h[wear] += f.Level[signDelayHigh] * 2 * m.p.OnWear[kSeconds]
	}
	if b.restV < fullRestV-0.15 {
		perRestV -= 5 * f.Level[signEmpty]
	}
	return h, perRestV
}

// limitVariance is the doubt about T* that comes from the doubt about the state.
func (b *belief) limitVariance(h *vector, perRestV float64) float64 {
	return max(perRestV*perRestV*b.restVar+b.along(h), 1e-6)
}

// learnFrom takes in how one cold start ended: fell tells whether it was worse than the threshold, which lies offset °C above T*.
// The state is shifted along what T* depends on so that mean and variance of the probit model are met (assumed-density
// filtering; Minka 2001). trust below 1 is the chance that a failure was one of cold at all.
func (m *model) learnFrom(b *belief, temperatureC, offset float64, fell bool, trust float64) {
	tStar, h, perRestV := m.limit(b)
	variance := b.limitVariance(&h, perRestV)
	sign := -1.0
	if fell {
		sign = 1
	}
	f := &m.p.Foresight
	s := math.Sqrt(f.NightSDC*f.NightSDC + f.StartSDC*f.StartSDC + variance)
	k := sign * (tStar + offset - temperatureC) / s
	if !fell && k > 4 {
		return // a start that was sure to succeed teaches nothing
	}
	cdf := max(normalCDF(k), 1e-12)
	lambda := normalPDF(k) / cdf
	factor := lambda * (lambda + k)
	if fell {
		cdf = max(cdf, 1e-6)
		weight := trust * cdf / (cdf + 3*strayFailure)
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

// strayFailure is the chance of a failed start that no cold explains (from memory).
const strayFailure = 2e-4

func normalPDF(z float64) float64 { return math.Exp(-z*z/2) / math.Sqrt(2*math.Pi) }

func normalCDF(z float64) float64 { return 0.5 * math.Erfc(-z/math.Sqrt2) }
