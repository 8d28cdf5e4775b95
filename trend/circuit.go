package trend

import (
	"math"

	"rimeyard/internal/fleet"
)

// The circuit, per 12 V battery and in units of its rating: resistance in R0 = 2.5 V / CCA, current in CCA.
//
//	sag   = k·f·exp(r+d)·h(T)·exp(a(25−T))·g(s)·exp(q(T))      volts lost inside the battery
//	cable = k·f·exp(d)·h(T)·κ0                                 volts lost on the way to the starter
//	U(T)  = rest − sag − cable − Vq                        volts to spare; the start fails below 0
//
// R0: the rating current leaves 7.2 V at −18 °C (SAE J537), which with 12.7 V behind it is 5.5 V/CCA, and 2.5 V/CCA at 25 °C.
const (
	ratedDropV    = 2.5   // k
	perDegree     = 0.018 // a, growth of resistance in the cold, per °C: power falls to 62, 45 and 37 % at 0, −18 and −29 °C (q corrects it)
	cableShare    = 0.17  // κ0, healthy cables, in R0
	chargeOnOhms  = 0.6   // ln g = 0.6(1−s): a flat battery resists more (from memory)
	emptyRestV    = 11.85 // rest volts at s = 0
	restSpanV     = 0.85  // rest volts from s = 0 to s = 1
	fullRestV     = emptyRestV + restSpanV
	assumedRestV  = 12.50 // where no rest volts are known
	petrolDemand  = 0.26  // f at 25 °C, share of the rating (from memory; learned)
	dieselDemand  = 0.30
	petrolQuitV   = 7.5 // Vq
	dieselQuitV   = 7.8
	batteryWarmer = 1.0 // °C that a battery lags behind the dawn air
)

// viscosity is a 15W-40 engine oil's, mm²/s, by Vogel's equation through 108 at 40 °C and 14.4 at 100 °C (from memory).
func viscosity(c float64) float64 { return math.Exp(-2.89 + 1252/(max(c, -95)+125.4)) }

// oilDemand is h(T), the engine's resistance to being turned against that at 25 °C: part of it does not depend on the oil, the rest
// goes with the cube root of its viscosity. It gives 2.2 at −18 °C and 3.0 at −27 °C, near the printed 2 to 2.5 and 3.
func oilDemand(c float64) float64 { return 0.4 + 0.6*math.Cbrt(viscosity(c)/viscosity(25)) }

// charge is s, 0 … 1, of a rested battery.
func charge(restV float64) float64 { return min(1, max(0, (restV-emptyRestV)/restSpanV)) }

func demandOf(f fleet.Fuel) (demand, quitV float64) {
	if f == fleet.Diesel {
		return dieselDemand, dieselQuitV
	}
	return petrolDemand, petrolQuitV
}

const (
	coldestGridC = -90.0
	gridStepC    = 0.5
	gridPoints   = 271 // to +45 °C
)

// circuit holds a group's curves on a grid, so that a cold limit costs a binary search.
type circuit struct {
	battery, cable [gridPoints]float64 // exp of all of sag and cable that depends on T
	logF           float64
	quitV          float64
}

// oilGrid is ln of oilDemand on the grid, which goes on to the warmth of a block heater.
var oilGrid = func() (logH [gridPoints + heaterSteps]float64) {
	for i := range logH {
		logH[i] = math.Log(oilDemand(coldestGridC + gridStepC*float64(i)))
	}
	return logH
}()

const (
	heaterC     = 20.0 // what a block heater warms the oil by (from memory)
	heaterSteps = int(heaterC / gridStepC)
)

// newCircuit tabulates the curves. The battery's curve is forced to fall with warmth, whatever q was learned, so that colder is never
// easier.
func newCircuit(logF, quitV, oilOffsetC float64, q curve) *circuit {
	c := &circuit{logF: logF, quitV: quitV}
	const leastFall = 0.004 // per °C
	warmer := min(max(int(math.Round(oilOffsetC/gridStepC)), 0), heaterSteps)
	a := math.Inf(-1)
	for i := gridPoints - 1; i >= 0; i-- {
		t := coldestGridC + gridStepC*float64(i)
		logH := oilGrid[i+warmer]
		c.cable[i] = math.Exp(logH)
		a = max(logH+perDegree*(25-t-batteryWarmer)+q.at(t), a+leastFall*gridStepC)
		c.battery[i] = math.Exp(a)
	}
	return c
}

// spare is U on the grid for a state; what rest volts do to the resistance comes with it.
type spare struct {
	v0, a, b float64 // U = v0 − a·battery − b·cable
	lnGPerV  float64
}

func (c *circuit) spare(r, d, restV float64) spare {
	s := charge(restV)
	flow := ratedDropV * math.Exp(min(c.logF+d, 3))
	out := spare{
		v0: restV - c.quitV, a: flow * math.Exp(min(r, 3)+chargeOnOhms*(1-s)),
		b: flow * cableShare,
	}
	if s > 0 && s < 1 {
		out.lnGPerV = chargeOnOhms / restSpanV
	}
	return out
}

// limit is the temperature at which U is 0, held within the grid, and its slopes: dT/dx = −U_x/U_T. steep makes the volts lost inside
// the battery grow with coldness.
func (c *circuit) limit(r, d, steep, restV float64) (t float64, slope gradient) {
	s := c.spare(r, d, restV)
	inside := func(i int) float64 {
		if steep == 0 {
			return s.a * c.battery[i]
		}
		return s.a * c.battery[i] * math.Exp(steep*coldness(coldestGridC+gridStepC*float64(i)))
	}
	at := func(i int) float64 { return s.v0 - inside(i) - s.b*c.cable[i] }
	lo, hi := 0, gridPoints-1
	switch {
	case at(lo) >= 0:
		hi = 1
	case at(hi) <= 0:
		lo = hi - 1
	default:
		for hi-lo > 1 {
			if mid := (lo + hi) / 2; at(mid) < 0 {
				lo = mid
			} else {
				hi = mid
			}
		}
	}
	u0, u1 := at(lo), at(hi)
	w := min(1, max(0, -u0/(u1-u0)))
	t = coldestGridC + gridStepC*(float64(lo)+w)
	perC := max(u1-u0, 1e-6) / gridStepC
	battery := inside(lo)*(1-w) + inside(hi)*w
	wires := s.b * (c.cable[lo]*(1-w) + c.cable[hi]*w)
	return t, gradient{r: battery / perC, d: (battery + wires) / perC, steep: battery * coldness(t) / perC, restV: -(1 + battery*s.lnGPerV) / perC}
}

// gradient is °C of cold limit per unit of each part of the state.
type gradient struct{ r, d, steep, restV float64 }

// curve is a learned correction q(T) = a·x + b·x², x = (T−5)/10, continued along its tangent outside the temperatures seen.
type curve struct {
	A, B     float64
	From, To float64 // °C
}

func (q curve) at(t float64) float64 {
	inside := min(max(t, q.From), q.To)
	x := (inside - 5) / 10
	return q.A*x + q.B*x*x + (t-inside)/10*(q.A+2*q.B*x)
}
