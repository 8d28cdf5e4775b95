package demofleet

import "math"

// oil is a lubricant by its two kinematic viscosities, from which the Walther equation (as in ASTM D341) gives all others.
type oil struct{ at40, at100 float64 } // mm²/s

// viscosity in mm²/s: log₁₀log₁₀(ν + 0.7) = A − B·log₁₀(T).
func (o oil) viscosity(tC float64) float64 {
	double := func(v float64) float64 { return math.Log10(math.Log10(v + 0.7)) }
	const t40, t100 = 40 + kelvin, 100 + kelvin
	b := (double(o.at40) - double(o.at100)) / math.Log10(t100/t40)
	return math.Pow(10, math.Pow(10, double(o.at40)+b*math.Log10(t40/(tC+kelvin)))) - 0.7
}

var (
	thickOil = oil{108, 14.4} // a 15W-40; figures from memory
	thinOil  = oil{65, 11}    // a 5W-30; figures from memory
)

// engine is what the starter has to turn, as multiples of its nominal state: warm workshop, 25 °C, everything new.
type engine struct {
	nominal   float64 // current at 25 °C, as a multiple of the rated cold cranking current
	dry       float64 // share of the drag that does not depend on the oil; the rest goes as √(viscosity·speed)
	motorV    float64 // loss in the windings at the rated current
	cableV    float64 // loss in the cables at the rated current
	brushV    float64 // contact loss at the brushes
	nominalRM float64 // rpm at 25 °C
	needRM    float64 // rpm needed to fire, above 0 °C
	needColdC float64 // and for every degree below 0 °C, rpm more
	oil       oil
}

// wear is what ails the circuit beyond the battery.
type wear struct {
	cableV float64 // added loss at the rated current: corroded ground, loose post
	brushV float64 // added contact loss
	drag   float64 // added torque, as a share of the nominal one
}

// turn is how a crank goes.
type turn struct {
	restV, minV, meanV float64 // per 12 V
	current            float64 // multiple of the rated current
	speed              float64 // multiple of the nominal speed; 0: stalled
}

// breakaway: an engine at rest needs this much more than the dry drag of one that turns.
const (
	breakaway = 1.25
	nominalC  = 25
)

// crank solves the balance of a series-wound starter (torque as current to the 3/2, back EMF as speed times the root of
// current) against the drag of the engine. Torque rises with current while speed, and with it drag, falls, so there is
// one root; it is bracketed and found by the Illinois form of regula falsi.
func (e engine) crank(k bank, w wear, oilC float64) turn {
	full := plates{mass: 1, charge: 1}.at(nominalC)
	emfScale := full.v(e.nominal) - e.nominal*(e.cableV+e.motorV) - e.brushV
	thick := e.oil.viscosity(oilC) / thickOil.viscosity(nominalC)
	inner := func(x float64) float64 { return k.v(x) - x*(e.cableV+e.motorV+w.cableV) - e.brushV - w.brushV }
	speed := func(x float64) float64 {
		return math.Max(0, inner(x)) / (emfScale * math.Sqrt(x/e.nominal))
	}
	surplus := func(x float64) float64 {
		return math.Pow(x/e.nominal, 1.5) - e.dry - w.drag - (1-e.dry)*math.Sqrt(thick*speed(x))
	}
	stall := root(inner, 1e-4, k.most())
	t := turn{restV: k.v(0), meanV: k.v(stall), current: stall}
	if math.Pow(stall/e.nominal, 1.5) > breakaway*(e.dry+w.drag) {
		t.current = root(func(x float64) float64 { return -surplus(x) }, 1e-4, stall)
		t.speed, t.meanV = speed(t.current), k.v(t.current)
		// Where the plates let no more current through, their voltage gives way until the engine's drag is met.
		torque := math.Pow(t.current/e.nominal, 1.5) - e.dry - w.drag
		if met := math.Pow(math.Max(0, torque)/(1-e.dry), 2) / thick; met < t.speed {
			t.meanV -= (t.speed - met) * emfScale * math.Sqrt(t.current/e.nominal)
			t.speed = met
		}
	}
	t.minV = math.Min(t.meanV, k.v(t.current+inrush*(stall-t.current)))
	return t
}

// inrush: the windings' inductance and the first movement let the first peak come this part of the way from the running
// current to the stalled one (common practice, no source).
const inrush = 0.5

// root of a falling function between low and high; high when it has not fallen to zero there, low when it begins below.
func root(f func(float64) float64, low, high float64) float64 {
	fl, fh := f(low), f(high)
	if fh >= 0 {
		return high
	}
	if fl <= 0 {
		return low
	}
	side := 0 // which end stood still last time: standing twice, its value is halved
	for range 90 {
		x := (low*fh - high*fl) / (fh - fl)
		fx := f(x)
		switch {
		case math.Abs(fx) < 1e-5 || high-low < 1e-12:
			return x
		case fx > 0:
			low, fl = x, fx
			if side > 0 {
				fh /= 2
			}
			side = 1
		default:
			high, fh = x, fx
			if side < 0 {
				fl /= 2
			}
			side = -1
		}
	}
	return (low + high) / 2
}

// needed is the speed, as a multiple of the nominal one, below which the engine does not fire.
func (e engine) needed(airC float64) float64 {
	return (e.needRM + e.needColdC*math.Max(0, -airC)) / e.nominalRM
}
