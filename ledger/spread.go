package ledger

import (
	"math"

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// outcome is one of the ways in which a risk can end, at a cost in minor units; a risk's outcomes exclude each other, and what is left of
// its chance costs nothing.
type outcome struct{ p, cost float64 }

// cumulants of a cost, in minor units: those of independent costs add.
type cumulants struct{ mean, variance, third, failed float64 }

func (c *cumulants) add(o cumulants) {
	c.mean, c.variance, c.third, c.failed = c.mean+o.mean, c.variance+o.variance, c.third+o.third, c.failed+o.failed
}

// moments are the raw moments of one risk's cost, which add over outcomes that exclude each other.
type moments struct{ first, second, third, p float64 }

func (m *moments) add(p float64, of moments) {
	m.first, m.second, m.third, m.p = m.first+p*of.first, m.second+p*of.second, m.third+p*of.third, m.p+p
}

func (m moments) cumulants() cumulants {
	return cumulants{m.first, m.second - m.first*m.first, m.third - 3*m.second*m.first + 2*m.first*m.first*m.first, m.p}
}

// distribution of a sum of costs.
type distribution interface {
	// upTo is the chance that the sum is not above x.
	upTo(x float64) float64
}

// shifted is the translated gamma distribution with a sum's mean, variance and skewness, for sums of many risks (Bowers, Gerber, Hickman,
// Jones and Nesbitt, Actuarial Mathematics, §12.5, from memory). Without skewness it is the normal distribution.
type shifted struct{ mean, sd, skew float64 }

func (c cumulants) shifted() shifted {
	if c.variance <= 0 {
		return shifted{mean: c.mean}
	}
	return shifted{c.mean, math.Sqrt(c.variance), c.third / (c.variance * math.Sqrt(c.variance))}
}

func (s shifted) upTo(x float64) float64 {
	if s.sd == 0 {
		if x >= s.mean {
			return 1
		}
		return 0
	}
	z := (x - s.mean) / s.sd
	if s.skew < 0 {
		return 1 - standardGamma(-z, -s.skew)
	}
	return standardGamma(z, s.skew)
}

// standardGamma is the chance that a gamma variable, moved and scaled to mean 0 and variance 1, is not above z. For large shapes it is by
// the cube root of Wilson and Hilferty (1931), which there is good to a ten-thousandth.
func standardGamma(z, skew float64) float64 {
	const nearNormal, large = 1e-4, 100
	if skew < nearNormal {
		return distuv.UnitNormal.CDF(z)
	}
	shape := 4 / (skew * skew)
	y := shape + z*math.Sqrt(shape)
	if y <= 0 {
		return 0
	}
	if shape > large {
		return distuv.UnitNormal.CDF((math.Cbrt(y/shape) - 1 + 1/(9*shape)) * 3 * math.Sqrt(shape))
	}
	return mathext.GammaIncReg(shape, y)
}

// grid is the distribution of a sum of few or unlikely risks on equal steps of money, from 0 on; what lies beyond the last step is left
// out. A cost between two steps is shared between them so that its mean stays (Gerber 1982).
type grid struct {
	step  float64
	mass  []float64 // from which upTo is summed by settle
	log   []float64 // of the generating function, coefficient by power: of the risks taken together by expand
	each  []outcome // of the risks taken one by one
	ends  []int     // of each risk in each
	rises []int     // powers whose coefficient is not 0
	cells []cell
}

func newGrid(step float64, steps int) *grid {
	return &grid{step: step, mass: make([]float64, steps+1), log: make([]float64, steps+1)}
}

// one keeps a risk for exact convolution.
func (g *grid) one(risk []outcome) {
	g.each = append(g.each, risk...)
	g.ends = append(g.ends, len(g.each))
}

// expand adds a risk by the first two terms of the logarithm of its generating function (Kornya 1983):
//
//	ln(1 + q(h − 1)) ≈ q(h − 1) − q²(h − 1)²/2
//
// so that the sum's mean and variance are exact. What is left out is about (2q)³/3, so it is for small q.
func (g *grid) expand(risk []outcome) {
	q := 0.0
	for _, o := range risk {
		q += o.p
	}
	g.log[0] -= q + q*q/2
	for i, o := range risk {
		g.put(o.cost, o.p*(1+q))
		g.put(2*o.cost, -o.p*o.p/2)
		for _, other := range risk[:i] {
			g.put(o.cost+other.cost, -o.p*other.p)
		}
	}
}

func (g *grid) put(cost, coefficient float64) {
	at := cost / g.step
	i := int(at)
	over := at - float64(i)
	if i < len(g.log) {
		g.log[i] += coefficient * (1 - over)
	}
	if over > 0 && i+1 < len(g.log) {
		g.log[i+1] += coefficient * over
	}
}

// settle works the distribution out: first by the recursion i·f(i) = Σ j·log(j)·f(i−j), which for risks taken together is that of Panjer
// (1981) and De Pril (1989), then by convolution with each of the others.
func (g *grid) settle() {
	g.recur()
	from := 0
	for _, end := range g.ends {
		g.convolve(g.each[from:end])
		from = end
	}
	sum, highest := 0.0, 0.0
	for i, m := range g.mass {
		sum += m
		highest = max(highest, min(1, sum)) // signed terms may leave a mass of −1e−5
		g.mass[i] = highest
	}
}

func (g *grid) recur() {
	g.rises = g.rises[:0]
	for j, c := range g.log {
		if j > 0 && c != 0 {
			g.rises = append(g.rises, j)
		}
	}
	clear(g.mass)
	g.mass[0] = math.Exp(g.log[0])
	if len(g.rises) == 0 {
		return
	}
	for i := 1; i < len(g.mass); i++ {
		sum := 0.0
		for _, j := range g.rises {
			if j > i {
				break
			}
			sum += float64(j) * g.log[j] * g.mass[i-j]
		}
		g.mass[i] = sum / float64(i)
	}
}

func (g *grid) convolve(risk []outcome) {
	g.cells = g.cells[:0]
	rest := 1.0
	for _, o := range risk {
		rest -= o.p
		at := o.cost / g.step
		i := int(at)
		over := at - float64(i)
		g.cells = append(g.cells, cell{i, o.p * (1 - over)})
		if over > 0 {
			g.cells = append(g.cells, cell{i + 1, o.p * over})
		}
	}
	for x := len(g.mass) - 1; x >= 0; x-- {
		sum := rest * g.mass[x] // a cost of no step at all reads this mass before it is written
		for _, c := range g.cells {
			if c.at <= x {
				sum += c.p * g.mass[x-c.at]
			}
		}
		g.mass[x] = sum
	}
}

// cell is a step of a grid, and the chance of it.
type cell struct {
	at int
	p  float64
}

// upTo holds after settle.
func (g *grid) upTo(x float64) float64 {
	i := int(math.Floor(x/g.step + 1e-9))
	if i < 0 {
		return 0
	}
	return g.mass[min(i, len(g.mass)-1)]
}

// mixture is a sum whose distribution depends on which of equally likely winters comes.
type mixture []distribution

func (m mixture) upTo(x float64) float64 {
	sum := 0.0
	for _, d := range m {
		sum += d.upTo(x)
	}
	return sum / float64(len(m))
}

// quantile is the least of the amounts from, from + step … that is not exceeded with chance p, up to most; p is met to 1e−9.
func (m mixture) quantile(p, from, step, most float64) float64 {
	low, high := -1, int(math.Ceil((most-from)/step)) // the answer lies above low, not above high
	for high-low > 1 {
		middle := low + (high-low)/2
		if m.upTo(from+float64(middle)*step) >= p-1e-9 {
			high = middle
		} else {
			low = middle
		}
	}
	return from + float64(max(0, high))*step
}

// commonStep is the largest step that divides all costs, in minor units.
func commonStep(costs []float64) float64 {
	a := int64(0)
	for _, c := range costs {
		for b := int64(c); b != 0; {
			a, b = b, a%b
		}
	}
	return float64(max(1, a))
}

// quantileOf is the quantile of sorted values between the order statistics, by their places 0 … 1 (type 7 of Hyndman and Fan 1996).
func quantileOf(sorted []float64, p float64) float64 {
	at := p * float64(len(sorted)-1)
	i := min(int(at), len(sorted)-1)
	return sorted[i] + (at-float64(i))*(sorted[min(i+1, len(sorted)-1)]-sorted[i])
}
