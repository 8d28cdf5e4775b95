package main

import (
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

func built(t *testing.T, physics string, seed uint64, units int) *proving.Fleet {
	t.Helper()
	f, err := physicsNamed[physics](t.Context(), proving.Options{Seed: seed, Units: units, Years: 3, Workers: 2})
	require.NoError(t, err)
	return &f
}

// repeatLastWeek ends f's records before day and lets the week before it come again, nights and cranks: nothing new is learned.
func repeatLastWeek(f *proving.Fleet, day fleet.Date) *proving.Fleet {
	g := *f
	g.Histories = slices.Clone(asKnown(f, day))
	zones := map[fleet.DepotID]*time.Location{}
	for _, d := range f.Depots {
		zones[d.ID] = d.Zone()
	}
	for i := range g.Histories {
		h := &g.Histories[i]
		from := (day - 7).Midnight(zones[h.Unit.Depot])
		for _, c := range slices.Clone(h.Cranks) {
			if !c.At.Before(from) && c.Outcome == fleet.Started {
				c.At = c.At.AddDate(0, 0, 7)
				h.Cranks = append(h.Cranks, c)
			}
		}
	}
	g.Temps = map[fleet.DepotID][]fleet.DayTemp{}
	for depot, days := range f.Temps {
		days = slices.Clone(days)
		for i := range days {
			if d := days[i].Date; d >= day && d < day+7 {
				then := days[i-7]
				then.Date = d
				days[i] = then
			}
		}
		g.Temps[depot] = days
	}
	return &g
}

// A week that only repeats the one before it leaves the list as it is. What the fleet shares is learned from what is settled, so it is
// the same for both lists; a unit's own state goes on a little towards what it read twice. One unit in forty may cross the border of a
// band: one in fifteen stands within .2 of one in log odds, and such a week moves half of all by less than .06 and nine in ten by less than
// .14. In a single fleet of 200 that is two to eight of them by chance, so four fleets are looked at.
func TestAQuietWeekLeavesTheListAsItIs(t *testing.T) {
	const day = 20407 // 2025-11-15, so both lists are of one month
	moved, acted, all := 0, 0, 0
	for seed := range uint64(4) {
		f := repeatLastWeek(built(t, "motor", 5+seed, 200), day)
		bands := func(asOf fleet.Date) map[fleet.UnitID]fleet.Band {
			in := inputOf(f)
			in.AsOf = asOf
			list, err := alerts.Rank(t.Context(), in)
			require.NoError(t, err)
			of := map[fleet.UnitID]fleet.Band{}
			for _, u := range list.Units {
				of[u.Unit] = u.Band
			}
			return of
		}
		before, after := bands(day), bands(day+7)
		all += len(before)
		for unit, band := range before {
			if band != after[unit] {
				moved++
			}
			if band != fleet.Sound {
				acted++
			}
		}
	}
	t.Logf("%d of %d units changed band, %d were not sound", moved, all, acted)
	require.Greater(t, acted, all/10, "a list without weak units would be steady in any case")
	require.LessOrEqual(t, moved, all/40)
}

// Units that are not read are foretold as well as their kind is: together as many fail as expected, and each chance is worth no less
// than the share that fails of all, which knows nothing. By age alone they did worse than that.
func TestUnreadUnitsAreCalibratedAsAGroup(t *testing.T) {
	var cases []proving.Case
	for _, physics := range physicsNames(false) {
		f := built(t, physics, 6, 300)
		unread := map[fleet.UnitID]bool{}
		for i := range f.Histories {
			if h := &f.Histories[i]; i%3 == 0 {
				h.Cranks, h.Tests = nil, nil
				unread[h.Unit.ID] = true
			}
		}
		list, err := alerts.Rank(t.Context(), inputOf(f))
		require.NoError(t, err)
		for _, u := range list.Units {
			if unread[u.Unit] {
				cases = append(cases, proving.Case{Truth: f.Truth[u.Unit], Said: proving.Said{P: u.NoStartProbability.Or(0)}})
			}
		}
	}
	s, se := proving.ScoreOf(cases), proving.Bootstrap(cases, 200, 1)
	t.Logf("%d units, %d failed, E/O %.2f ± %.2f, ECE %.3f, Brier %.4f, AUC %.3f", s.Units, s.Failed, s.Ratio, se.Ratio, s.ErrorByCount, s.Brier, s.AUC)
	require.Len(t, cases, 100*len(physicsNames(false)))
	require.InDelta(t, 1, s.Ratio, 2*se.Ratio)
	require.Less(t, s.Brier, s.FailedShare*(1-s.FailedShare))
	for _, c := range cases {
		require.Less(t, c.Said.P, 0.6, "nobody who knows nothing can be so sure")
	}
}
