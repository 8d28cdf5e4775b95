package trend

import (
	"context"
	"encoding/json"
	"math"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// unread is a unit of the learned fleet's kind that nobody ever read, with a battery of that age.
func unread(years int) fleet.History {
	h := lived(0)
	on := asOf - fleet.Date(365*years)
	h.Tests, h.Cranks, h.Breakdowns = nil, nil, nil
	h.Batteries = h.Batteries[:1]
	h.Batteries[0].FittedOn, h.Batteries[0].RemovedOn, h.Batteries[0].RemovedBecause = fleet.Known(on), fleet.Opt[fleet.Date]{}, ""
	return h
}

func TestUnreadUnitIsOneOfItsKind(t *testing.T) {
	f := learned()
	var p, n float64
	for i := range f.histories {
		if f.tracks[i].Group == f.tracks[0].Group {
			p, n = p+seasonChance(f.state(f.histories[i])), n+1
		}
	}
	young, old := seasonChance(f.state(unread(2))), seasonChance(f.state(unread(12)))
	require.InDelta(t, math.Log(p/n), math.Log((young+old)/2), math.Log(2), "as likely to fail as its kind is on the whole: %v of %v", young, p/n)
	require.Less(t, old, 0.6, "a battery that lasted so long is one that ages slowly")
	require.InDelta(t, seasonChance(f.state(unread(5))), old, 1e-9, "beyond oldWeeks age says no more")
}

// What a reading told fades: the longer a unit is silent, the nearer it comes to its kind, and a little silence changes nothing.
func TestOldReadingsFadeToTheKind(t *testing.T) {
	f := learned()
	track := f.tracks[1]
	m := newModel(&track, &f.params)
	b := m.run(nil)
	weeks := b.week
	limit := func(silent int) float64 {
		b.readWeek = weeks - silent
		o := m.foreseen(&b)
		return o.limits()[0]
	}
	b.readWeek = neverRead
	o := m.foreseen(&b)
	kind := o.limits()[0]
	first := math.Abs(limit(0) - kind)
	last := first
	require.Greater(t, first, 0.5)
	require.InDelta(t, limit(0), limit(fadesAfter), 0)
	for silent := fadesAfter + 1; silent < 600; silent += 20 {
		off := math.Abs(limit(silent) - kind)
		require.Less(t, off, last, "%d weeks", silent)
		require.InDelta(t, first*m.kept(&b), off, 1e-9)
		last = off
	}
}

// A fleet of which no unit is read has the kind that other fleets taught.
func TestFleetWithoutReadingsHasAKind(t *testing.T) {
	var tracks []Track
	for range 5 {
		tracks = append(tracks, Compress(unread(3), yard, coldWeather(), asOf))
	}
	p, err := Learn(context.Background(), tracks, coldWeather(), 2)
	require.NoError(t, err)
	require.InDelta(t, taught.Unread.All.LimitC[0], p.Unread.All.LimitC[0], 1e-9)
	chance := seasonChance(Estimate(tracks[0], p))
	require.Greater(t, chance, 0.005)
	require.Less(t, chance, 0.6)
}

// Within a month what is learned stays as it is, though readings come in; on the next it moves.
func TestWhatIsSharedIsLearnedFromWhatIsSettled(t *testing.T) {
	f := learned()
	year, month, _ := asOf.YMD()
	first := fleet.NewDate(year, month, 1)
	learn := func(day fleet.Date) string {
		weather := NewWeather([]fleet.Depot{yard}, map[fleet.DepotID][]fleet.DayTemp{yard.ID: coldDays()}, day)
		var tracks []Track
		for _, h := range f.histories {
			tracks = append(tracks, Compress(h, yard, weather, day))
		}
		p, err := Learn(context.Background(), tracks, weather, 2)
		require.NoError(t, err)
		text, err := json.Marshal(p)
		require.NoError(t, err)
		return string(text)
	}
	before := first.AddMonths(-1)
	early, late := learn(before+5), learn(before+26)
	require.Equal(t, early, late)
	require.NotEqual(t, early, learn(first+1))
}
