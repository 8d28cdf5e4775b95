package demofleet

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// lives lets the story units of a fleet live until end.
func lives(o Options, end fleet.Date) map[fleet.UnitID]*machine {
	found := map[fleet.UnitID]*machine{}
	for _, m := range build(o).machines {
		if m.story != nil {
			m.liveUntil(end)
			found[m.history.Unit.ID] = m
		}
	}
	return found
}

// mean of what pick takes from rows between two days before today.
func mean[T any](rows []T, today fleet.Date, from, to int, at func(T) time.Time, pick func(T) (float64, bool)) float64 {
	sum, n := 0.0, 0.0
	for _, r := range rows {
		day := fleet.DateOf(at(r), time.UTC)
		if v, ok := pick(r); ok && day >= today-fleet.Date(from) && day < today-fleet.Date(to) {
			sum, n = sum+v, n+1
		}
	}
	return sum / n
}

func cranks(m *machine, today fleet.Date, from, to int, pick func(fleet.Crank) (float64, bool)) float64 {
	return mean(m.history.Cranks, today, from, to, func(c fleet.Crank) time.Time { return c.At }, pick)
}

func shownCCA(m *machine, today fleet.Date, from, to int) float64 {
	return mean(m.history.Tests, today, from, to, func(t fleet.Test) time.Time { return t.At }, func(t fleet.Test) (float64, bool) { return t.CCAA.Get() })
}

func warm(of func(fleet.Crank) fleet.Opt[float64]) func(fleet.Crank) (float64, bool) {
	return func(c fleet.Crank) (float64, bool) {
		v, known := of(c).Get()
		return v, known && c.CoolantC.Or(0) > 45
	}
}

func restOn(day time.Weekday) func(fleet.Crank) (float64, bool) {
	return func(c fleet.Crank) (float64, bool) {
		v, known := c.RestV.Get()
		return v, known && c.At.Weekday() == day && c.CoolantC.Or(99) < 45
	}
}

func TestStoryUnitsTell(t *testing.T) {
	current := warm(func(c fleet.Crank) fleet.Opt[float64] { return c.CurrentA })
	rpm := warm(func(c fleet.Crank) fleet.Opt[float64] { return c.RPM })
	meanV := warm(func(c fleet.Crank) fleet.Opt[float64] { return c.MeanV })
	for _, today := range []fleet.Date{autumn, fleet.NewDate(2026, 2, 1)} {
		for seed := range uint64(3) {
			t.Run(fmt.Sprintf("seed %d, %s", seed, today), func(t *testing.T) {
				units := lives(Options{Seed: seed, Today: today, Units: fewestUnits}, today)
				require.Len(t, units, 5)
				for id, m := range units {
					require.Empty(t, m.history.Breakdowns, "%s has not failed yet", id)
				}
				const early, late = 2*365 + 60, 60 // the same weeks of the year
				battery, starter, cable, drained, fresh := units["N-003"], units["P-004"], units["P-003"], units["C-003"], units["N-004"]

				require.Less(t, shownCCA(battery, today, late, 0), 0.75*shownCCA(battery, today, early, early-60))
				require.Less(t, cranks(battery, today, late, 0, meanV), cranks(battery, today, early, early-60, meanV)-0.1)
				require.InEpsilon(t, cranks(battery, today, early, early-60, current), cranks(battery, today, late, 0, current), 0.06)

				require.Greater(t, cranks(starter, today, late, 0, current), 1.3*cranks(starter, today, early, early-60, current))
				require.Greater(t, shownCCA(starter, today, late, 0), 0.9*shownCCA(starter, today, early, early-60))

				require.Less(t, cranks(cable, today, late, 0, rpm), 0.93*cranks(cable, today, early, early-60, rpm))
				require.InDelta(t, cranks(cable, today, early, early-60, meanV), cranks(cable, today, late, 0, meanV), 0.4)
				require.Greater(t, shownCCA(cable, today, late, 0), 0.9*shownCCA(cable, today, early, early-60))

				require.Less(t, cranks(drained, today, 28, 0, restOn(time.Monday)), cranks(drained, today, 28, 0, restOn(time.Friday))-0.07)
				require.InDelta(t, cranks(drained, today, early, early-60, restOn(time.Monday)), cranks(drained, today, early, early-60, restOn(time.Friday)), 0.05)

				require.Empty(t, fresh.history.Tests)
				require.Empty(t, fresh.history.Cranks)
				require.Equal(t, today-14, fresh.history.Unit.InServiceOn.Or(0))
			})
		}
	}
}

func TestStoryUnitsFailIfLeft(t *testing.T) {
	for seed := range uint64(4) {
		units := lives(Options{Seed: seed, Today: autumn, Units: fewestUnits}, autumn+182)
		for id, m := range units {
			if m.story.isNew {
				continue
			}
			require.NotEmpty(t, m.history.Breakdowns, "seed %d: %s outlived the season", seed, id)
			right := 0
			for _, b := range m.history.Breakdowns {
				if b.Cause == m.story.tale.Suspect {
					right++
				}
			}
			require.Positive(t, right, "seed %d: %s never failed for its %s", seed, id, m.story.tale.Suspect)
		}
	}
}
