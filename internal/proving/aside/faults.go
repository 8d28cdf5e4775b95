package aside

import (
	"math"
	"math/rand/v2"
)

func around(median, sd float64, r *rand.Rand) float64 { return median * math.Exp(sd*r.NormFloat64()) }

// starter wears with every start; near its end bars of the commutator go dead, and some go without a sign.
type starter struct {
	worn, perStart float64 // worn 1: used up
	broken         bool
}

func newStarter(r *rand.Rand) starter { return starter{perStart: 1 / around(12500, 0.45, r)} }

func (s *starter) age(days, starts float64, r *rand.Rand) {
	s.worn += s.perStart * days * starts * (1 + max(0, s.worn-0.8))
	if r.Float64() < days*4e-6 {
		s.broken = true
	}
}

// slips is the chance that at one crank the brushes stand on a dead bar.
func (s *starter) slips() float64 {
	if s.broken {
		return 1
	}
	over := max(0, s.worn-0.85)
	return min(1, 0.10*over*over)
}

func (s *starter) winding() float64 { return 1 + 0.35*s.worn*s.worn }
func (s *starter) drag() float64    { return 1 + 0.10*s.worn*s.worn*s.worn }
func (s *starter) brushV() float64  { return 0.9 * math.Pow(s.worn, 4) }

// cable is the joints and cables. All corrode; in some water gets in, and then they also vary from crank to crank.
type cable struct {
	grown, perDay float64
	wet           bool
}

func newCable(r *rand.Rand) cable { return cable{perDay: around(1.0/2500, 0.4, r)} }

func (c *cable) age(days, driveH float64, r *rand.Rand) {
	if !c.wet && r.Float64() < days*0.018/365 {
		c.wet = true
		c.perDay = around(1.0/200, 0.45, r)
		c.grown += 0.5
	}
	if c.wet {
		c.grown += c.perDay * days * (1 + 0.35*c.grown)
	} else {
		c.grown += c.perDay * days * (0.8 + 0.05*driveH)
	}
	c.grown = min(c.grown, 30)
}

// loose is by how much a bad joint is worse or better this time.
func (c *cable) loose(luck float64) float64 {
	if c.wet {
		return math.Exp(0.22 * luck)
	}
	return 1
}

// charging is the alternator and what draws when all is switched off.
type charging struct {
	alternator, fadesPerDay float64 // what it gives of its best
	quietA                  float64
	leakA, leakPerDay       float64
}

func newCharging(r *rand.Rand) charging {
	return charging{alternator: 1, quietA: around(0.028, 0.35, r)}
}

func (c *charging) age(days float64, r *rand.Rand) {
	if c.fadesPerDay == 0 && r.Float64() < days*0.014/365 {
		c.fadesPerDay = 1 / around(330, 0.4, r)
	}
	if c.leakPerDay == 0 && r.Float64() < days*0.012/365 {
		c.leakPerDay = around(0.0010, 0.5, r)
	}
	c.alternator = max(0.02, c.alternator-c.fadesPerDay*days)
	c.leakA = min(1.2, c.leakA+c.leakPerDay*days)
}

func (c *charging) drawA() float64 { return c.quietA + c.leakA }
func (c *charging) faulty() bool   { return c.alternator < 0.9 || c.leakA > 0.08 }

// control is the switch, the relay and the immobiliser: a contact that gets worse and a key that is not always known.
type control struct {
	contactOhm, growth float64
	unread             float64 // chance at one crank that the key is not known
	unreadPerDay       float64
}

func newControl(r *rand.Rand) control { return control{contactOhm: around(0.006, 0.3, r)} }

func (c *control) age(days float64, r *rand.Rand) {
	if c.growth == 0 && r.Float64() < days*0.016/365 {
		c.growth = 1 / around(190, 0.4, r)
	}
	if c.unreadPerDay == 0 && r.Float64() < days*0.006/365 {
		c.unreadPerDay = around(2.5e-5, 0.5, r)
	}
	c.contactOhm = min(0.2, c.contactOhm*(1+c.growth*days))
	c.unread = min(0.15, c.unread+c.unreadPerDay*days)
}

// jitter is by how much the contact is worse or better this time.
func (c *control) jitter(luck float64) float64 {
	if c.growth > 0 {
		return math.Exp(0.25 * luck)
	}
	return 1
}
