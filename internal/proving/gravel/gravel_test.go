package gravel

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

func built(t *testing.T, o proving.Options) proving.Fleet {
	t.Helper()
	f, err := Build(t.Context(), o)
	require.NoError(t, err)
	return f
}

func TestFleetIsTheSameWhateverTheWorkers(t *testing.T) {
	for _, dirt := range []bool{false, true} {
		o := proving.Options{Seed: 5, Units: 12, Years: 1, Dirt: dirt, Futures: 3}
		o.Workers = 1
		one := built(t, o)
		o.Workers = 4
		require.Equal(t, one, built(t, o))
		o.Seed = 6
		require.NotEqual(t, one.Truth, built(t, o).Truth)
	}
}

func TestBuildRefusesWhatNoFleetCanHave(t *testing.T) {
	_, err := Build(t.Context(), proving.Options{Units: -1})
	require.ErrorContains(t, err, "negative")
}

func TestDirtLeavesLifeAndTruth(t *testing.T) {
	o := proving.Options{Seed: 2, Units: 60, Years: 2}
	clean := built(t, o)
	o.Dirt = true
	soiled := built(t, o)
	for id, truth := range clean.Truth {
		require.True(t, math.IsNaN(truth.Chance), "no futures were drawn")
		truth.Chance = 0
		other := soiled.Truth[id]
		other.Chance = 0
		require.Equal(t, truth, other)
	}
	require.NotEqual(t, clean.Histories, soiled.Histories)
	require.Len(t, soiled.Histories, len(clean.Histories))
}

// What such a yard is for: a like share of units fails each season, mostly by the battery, and much is read.
func TestRatesAreThoseOfWornFleets(t *testing.T) {
	causes, units, failed, cranks := map[fleet.Part]int{}, 0, 0, 0
	for seed := range uint64(6) {
		f := built(t, proving.Options{Seed: 100 + seed, Units: 250, Years: 1})
		start := f.AsOf.Midnight(time.UTC)
		for _, h := range f.Histories {
			units++
			if truth := f.Truth[h.Unit.ID]; truth.Failed {
				failed++
				causes[truth.Cause]++
			}
			for _, c := range h.Cranks {
				if c.At.Before(start) {
					cranks++
				}
			}
		}
	}
	share := float64(failed) / float64(units)
	require.InDelta(t, 0.125, share, 0.045, "between 8 and 17 %%")
	require.InDelta(t, 0.525, float64(causes[fleet.BatteryPart])/float64(failed), 0.1)
	for _, p := range fleet.Suspects() {
		require.Positive(t, causes[p], p)
	}
	require.InDelta(t, 1.6, float64(cranks)/float64(units)/365, 0.25, "cranks a day")
}

// The books agree with the truth: who failed broke down that day, and whoever did not fail did not break down in the season.
func TestTruthAgreesWithTheBooks(t *testing.T) {
	f := built(t, proving.Options{Seed: 3, Units: 250, Years: 1})
	zones := map[fleet.DepotID]*time.Location{}
	for _, d := range f.Depots {
		zones[d.ID] = d.Zone()
	}
	failed := 0
	for _, h := range f.Histories {
		truth, first := f.Truth[h.Unit.ID], fleet.Date(0)
		for _, b := range h.Breakdowns {
			day := fleet.DateOf(b.At, zones[h.Unit.Depot])
			if b.Cause != fleet.OtherPart && day >= f.Season.From && first == 0 {
				first = day
			}
		}
		require.Equal(t, truth.Failed, first != 0, h.Unit.ID)
		if truth.Failed {
			failed++
			require.Equal(t, truth.On, first, h.Unit.ID)
			require.Contains(t, fleet.Suspects(), truth.Cause)
		}
		for _, fit := range h.Batteries {
			if removed, out := fit.RemovedOn.Get(); out && removed >= f.AsOf {
				require.Equal(t, fleet.RemovedFailed, fit.RemovedBecause, "in the season units are left as they are")
			}
		}
	}
	require.Positive(t, failed)
}

// Chances are counted over futures of the same kind as what then happens, so over fleets they add up to the failures, and who
// knows them ranks nearly all units rightly.
func TestChancesComeTrue(t *testing.T) {
	var cases []proving.Case
	for seed := range uint64(4) {
		f := built(t, proving.Options{Seed: 40 + seed, Units: 120, Years: 1, Futures: 12})
		for _, h := range f.Histories {
			truth := f.Truth[h.Unit.ID]
			cases = append(cases, proving.Case{Truth: truth, Said: proving.Said{P: truth.Chance, Suspect: truth.Worst}})
		}
	}
	s := proving.ScoreOf(cases)
	require.InDelta(t, 1, s.Ratio, 0.3, "expected over observed")
	require.Greater(t, s.AUC, 0.95)
	require.Greater(t, s.RightCaught, 0.8)
}
