package alerts

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

var roundDay = fleet.NewDate(2026, 11, 25)

func roundUnit(unit string, parked fleet.Parked, cost, swap fleet.Money, chances [5]float64) fleet.Listed {
	return fleet.Listed{
		Unit:     fleet.Unit{ID: fleet.UnitID(unit), Parked: parked},
		Forecast: fleet.Forecast{Unit: fleet.UnitID(unit), SwapCost: fleet.Known(swap)},
		Outlook:  &fleet.Outlook{ChanceIf: chances, NoStartCost: fleet.Known(cost)},
	}
}

// The five cases cost 84, 168, 336, 504 and 756 where a failed start costs 840 and a swap 300: swapped at once the unit saves
// (84+168+336+504+756)/5 − 300 = 69.60, swapped where it pays (36+204+456)/5 = 139.20, so knowing is worth 69.60. Worked by hand.
func TestTheWorthOfATestIsThatOfKnowing(t *testing.T) {
	chances := [5]float64{0.1, 0.2, 0.4, 0.6, 0.9}
	require.InDelta(t, 69.60, worthKnowing(chances, 840, 300), 1e-9)
	require.Zero(t, worthKnowing([5]float64{0.5, 0.6, 0.7, 0.8, 0.9}, 840, 300), "it is to be swapped whatever the test says")
	require.Zero(t, worthKnowing([5]float64{0.01, 0.02, 0.03, 0.04, 0.05}, 840, 300), "it is to be left whatever the test says")
}

// What knowing is worth is never below zero, and never above the loss or the cost that it can save.
func TestWorthIsBounded(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var chances [5]float64
		for i := range chances {
			chances[i] = rapid.Float64Range(0, 1).Draw(t, "chance")
		}
		loss, swap := rapid.Float64Range(1, 5000).Draw(t, "loss"), rapid.Float64Range(1, 5000).Draw(t, "swap")
		worth := worthKnowing(chances, loss, swap)
		require.GreaterOrEqual(t, worth, 0.0)
		require.LessOrEqual(t, worth, min(loss, swap)+1e-9)
	})
}

func TestRoundPutsTheDoubtfulAndCostlyFirstByStand(t *testing.T) {
	wide, sure := [5]float64{0.05, 0.15, 0.35, 0.6, 0.9}, [5]float64{0.01, 0.01, 0.02, 0.02, 0.03}
	listed := []fleet.Listed{
		roundUnit("sure", fleet.Outdoors, 84000, 30000, sure),
		roundUnit("hall", fleet.Indoors, 84000, 30000, wide),
		roundUnit("cheap", fleet.Outdoors, 40000, 30000, wide),
		roundUnit("costly", fleet.Outdoors, 84000, 30000, wide),
		roundUnit("lately", fleet.Outdoors, 84000, 30000, wide),
		roundUnit("low", fleet.Outdoors, 60000, 30000, wide),
		roundUnit("today", fleet.Outdoors, 60000, 30000, wide),
		{Unit: fleet.Unit{ID: "no outlook"}},
	}
	at := func(d fleet.Date, v float64) fleet.Test {
		return fleet.Test{At: d.Midnight(time.UTC).Add(9 * time.Hour), RestV: fleet.Known(v)}
	}
	last := map[fleet.UnitID]fleet.Test{"lately": at(roundDay-6, 12.6), "low": at(roundDay-1, 11.9), "today": at(roundDay, 12.6)}
	stands := Round(listed, last, roundDay, time.UTC)
	require.Len(t, stands, 2)
	require.Equal(t, []fleet.Parked{fleet.Outdoors, fleet.Indoors}, []fleet.Parked{stands[0].Parked, stands[1].Parked})
	names := func(s Stand) (units []string) {
		for _, stop := range s.Stops {
			units = append(units, string(stop.Unit.ID))
		}
		return units
	}
	require.Equal(t, []string{"costly", "low", "today", "cheap", "lately", "sure"}, names(stands[0]))
	by := map[string]Stop{}
	for _, s := range stands {
		for _, stop := range s.Stops {
			by[string(stop.Unit.ID)] = stop
		}
	}
	require.True(t, by["today"].Done)
	require.False(t, by["low"].Done)
	require.InDelta(t, by["costly"].Worth/10, by["lately"].Worth, 1e-9, "6 days of 60")
	require.Equal(t, "never tested; a test can put its chance of a failed start anywhere from 5 to 90 %", by["costly"].Why)
	require.Contains(t, by["low"].Why, "stood at 11.90 V, too low to judge, 1 day ago")
	require.Contains(t, by["lately"].Why, "last test 6 days ago")
}

func TestARoundIsAMorningsWork(t *testing.T) {
	var listed []fleet.Listed
	for i := range 200 {
		listed = append(listed, roundUnit(fmt.Sprintf("W-%03d", i), fleet.Outdoors, 84000, 30000, [5]float64{0.05, 0.15, 0.35, 0.6, 0.9}))
	}
	require.Len(t, Round(listed, nil, roundDay, time.UTC)[0].Stops, mostStops)
	for i := range listed {
		listed[i].Outlook.ChanceIf = [5]float64{0.01, 0.01, 0.02, 0.02, 0.03}
	}
	listed[7].Outlook.ChanceIf[4] = 0.9
	stops := Round(listed, nil, roundDay, time.UTC)[0].Stops
	require.Len(t, stops, leastStops)
	require.EqualValues(t, "W-007", stops[0].Unit.ID)
	slices.Reverse(listed)
	require.Equal(t, stops, Round(listed, nil, roundDay, time.UTC)[0].Stops, "the order of the list means nothing")
}

// Without any cost a failed start counts one, and a swap the chance from which on one is made.
func TestRoundWithoutMoney(t *testing.T) {
	l := roundUnit("W-1", fleet.Outdoors, 0, 0, [5]float64{0, 0, 0.2, 0.5, 0.8})
	l.Outlook.NoStartCost, l.Forecast.SwapCost = fleet.Opt[fleet.Money]{}, fleet.Opt[fleet.Money]{}
	require.InDelta(t, (0.2+0.5)/5, Round([]fleet.Listed{l}, nil, roundDay, time.UTC)[0].Stops[0].Worth, 1e-9)
}
