package tides

import (
	"math"

	"rimeyard/internal/fleet"
)

// battery is one 12 V battery as a network of acid, plates and crust. Currents are shares of its rating.
//
//	V(x) = rest − x·(lead + acid(T)/√area/strength + crust) − 6·tafel·asinh(x/2x₀(T)/area) + 6·deplete·ln(1 − x/limit(T))
//
// The last term is the acid that cannot reach the plates fast enough; it is nothing until x nears the limit, then everything.
type battery struct {
	piece
	wear   float64 // 0 new, about 1 at its end
	charge float64 // of what its plates can still hold
	strata float64 // acid lies heavy at the bottom: 0 mixed, 1 as far apart as short trips bring it
}

// piece is what one battery is made as.
type piece struct {
	pace                float64 // wear a year at 15 °C, well kept, while it is new
	crusts, sheds, clog float64 // what its wear makes of it: about 1 each
	restV               float64 // beside others of its age
	shows               float64 // beside what its ohms are worth: lead and acid differ from lot to lot
}

const (
	leadV    = 0.8   // drop at the rating over straps and grids
	acidV    = 0.75  // over the acid at 27 °C
	crustV   = 4.2   // over the layer between grid and plate of a worn one
	tafelV   = 0.18  // six cells
	depleteV = 0.36  // six cells
	limit27  = 4.6   // current limited by diffusion, in shares of the rating, when full, mixed and new
	slower   = 0.033 // per °C that acid gets more viscous by
	diffuses = 0.025 // per °C
	restLowV = 11.89 // at no charge, at rest; the span to 12.65 V is as printed by battery makers
	restSpan = 0.76
)

func newPiece(p *batteryPart, d dice) piece {
	c := piece{
		pace: batteriesAge / p.grade * d.times(0.28), crusts: d.times(0.2), sheds: d.times(0.25), clog: d.times(0.55), restV: 0.03 * d.NormFloat64(),
		shows: d.times(0.13),
	}
	if p.chemistry == fleet.AGM || p.chemistry == fleet.Gel { // sealed batteries rest higher
		c.restV += 0.15
	}
	return c
}

// cold is what temperature makes of a battery's constants.
type cold struct{ acid, exchange, limit float64 }

func coldAt(celsius float64) cold {
	return cold{
		acid: acidV * math.Exp(slower*(27-celsius)), exchange: 0.09 * math.Exp(0.032*(celsius-27)),
		limit: limit27 * math.Exp(diffuses*(celsius-27)),
	}
}

// plates are what is left of a battery's plates and acid.
type plates struct{ rest, ohm, acid, area, limit float64 }

func (b *battery) plates() plates {
	bad := b.wear * (0.35 + 0.65*b.wear*b.wear) // little at first: crust must grow dense and plates come loose
	area := clamp(1-0.5*b.sheds*bad, 0.08, 1)
	strength := 0.3 + 0.7*b.charge
	return plates{
		rest: b.rest(), ohm: leadV + crustV*b.crusts*bad, acid: 1 / math.Sqrt(area) / strength, area: area,
		limit: area * (0.12 + 0.88*b.charge) * (1 - 0.25*b.strata) * clamp(1-0.35*b.clog*bad, 0.15, 1),
	}
}

func (b *battery) rest() float64 {
	return restLowV + restSpan*b.charge + 0.05*b.strata - 0.05*min(1.5, b.wear) + b.restV
}

// volts under a current, falling steeply but never without bound beyond what diffusion allows.
func (p *plates) volts(x float64, t *cold) float64 {
	limit := max(0.02, p.limit*t.limit)
	full, beyond := min(x, 0.97*limit), max(0, x-0.97*limit)
	return p.rest - x*(p.ohm+t.acid*p.acid) - tafelV*math.Asinh(x/(2*t.exchange*p.area)) + depleteV*math.Log(1-full/limit) - 40*beyond
}

// slope is the drop per current when little flows, by which batteries in parallel share it.
func (p *plates) slope(t *cold) float64 { return p.ohm + t.acid*p.acid + 0.5 }

// shown is what a perfect conductance tester makes of it, as a share of the rating: it sees ohms, not what diffusion allows.
func (b *battery) shown() float64 {
	p := b.plates()
	return 1.06 * b.shows * (leadV + acidV) / (p.ohm + acidV*p.acid)
}

// pass lives a day at about that temperature.
func (b *battery) pass(celsius float64) {
	heat := math.Exp2((celsius - 15) / 11) // lives halve for each 8–10 °C, of plates at rest less
	starved := 1 + 3.5*(1-b.charge)*(1-b.charge) + 0.25*b.strata
	b.wear = min(2.2, b.wear+b.pace/365*(0.25+0.75*heat)*starved*(0.3+2.4*b.wear))
	b.charge = max(0.02, b.charge*(1-0.0008*math.Exp2((celsius-20)/10)*(1+b.wear)))
	if celsius < freezesAt(b.charge) {
		b.wear = min(2.2, b.wear+0.25)
	}
}

// freezesAt is TM 5-4210-230's table of charge against freezing point.
func freezesAt(charge float64) float64 {
	table := [...]float64{-9.4, -15, -26.1, -37.2, -59.4}
	x := 4 * clamp(charge, 0, 1)
	i := min(3, int(x))
	return table[i] + (x-float64(i))*(table[i+1]-table[i])
}

// bank is a unit's batteries, in series or in parallel, seen per 12 V and per rating of the whole.
type bank struct {
	series bool
	cold   cold
	first  float64 // the first's share of the current where they are in parallel
	rest   float64
	space  [2]plates
}

func (m *machine) bank(celsius float64) bank {
	k := bank{series: m.volts == 24, cold: coldAt(celsius)}
	for i := range m.count {
		k.space[i] = m.batteries[i].plates()
		k.rest += k.space[i].rest / float64(m.count)
	}
	if m.count == 2 && !k.series {
		a, b := k.space[0].slope(&k.cold), k.space[1].slope(&k.cold)
		k.first = b / (a + b)
	}
	return k
}

func (m *machine) under(k *bank, x float64) float64 {
	switch {
	case m.count == 1:
		return k.space[0].volts(x, &k.cold)
	case k.series:
		return (k.space[0].volts(x, &k.cold) + k.space[1].volts(x, &k.cold)) / 2
	}
	return k.first*k.space[0].volts(2*x*k.first, &k.cold) + (1-k.first)*k.space[1].volts(2*x*(1-k.first), &k.cold)
}
