package motor

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// wears are ways to be worse off, each further with x from 0 to 1.
var wears = map[string]func(m *machine, x float64){
	"corroded grids": func(m *machine, x float64) { m.batteries[0].corrosion = x },
	"lost mass":      func(m *machine, x float64) { m.batteries[0].mass = 1 - 0.7*x },
	"sulphate":       func(m *machine, x float64) { m.batteries[0].sulphate = 0.6 * x },
	"low charge":     func(m *machine, x float64) { m.batteries[0].charge = 0.97 - 0.9*x },
	"spent brushes":  func(m *machine, x float64) { m.wear = 1.1 * x },
	"bad joint":      func(m *machine, x float64) { m.faults[cable].level = 1.5 * x },
	"tight bearing":  func(m *machine, x float64) { m.faults[bearing].level = 1.5 * x },
}

func TestSpareFallsWithCold(t *testing.T) {
	for n, k := range kindz {
		for age := range 8 {
			m := New().New(k, float64(age), 8, stream(uint64(10*n+age)))
			last := math.Inf(1)
			for c := 40.0; c >= -55; c -= 0.5 {
				spare := m.Spare(night(c))
				require.Less(t, spare, last, "%s %d V, %d years, %v °C", k.Fuel, k.SystemVolts, age, c)
				last = spare
			}
		}
	}
}

func TestSpareFallsWithWear(t *testing.T) {
	for _, k := range kindz {
		for what, wear := range wears {
			for _, c := range []float64{25, 0, -15, -30} {
				last := math.Inf(1)
				for x := 0.0; x <= 1; x += 0.05 {
					m := plain(k)
					wear(m, x)
					spare := m.Spare(night(c))
					require.LessOrEqual(t, spare, last+1e-4, "%s: %s %d V at %v °C, %v", what, k.Fuel, k.SystemVolts, c, x)
					last = spare
				}
				require.Less(t, last, plain(k).Spare(night(c)), what)
			}
		}
	}
}

func TestSpareAboveNoughtStarts(t *testing.T) {
	for n := range uint64(400) {
		r := stream(n)
		m := New().New(kindz[n%4], 7*r.Float64(), 8, r).(*machine)
		m.faults[control] = fault{}
		c := night(-35 * r.Float64())
		spare := m.Spare(c)
		for range 20 {
			read := m.Crank(c, r)
			if spare > 0 {
				require.NotEqual(t, fleet.NoCrank, read.Outcome, "unit %d, spare %v", n, spare)
			}
			if spare < -luck-bite {
				require.Equal(t, fleet.NoCrank, read.Outcome, "unit %d, spare %v", n, spare)
			}
			require.LessOrEqual(t, read.DipV, read.PlateauV)
			require.LessOrEqual(t, read.PlateauV, read.RestV)
		}
	}
}

func TestSpeedAndCurrentBalance(t *testing.T) {
	for _, k := range kindz {
		for _, c := range []float64{25, 0, -20} {
			m := plain(k)
			circuit := m.circuit(night(c), 1)
			amps, speed := circuit.settle(m.starter.designA)
			volts, _ := circuit.terminal(amps)
			flux := m.starter.flux(amps)
			require.InDelta(t, volts-amps*circuit.ohm-circuit.brushV, m.starter.volts*flux*speed, 1e-9, "volts go round")
			drag := m.engine.dry + m.engine.wet*m.engine.thick(c)*math.Sqrt(speed)
			require.InDelta(t, drag, m.starter.torque*flux*amps, 1e-4, "torque meets drag")
		}
	}
	m := plain(van)
	k := m.circuit(night(10), 1)
	for _, s := range k.groups[:k.n] { // the slopes used in the search against differences
		for _, a := range []float64{50, 400, 3000, 8000} {
			low, _ := s.at(a - 0.01)
			high, _ := s.at(a + 0.01)
			_, slope := s.at(a)
			require.InDelta(t, (high-low)/0.02, slope, 1e-6)
		}
	}
}

func TestRenewRestores(t *testing.T) {
	parts := map[string]fleet.Part{
		"corroded grids": fleet.BatteryPart, "lost mass": fleet.BatteryPart, "sulphate": fleet.BatteryPart, "low charge": fleet.BatteryPart,
		"spent brushes": fleet.StarterPart, "bad joint": fleet.CablePart, "tight bearing": fleet.StarterPart,
	}
	for what, wear := range wears {
		m := plain(truck)
		whole := m.Spare(night(-12))
		wear(m, 0.8)
		ill := m.Spare(night(-12))
		m.Renew(parts[what], stream(1))
		require.InDelta(t, whole, m.Spare(night(-12)), 0.1, what)
		require.Greater(t, m.Spare(night(-12)), ill, what)
	}
	m := plain(van)
	m.faults[control].level = 2
	require.Greater(t, refusals(m), 50)
	m.Renew(fleet.ControlPart, stream(1))
	require.Zero(t, refusals(m))
	m.solenoid = true
	require.Negative(t, m.Spare(night(20)))
	m.Renew(fleet.StarterPart, stream(1))
	require.Positive(t, m.Spare(night(20)))
}

