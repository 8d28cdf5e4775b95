package demofleet

import "math"

// Currents here are multiples of the battery's rated cold cranking current, volts those of one 12 V battery, so that
// one set of constants serves every size. The constants are fitted to two published facts, held in the tests: 7.2 V at
// the rated current at −18 °C, and cranking power of 65, 40 and 20–30 % at 0, −18 and −29 °C of that at 27 °C.
const (
	ohmicV          = 1.67  // ohmic loss at the rated current, 25 °C, new
	exchange        = 0.050 // exchange current at 25 °C, new
	limiting        = 6.0   // limiting current at 25 °C, new, full
	concentrationV  = 0.30  // scale of the loss by depletion of acid at the plates
	cells           = 6
	cellV           = 2.1
	gasConstant     = 8.314 // J/(mol K)
	faraday         = 96485 // C/mol
	ohmicEnergy     = 8.0e3
	exchangeEnergy  = 36.0e3
	diffusionEnergy = 26.0e3 // J/mol
	kelvin          = 273.15
)

// plates is the inner state of one battery.
type plates struct {
	corrosion float64 // growth of the grid's resistance: 0 new, 1 doubled
	mass      float64 // active mass that still takes part: 1 new
	charge    float64 // state of charge, 0 … 1
	shorted   bool    // one cell gone
}

// cold is a battery at one temperature: its voltage as a function of current.
type cold struct {
	emfV, ohmV, tafelV, x0, xLim float64
}

func (p plates) at(tC float64) cold {
	k := tC + kelvin
	inverse := 1/k - 1/(25+kelvin)
	arrhenius := func(energy float64) float64 { return math.Exp(-energy / gasConstant * inverse) }
	return cold{
		emfV:   p.openV(tC),
		ohmV:   ohmicV * (1 + p.corrosion) * (1 + 0.3*(1-p.charge)) / (arrhenius(ohmicEnergy) * math.Pow(p.mass, 0.25)),
		tafelV: cells * 2 * gasConstant * k / faraday,
		x0:     2 * exchange * p.mass * arrhenius(exchangeEnergy),
		xLim:   limiting * p.mass * (0.03 + 0.97*p.charge) * arrhenius(diffusionEnergy),
	}
}

// openV is the voltage of a rested battery: rising with the density of the acid, a little with temperature.
func (p plates) openV(tC float64) float64 {
	v := 11.87 + 0.72*p.charge + 0.10*p.charge*p.charge + 0.0012*(tC-25)
	if p.shorted {
		v -= cellV
	}
	return v
}

// v is the terminal voltage at current x: E − ohmic − asinh activation − concentration.
func (c cold) v(x float64) float64 {
	return c.emfV - c.ohmV*x - c.tafelV*math.Asinh(x/c.x0) + concentrationV*math.Log1p(-x/c.xLim)
}

// slope is −dv/dx, always positive.
func (c cold) slope(x float64) float64 {
	return c.ohmV + c.tafelV/math.Hypot(x, c.x0) + concentrationV/(c.xLim-x)
}

// bank is one battery, or two in series or in parallel, at one temperature; its voltage is per 12 V.
type bank struct {
	a, b     cold
	two      bool
	parallel bool
}

// nearLimit keeps a current just inside the plates' limit; there the voltage gives way to whatever it is held against.
const nearLimit = 1 - 1e-5

// most is the largest current that the bank's plates let through.
func (k bank) most() float64 {
	switch {
	case !k.two:
		return nearLimit * k.a.xLim
	case k.parallel:
		return nearLimit * (k.a.xLim + k.b.xLim) / 2
	default:
		return nearLimit * math.Min(k.a.xLim, k.b.xLim)
	}
}

// v is the bank's voltage per 12 V when the mean current per string is x. In parallel the batteries share the current
// so that their voltages agree: Newton steps from the even share, halving where a step leaves the bracket.
func (k bank) v(x float64) float64 {
	if !k.two {
		return k.a.v(x)
	}
	if !k.parallel {
		return (k.a.v(x) + k.b.v(x)) / 2
	}
	low, high := 2*x-nearLimit*k.b.xLim, nearLimit*k.a.xLim // within these neither is beyond its limit
	xa := math.Max(low, math.Min(high, x))
	for range 60 {
		gap := k.a.v(xa) - k.b.v(2*x-xa) // falls as xa rises
		if gap > 0 {
			low = xa
		} else {
			high = xa
		}
		next := xa + gap/(k.a.slope(xa)+k.b.slope(2*x-xa))
		if next <= low || next >= high {
			next = (low + high) / 2
		}
		if math.Abs(next-xa) < 1e-9 || math.Abs(gap) < 1e-6 {
			break
		}
		xa = next
	}
	return math.Min(k.a.v(xa), k.b.v(2*x-xa)) // equal, unless one is at its limit
}
