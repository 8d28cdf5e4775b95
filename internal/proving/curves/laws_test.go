package curves

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

func drawn(t *rapid.T) (*machine, *rand.Rand) {
	r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 3))
	i := rapid.IntRange(0, 3).Draw(t, "kind")
	return New().New(kindOf(i, r), rapid.Float64Range(0, 9).Draw(t, "years"), rapid.Float64Range(-2, 16).Draw(t, "mean_c"), r).(*machine), r
}

func TestColderAndWeakerLeaveLess(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, _ := drawn(t)
		warm := rapid.Float64Range(-35, 30).Draw(t, "warm_c")
		cold := warm - rapid.Float64Range(0.1, 25).Draw(t, "colder_by")
		require.Less(t, m.Spare(dawn(cold, 14)), m.Spare(dawn(warm, 14)))
		before := m.Spare(dawn(cold, 14))
		worse := m.Clone().(*machine)
		for i := range worse.n {
			worse.bats[i].worn += 0.1
		}
		require.Less(t, worse.Spare(dawn(cold, 14)), before, "worn")
		worse = m.Clone().(*machine)
		worse.charge -= 0.2
		require.Less(t, worse.Spare(dawn(cold, 14)), before, "flatter")
		require.InDelta(t, before, m.Spare(dawn(cold, 14)), 0, "the clone's wear is its own")
	})
}

func TestRenewRestores(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, r := drawn(t)
		m.starter, m.cable, m.charging, m.drain, m.control = growth{}, growth{}, growth{}, growth{}, growth{}
		c := dawn(-12, 14)
		for i := range m.n {
			m.bats[i].worn = 0.4
		}
		m.charge = 1
		sound := m.Spare(c)
		grown := growth{on: true, weeks: 40, tau: 40, power: 2}
		for _, f := range []struct {
			part fleet.Part
			harm func()
		}{
			{fleet.StarterPart, func() { m.starter, m.starterKind = grown, starterKind(r.IntN(3)) }},
			{fleet.CablePart, func() { m.cable = grown }},
			{fleet.ChargingPart, func() { m.charging = grown; m.charge = 0.4 }},
			{fleet.ChargingPart, func() { m.drain = grown; m.charge = 0.4 }},
			{fleet.BatteryPart, func() {
				for i := range m.n {
					m.bats[i].worn = 1.1
				}
			}},
		} {
			f.harm()
			require.Less(t, m.Spare(c), sound-0.8, f.part)
			require.Equal(t, f.part, blame(m, -12, r))
			m.Renew(f.part, r)
			m.Charge()
			require.Greater(t, m.Spare(c), sound-0.7, "renewed %s", f.part)
			for i := range m.n {
				m.bats[i].worn = 0.4
			}
			sound = m.Spare(c)
		}
		m.control, m.moody = grown, true
		m.Renew(fleet.ControlPart, r)
		require.False(t, m.moody || m.control.on)
	})
}

func TestSameStreamSameLife(t *testing.T) {
	live := func() []proving.Read {
		r := rand.New(rand.NewPCG(9, 9))
		var reads []proving.Read
		for i := range 8 {
			m := New().New(kindOf(i, r), float64(i), 6, r)
			for d := range 400 {
				reads = append(reads, m.Crank(dawn(float64(d%30)-18, 14), r))
				m.Live(proving.Day{MinC: -5, MaxC: 4, DriveHours: 3, Starts: 2, HoursParked: 21}, r)
			}
		}
		return reads
	}
	first, again := live(), live()
	require.Equal(t, first, again)
}

func TestCloneLivesItsOwnLife(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	m := New().New(kindOf(1, r), 5, 8, r)
	before := *m.(*machine)
	c := m.Clone()
	for range 500 {
		c.Live(proving.Day{MinC: 10, MaxC: 25, DriveHours: 2, HoursParked: 22}, r)
	}
	c.Renew(fleet.BatteryPart, r)
	require.Equal(t, before, *m.(*machine))
}