func refusals(m *machine) (n int) {
	r := stream(5)
	for range 300 {
		if read := m.Crank(night(5), r); read.Outcome == fleet.NoCrank {
			n++
			if read.PlateauV < read.RestV-0.5 {
				n = -1 << 20 // a coil at most may draw
			}
		}
	}
	return n
}

func TestChargingFaultsAreToBlameForFlatBatteries(t *testing.T) {
	for _, k := range []kind{alternator, drain} {
		m := plain(car)
		m.faults[k] = fault{level: 1.2}
		for range 60 {
			m.Live(proving.Day{MinC: -8, MaxC: -2, DriveHours: 1.5, Starts: 3, HoursParked: 22}, stream(1))
		}
		c := night(-18)
		require.Less(t, m.batteries[0].charge, 0.5)
		charged, swapped := m.Clone(), m.Clone()
		charged.Renew(fleet.ChargingPart, stream(1))
		swapped.Renew(fleet.BatteryPart, stream(1))
		require.Greater(t, charged.Spare(c), swapped.Spare(c))
		require.Greater(t, charged.Spare(c), m.Spare(c)+0.2)
	}
}

func TestWeakerBatteryRulesInSeriesAndHidesBeside(t *testing.T) {
	loss := func(k proving.Kind) float64 {
		m := plain(k)
		whole := m.Spare(night(-15))
		m.batteries[0].mass, m.batteries[0].corrosion = 0.35, 0.6
		return whole - m.Spare(night(-15))
	}
	require.Greater(t, loss(truck), 1.5*loss(twin))
	weak := plain(truck)
	weak.batteries[0].mass = 0.3
	both := plain(truck)
	both.batteries[0].mass, both.batteries[1].mass = 0.3, 0.3
	sound := plain(truck).Spare(night(-25))
	require.Greater(t, sound-weak.Spare(night(-25)), 0.4*(sound-both.Spare(night(-25))))
}

func TestTesterSeesGridsRatherThanMass(t *testing.T) {
	whole, grids, mass := plain(car), plain(car), plain(car)
	grids.batteries[0].corrosion, mass.batteries[0].mass = 0.5, 0.5
	power := func(m *machine) float64 {
		return currentAt(m.batteries[0].atC(480, -18)) / currentAt(whole.batteries[0].atC(480, -18))
	}
	require.InDelta(t, power(grids), grids.Test(1, 15).CCAShare, 0.08)
	require.Greater(t, mass.Test(1, 15).CCAShare, power(mass)+0.05)
	require.Less(t, mass.Test(1, 15).CCAShare, 0.95)
	require.InDelta(t, 1, whole.Test(1, 15).CCAShare, 0.05)
}

func TestCloneIsIndependent(t *testing.T) {
	m := New().New(truck, 4, 8, stream(1))
	c := m.Clone()
	before := fmt.Sprintf("%+v", *m.(*machine))
	r := stream(9)
	for range 400 {
		c.Live(proving.Day{MinC: -20, MaxC: -9, DriveHours: 1, Starts: 2}, r)
	}
	c.Renew(fleet.BatteryPart, r)
	c.Charge()
	require.Equal(t, before, fmt.Sprintf("%+v", *m.(*machine)))
	require.NotEqual(t, before, fmt.Sprintf("%+v", *c.(*machine)))
}

func TestSameStreamSameLife(t *testing.T) {
	live := func() (out string) {
		r := stream(3)
		m := New().New(van, 5, 8, r)
		for d := range 500 {
			read := m.Crank(night(10-20*math.Sin(float64(d)/58)), r)
			out += fmt.Sprintf("%+v", read)
			m.Live(proving.Day{MinC: -5, MaxC: 5, DriveHours: 2, Starts: 3}, r)
		}
		return out
	}
	once, again := live(), live()
	require.Equal(t, once, again)
}

// Two futures of one stream must stay in step whatever the state, or what a repair changes cannot be told from chance.
func TestDrawsDoNotDependOnState(t *testing.T) {
	draws := func(change func(*machine)) uint64 {
		m := plain(truck)
		change(m)
		r := stream(4)
		for range 50 {
			m.Crank(night(-10), r)
			m.Live(proving.Day{MinC: -12, MaxC: -4, DriveHours: 2, Starts: 1}, r)
		}
		return r.Uint64()
	}
	sound := draws(func(*machine) {})
	for what, wear := range wears {
		require.Equal(t, sound, draws(func(m *machine) { wear(m, 1) }), what)
	}
	require.Equal(t, sound, draws(func(m *machine) { m.faults[control].level = 3; m.solenoid = true }))
}

func BenchmarkDay(b *testing.B) {
	for _, k := range []proving.Kind{car, truck} {
		m := New().New(k, 4, 8, stream(1))
		r := rand.New(rand.NewPCG(1, 1))
		day := proving.Day{MinC: -10, MaxC: -2, DriveHours: 2, Starts: 3, HoursParked: 20}
		b.Run(fmt.Sprintf("%s %d V", k.Fuel, k.SystemVolts), func(b *testing.B) {
			for b.Loop() {
				m.Crank(night(-10), r)
				m.Clone().Live(day, r)
			}
		})
	}
}
