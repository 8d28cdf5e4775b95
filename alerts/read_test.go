package alerts_test

import (
	"fmt"
	"iter"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// largeWorld is a fleet larger than what teaches: a few units, each with many keys and the readings of a year.
func largeWorld(units, copies int) *world {
	w := newWorld(31, units, 1)
	for i := range w.histories {
		h := &w.histories[i]
		for len(h.Cranks) > 0 && fleet.DateOf(h.Cranks[0].At, time.UTC) < w.asOf-300 {
			h.Cranks = h.Cranks[1:]
		}
	}
	return w.times(copies)
}

// times gives each unit n keys; the rows are shared.
func (w *world) times(n int) *world {
	var all []fleet.History
	for k := range n {
		for _, h := range w.histories {
			h.Unit.ID = fleet.UnitID(fmt.Sprintf("%s-%03d", h.Unit.ID, k))
			all = append(all, h)
		}
	}
	w.histories = all
	return w
}

// inPieces gives the same input so that units that do not teach are let go; read counts how often histories are asked for.
func (w *world) inPieces(in alerts.Input, read map[fleet.UnitID]int) alerts.Input {
	counted := func(histories iter.Seq2[fleet.History, error]) iter.Seq2[fleet.History, error] {
		return func(yield func(fleet.History, error) bool) {
			for h, err := range histories {
				read[h.Unit.ID]++
				if !yield(h, err) {
					return
				}
			}
		}
	}
	byKey := map[fleet.UnitID]fleet.History{}
	for _, h := range w.histories {
		in.Units = append(in.Units, h.Unit)
		byKey[h.Unit.ID] = h
	}
	in.Histories = counted(in.Histories)
	in.Again = func(units []fleet.Unit) iter.Seq2[fleet.History, error] {
		var some []fleet.History
		for _, u := range units {
			some = append(some, byKey[u.ID])
		}
		return counted(each(some))
	}
	return in
}

// A large fleet whose rows are not kept has the same list as one whose rows are, and is read once where nothing is learned.
func TestFleetThatIsLetGoHasTheSameList(t *testing.T) {
	const units, copies = 60, 28 // 1,680 keys, of which about 1,500 teach
	w := largeWorld(units, copies)
	issue := func(in alerts.Input) (alerts.Issued, map[fleet.UnitID]int) {
		read := map[fleet.UnitID]int{}
		issued, err := alerts.Issue(t.Context(), w.inPieces(in, read))
		require.NoError(t, err)
		return issued, read
	}
	times := func(read map[fleet.UnitID]int) (once, twice int) {
		for _, n := range read {
			require.LessOrEqual(t, n, 2)
			once, twice = once+2-n, twice+n-1
		}
		return once, twice
	}
	whole, err := alerts.Issue(t.Context(), w.input())
	require.NoError(t, err)
	require.Len(t, whole.List.Units, units*copies)

	anew, read := issue(w.input())
	require.Equal(t, whole, anew, "learned anew")
	once, twice := times(read)
	require.True(t, once > 1450 && twice > 100, "%d that teach are read once, %d others once more when it is known what was learned", once, twice)

	in := w.input()
	in.Kept = &whole.Learned
	kept, read := issue(in)
	require.Equal(t, whole, kept, "learned before")
	_, twice = times(read)
	require.Zero(t, twice, "nobody is read twice")

	in.Kept = otherwise(whole.Learned)
	in.Kept.Of = "of another fleet"
	again, _ := issue(in)
	require.Equal(t, whole, again, "judged by what does not hold any more, and then anew")
}

func TestUnitThatGoesWhileTheFleetIsRead(t *testing.T) {
	w := largeWorld(60, 28)
	in := w.inPieces(w.input(), map[fleet.UnitID]int{})
	in.Again = func([]fleet.Unit) iter.Seq2[fleet.History, error] { return each(nil) }
	_, err := alerts.Rank(t.Context(), in)
	require.ErrorContains(t, err, "went while the fleet was read: judge it again")
}