func TestTheLuckOfACrankShowsUntilTheNextDay(t *testing.T) {
	r := rand.New(rand.NewPCG(5, 5))
	m := New().New(kindOf(0, r), 3, 8, r).(*machine)
	m.bats[0].worn = 1.05
	failures := 0
	for range 4000 {
		c := dawn(-14+8*r.NormFloat64(), 14)
		if read := m.Crank(c, r); read.Outcome == fleet.NoCrank {
			failures++
			require.Negative(t, m.Spare(c))
		} else {
			require.GreaterOrEqual(t, m.Spare(c), 0.0)
		}
	}
	require.Positive(t, failures)
	m.Live(proving.Day{}, r)
	require.Zero(t, m.luckV)
}

// TestFaultsShowWhereTheyShould compares a unit with itself: the sign of what each fault does to each reading.
func TestFaultsShowWhereTheyShould(t *testing.T) {
	for i := range 40 {
		r := rand.New(rand.NewPCG(uint64(i), 6))
		m := New().New(kindOf(i, r), 2, 8, r).(*machine)
		m.starter, m.cable, m.charging, m.drain, m.control = growth{}, growth{}, growth{}, growth{}, growth{}
		read := func() proving.Read { return m.Crank(dawn(-3, 14), rand.New(rand.NewPCG(1, 1))) }
		sound, half := read(), growth{on: true, weeks: 20, tau: 40, power: 1}
		m.cable = half
		cable := read()
		m.cable, m.starter, m.starterKind = growth{}, half, hungry
		draws := read()
		m.starterKind = tired
		slow := read()
		m.starter, m.moody = growth{}, true
		silent := sound
		for range 200 {
			if silent = m.Crank(dawn(-3, 14), r); silent.Outcome == fleet.NoCrank {
				break
			}
		}
		m.moody = false
		m.charge = 0.5
		flat := read()
		m.charge, m.bats[0].worn, m.bats[1].worn = 0.95, 1, 1
		worn := read()

		require.Greater(t, cable.PlateauV, sound.PlateauV)
		require.Less(t, cable.CurrentA, sound.CurrentA)
		require.Less(t, draws.PlateauV, sound.PlateauV)
		require.InDelta(t, sound.DipV, draws.DipV, 1e-9)
		require.Greater(t, draws.CurrentA, sound.CurrentA)
		require.Greater(t, slow.PlateauV, sound.PlateauV)
		require.Less(t, slow.CurrentA, sound.CurrentA)
		require.Less(t, flat.RestV, sound.RestV-0.2)
		require.Less(t, worn.DipV, worn.PlateauV)
		require.Less(t, worn.PlateauV, sound.PlateauV)
		for _, weak := range []proving.Read{cable, draws, slow, flat, worn} {
			require.Less(t, weak.RPM, sound.RPM)
			require.Greater(t, weak.Ms, sound.Ms)
		}
		require.Equal(t, fleet.NoCrank, silent.Outcome)
		require.Zero(t, silent.RPM)
		require.InDelta(t, sound.RestV, silent.RestV, 1e-9)
		require.Greater(t, silent.PlateauV, sound.PlateauV)
	}
}

func TestTheWeakerOfAPair(t *testing.T) {
	cost := map[int]float64{}
	for _, kind := range []int{1, 2} { // 24 V in series, 12 V in parallel
		r := rand.New(rand.NewPCG(8, 8))
		m := New().New(kindOf(kind, r), 1, 8, r).(*machine)
		good := m.Spare(dawn(-10, 14))
		m.bats[1].worn = 1
		one := good - m.Spare(dawn(-10, 14))
		m.bats[0].worn = 1
		cost[kind] = one / (good - m.Spare(dawn(-10, 14)))
	}
	require.Greater(t, cost[1], 0.6, "in series the weaker rules")
	require.Less(t, cost[2], 0.4, "in parallel it hides")
}
