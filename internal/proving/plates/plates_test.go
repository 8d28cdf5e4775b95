package plates

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

func TestSpareFallsWithCold(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 1))
	for range 50 {
		m := New().New(anyKind(r), 5*r.Float64(), 4, r)
		for c := 40.; c > -50; c-- {
			require.Less(t, m.Spare(cold(c-1)), m.Spare(cold(c)), "at %v", c)
		}
	}
}

func TestSpareFallsWithWear(t *testing.T) {
	for name, worsen := range map[string]func(*machine){
		"shed plates": func(m *machine) { m.cells[0].shed += .1 },
		"sulphate":    func(m *machine) { m.cells[0].sulphate += .2 },
		"weak cell":   func(m *machine) { m.cells[0].weak += .2 },
		"charge":      func(m *machine) { m.cells[0].charge -= .2 },
		"rust":        func(m *machine) { m.rust++ },
		"starts":      func(m *machine) { m.starts += 1e4 },
		"old oil":     func(m *machine) { m.oilDays += 90 },
	} {
		m := sound(car)
		before := m.Spare(cold(-15))
		worsen(m)
		require.Less(t, m.Spare(cold(-15)), before, name)
	}
}

func TestRenewRestores(t *testing.T) {
	r := rand.New(rand.NewPCG(2, 2))
	ruin := func() *machine {
		m := sound(car)
		m.cells[0] = cell{first: 1, rate: 1, shed: .6, charge: .4, sulphate: .5, weak: .5, weakAtDay: .01}
		m.rust, m.starts, m.starterDead = 6, 9e4, true
		m.regulatorLow, m.lowAtDay, m.drainA, m.controlDays = 1, .01, .9, 900
		return m
	}
	for _, p := range []fleet.Part{fleet.BatteryPart, fleet.StarterPart, fleet.CablePart} {
		m := ruin()
		before := m.Spare(cold(-10))
		m.Renew(p, r)
		require.Greater(t, m.Spare(cold(-10)), before, p)
	}
	m := ruin()
	for _, p := range fleet.Suspects() {
		m.Renew(p, r)
	}
	m.Charge()
	require.InDelta(t, sound(car).Spare(cold(-10)), m.Spare(cold(-10)), .2)
	require.Equal(t, fleet.Started, m.Crank(cold(-10), r).Outcome)
	require.Zero(t, m.controlRate())

	flat := sound(car)
	flat.cells[0].charge = .2
	before := flat.Spare(cold(-10))
	flat.Charge()
	require.Greater(t, flat.Spare(cold(-10)), before)
}

func TestCloneLivesApart(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 3))
	m := New().New(anyKind(r), 3, 4, r)
	was, twin := m.Spare(cold(-10)), m.Clone()
	for range 400 {
		twin.Live(proving.Day{MinC: 10, MaxC: 30, DriveHours: 1, Starts: 3}, r)
		twin.Crank(cold(5), r)
	}
	twin.Renew(fleet.StarterPart, r)
	require.InDelta(t, was, m.Spare(cold(-10)), 0)
	require.NotEqual(t, was, twin.Spare(cold(-10)))
}

func TestSameStreamSameLife(t *testing.T) {
	live := func() (reads []proving.Read) {
		r := rand.New(rand.NewPCG(4, 4))
		m := New().New(anyKind(r), 3, 4, r)
		for range 300 {
			reads = append(reads, m.Crank(cold(-12), r))
			m.Live(proving.Day{MinC: -12, MaxC: -2, DriveHours: 1, Starts: 3}, r)
		}
		return reads
	}
	first, second := live(), live()
	require.Equal(t, first, second)
}

func TestPairs(t *testing.T) {
	series := sound(proving.Kind{Fuel: fleet.Diesel, Litres: 10, SystemVolts: 24, Batteries: 2, RatedCCAA: 1000, RatedAh: 170, PartGrade: 1})
	parallel := sound(proving.Kind{Fuel: fleet.Diesel, Litres: 3, SystemVolts: 12, Batteries: 2, RatedCCAA: 800, RatedAh: 90, PartGrade: 1})
	lost := func(m *machine, position int) float64 {
		before := m.Spare(cold(-10))
		m.cells[position].shed = .5
		after := m.Spare(cold(-10))
		m.cells[position].shed = 0
		return before - after
	}
	require.InDelta(t, lost(series, 0), lost(series, 1), 1e-9)
	require.Greater(t, lost(series, 0), 1.5*lost(parallel, 0), "in series the weaker rules, in parallel it hides")
	parallel.cells[0].shed = .5
	require.Greater(t, parallel.Test(2, 20).CCAShare, 1.5*parallel.Test(1, 20).CCAShare)
}

func TestAnyKindLives(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	for _, volts := range []int{12, 24} {
		for n := range 7 {
			m := New().New(proving.Kind{Fuel: fleet.Diesel, SystemVolts: volts, Batteries: n, RatedCCAA: 900}, 40, -10, r)
			for range 400 {
				m.Live(proving.Day{MinC: -45, MaxC: -30, HoursParked: 24}, r)
				got := m.Crank(cold(-45), r)
				require.Greater(t, got.RestV, 9.)
				require.GreaterOrEqual(t, got.DipV, 0.)
				require.LessOrEqual(t, got.DipV, got.PlateauV)
			}
			require.Greater(t, m.Test(n+1, -30).RestV, 9.)
		}
	}
}

func BenchmarkDay(b *testing.B) {
	r := rand.New(rand.NewPCG(6, 6))
	m := New().New(proving.Kind{Fuel: fleet.Diesel, Litres: 10, SystemVolts: 24, Batteries: 2, RatedCCAA: 1000, RatedAh: 170, PartGrade: 1}, 3, 4, r)
	for b.Loop() {
		m.Live(proving.Day{MinC: -12, MaxC: -2, DriveHours: 3, Starts: 3, HoursParked: 14}, r)
		m.Crank(cold(-12), r)
		m.Charge()
	}
}
