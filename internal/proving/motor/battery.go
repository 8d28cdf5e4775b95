package motor

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

const (
	kelvin   = 273.15
	gas      = 8.314 // J/mol/K
	faraday  = 96485.0
	cells    = 6
	ohmicJ   = 16000.0 // activation energies: of conduction in acid, of charge transfer, of diffusion
	kineticJ = 35000.0
	diffuseJ = 23000.0
)

// battery is one 12 V block. Currents below are in units of its rated cold cranking current, so volts come out of shares.
type battery struct {
	charge    float64 // of what it holds now, 0 … 1
	corrosion float64 // of the grids: relative gain of resistance
	mass      float64 // active mass left, 1 when new
	sulphate  float64 // share of the mass under soft sulphate
	made      float64 // true strength over the rating, when new
	gridLife  float64 // against the common
	massLife  float64
	short     bool // one cell is dead
}

func freshBattery(b *build, r *rand.Rand) battery {
	grade := max(0.4, b.PartGrade) / b.duty
	lot := spread(r, 0.13) // what one battery's grids and paste have in common
	return battery{
		charge: 0.96, mass: 1, made: 1.03 * spread(r, 0.03),
		gridLife: grade * lot * spread(r, 0.18), massLife: grade * lot * spread(r, 0.2),
	}
}

// gravity of the acid: from 1.120 empty to 1.265 full, as the army's truck manuals print it.
func (b *battery) gravity() float64 { return 1.12 + 0.145*b.charge }

// emf is the open-circuit voltage: 0.845 V above the gravity in each cell (common practice, no source).
func (b *battery) emf(batteryC float64) float64 {
	v := cells*(b.gravity()+0.845) + 0.0012*(batteryC-25)
	if b.short {
		v *= 5.0 / 6
	}
	return v
}

// freezing is the acid's freezing point in °C by gravity, from TM 5-4210-230 and OD 1002.
var freezing = [...][2]float64{
	{1.05, -2.8}, {1.1, -7.2}, {1.12, -9.4}, {1.155, -15}, {1.19, -26.1}, {1.225, -37.2}, {1.265, -59.4},
}

func freezesAt(gravity float64) float64 {
	last := freezing[len(freezing)-1]
	if gravity >= last[0] {
		return last[1]
	}
	for i := 1; i < len(freezing); i++ {
		lo, hi := freezing[i-1], freezing[i]
		if gravity <= hi[0] {
			return lo[1] + (hi[1]-lo[1])*(gravity-lo[0])/(hi[0]-lo[0])
		}
	}
	return last[1]
}

// chill is what one temperature does to every cell.
type chill struct{ batteryC, ohmic, kinetic, diffuse, slopeV float64 }

func chillAt(batteryC float64) chill {
	t := batteryC + kelvin
	inverse := (1/t - 1/298.15) / gas
	return chill{
		batteryC: batteryC,
		ohmic:    math.Exp(ohmicJ * inverse), kinetic: math.Exp(-kineticJ * inverse), diffuse: math.Exp(-diffuseJ * inverse),
		slopeV: cells * gas * t / faraday,
	}
}

// source is a block, or several beside each other, as the current meets it: amperes, volts, ohms.
type source struct{ emfV, ohm, exchangeA, limitA, slopeV float64 }

// as tells how a battery of the given rating behaves in the cold.
func (b *battery) as(ratedA float64, c chill) source {
	strength := ratedA * b.made
	acid := 1 + 0.35*(1-b.charge)*(1-b.charge) + 0.5*b.sulphate
	metal := 1 + b.corrosion
	ohm := 1.78 / strength * metal * (0.35 + 0.65*c.ohmic*acid)
	alive := b.mass * (1 - 0.6*b.sulphate)
	s := source{
		emfV: b.emf(c.batteryC), ohm: ohm, slopeV: c.slopeV,
		exchangeA: strength * 0.35 * c.kinetic * alive,
		limitA:    strength * 7.2 * c.diffuse * math.Sqrt(alive) * alive * (0.15 + 0.85*b.charge),
	}
	if frozen := freezesAt(b.gravity()) - c.batteryC; frozen > 0 {
		s.limitA *= math.Exp(-frozen / 2)
	}
	return s
}

// beside joins two blocks in parallel. A weak one takes the smaller share, by its conductance.
func (s source) beside(o source) source {
	g, h := 1/s.ohm, 1/o.ohm
	return source{
		emfV: (s.emfV*g + o.emfV*h) / (g + h), ohm: 1 / (g + h), slopeV: s.slopeV,
		exchangeA: s.exchangeA + o.exchangeA, limitA: s.limitA + o.limitA,
	}
}

// at is the voltage under a current, and its slope. Close to the limiting current it falls ever more steeply, on along the tangent.
func (s *source) at(amps float64) (volts, slope float64) {
	const knee = 0.97
	y := amps / (2 * s.exchangeA)
	root := math.Sqrt(1 + y*y)
	var crowd float64
	dense := 1 / (1 - knee)
	if x := amps / s.limitA; x < knee {
		crowd, dense = math.Log(1-x), 1/(1-x)
	} else {
		crowd = math.Log(1-knee) - (x-knee)*dense
	}
	volts = s.emfV - amps*s.ohm + 2*s.slopeV*(crowd-math.Log(y+root))
	return volts, -s.ohm - 2*s.slopeV*(dense/s.limitA+1/(2*s.exchangeA*root))
}

// Test is a battery on the bench. The tester's small alternating current meets grids and acid, hardly the mass.
func (m *machine) Test(position int, batteryC float64) proving.Bench {
	b := &m.batteries[min(max(position, 1), m.Batteries)-1]
	s := b.as(m.RatedCCAA, chillAt(batteryC))
	reference := battery{charge: 1, mass: 1, made: 1}
	whole := reference.as(m.RatedCCAA, chillAt(25))
	now := b.as(m.RatedCCAA, chillAt(25))
	share := whole.ohm / now.ohm * math.Pow(b.mass*(1-b.sulphate), 0.35)
	loadA := m.RatedCCAA / 2
	loadV, _ := s.at(loadA)
	if b.short {
		share *= 0.55
	}
	return proving.Bench{
		RestV: s.emfV, CCAShare: share, LoadV: max(0, loadV-0.15*loadA/m.RatedCCAA), MOhm: 1000 * s.ohm,
	}
}

// sealed says whether the acid stays where it is: such batteries last cycling better and lose less at rest.
func sealed(c fleet.Chemistry) bool { return c == fleet.AGM || c == fleet.Gel }
