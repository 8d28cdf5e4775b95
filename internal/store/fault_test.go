package store_test

import (
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
)

var faultStart = time.Date(2026, 11, 25, 6, 30, 0, 0, time.UTC)

func TestASearchIsKeptAndComesBack(t *testing.T) {
	db := yardOf(t, "U", "V")
	begun := fleet.FaultSearch{
		Unit: "U", Begun: []byte(`{"facts": 1,  "prior": null}`), StartedAt: faultStart, StartedBy: "jo",
		Answers: []fleet.FaultAnswer{{Check: "key", Answer: "click", By: "jo", At: faultStart}},
	}
	id, started, err := db.StartFault(t.Context(), begun)
	require.NoError(t, err)
	require.True(t, started)
	again, started, err := db.StartFault(t.Context(), begun)
	require.NoError(t, err)
	require.False(t, started, "one search of a unit is open at a time")
	require.Equal(t, id, again)

	change := fleet.FaultChange{Search: id, Step: 1, By: "bo", At: faultStart.Add(time.Minute), Finding: []byte(`{"kind":"named"}`)}
	volts := fleet.FaultAnswer{Check: "rest_v", Answer: "fine", Value: fleet.Known(12.61), By: "bo"}
	done, err := db.AnswerFault(t.Context(), change, volts)
	require.NoError(t, err)
	require.True(t, done)
	got, found, err := db.Fault(t.Context(), id, []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.True(t, found)
	volts.Step, volts.At = 2, change.At
	begun.Answers[0].Step = 1
	require.Equal(t, []fleet.FaultAnswer{begun.Answers[0], volts}, utc(got.Answers))
	require.Equal(t, string(begun.Begun), string(got.Begun), "to the byte")
	require.Equal(t, []any{2, "jo", "bo", fleet.DepotID("A"), `{"kind":"named"}`, true}, []any{got.Step, got.StartedBy, got.ChangedBy, got.Depot, string(got.Finding), got.Open()})

	change.Step, change.By, change.Finding = 2, "ann", nil
	for _, want := range []bool{true, false} { // the second time the step is another
		done, err = db.TakeBackFault(t.Context(), change)
		require.NoError(t, err)
		require.Equal(t, want, done)
	}
	got, _, err = db.Fault(t.Context(), id, nil)
	require.NoError(t, err)
	require.Len(t, got.Answers, 2, "what was taken back is kept")
	require.Equal(t, "ann", got.Answers[1].TakenBackBy)
	require.Len(t, got.Standing(), 1)
	require.Empty(t, got.Finding)
	change.Step = 3
	done, err = db.TakeBackFault(t.Context(), change)
	require.NoError(t, err)
	require.True(t, done)
	change.Step = 4
	done, err = db.TakeBackFault(t.Context(), change)
	require.NoError(t, err)
	require.False(t, done, "nothing is left to take back")
	got, _, err = db.Fault(t.Context(), id, nil)
	require.NoError(t, err)
	require.Equal(t, 4, got.Step, "and so nothing moved")
}

func utc(answers []fleet.FaultAnswer) []fleet.FaultAnswer {
	for i := range answers {
		answers[i].At = answers[i].At.UTC()
	}
	return answers
}

func TestOfTwoPhonesOneIsFirst(t *testing.T) {
	db := yardOf(t, "U")
	id, _, err := db.StartFault(t.Context(), fleet.FaultSearch{Unit: "U", Begun: []byte(`{}`), StartedAt: faultStart, StartedBy: "jo"})
	require.NoError(t, err)
	var first atomic.Int32
	g, ctx := errgroup.WithContext(t.Context())
	for _, by := range []string{"a", "b", "c", "d", "e", "f"} {
		g.Go(func() error {
			done, err := db.AnswerFault(ctx, fleet.FaultChange{Search: id, By: by, At: faultStart}, fleet.FaultAnswer{Check: "key", Answer: "slow", By: by})
			if done {
				first.Add(1)
			}
			return err
		})
	}
	require.NoError(t, g.Wait())
	require.EqualValues(t, 1, first.Load())
	got, _, err := db.Fault(t.Context(), id, nil)
	require.NoError(t, err)
	require.Len(t, got.Answers, 1)
	require.Equal(t, 1, got.Step)
}

func TestSearchesAreOfTheirDepot(t *testing.T) {
	db := yardOf(t, "U")
	loadRows(t, db, &fleet.Depot{ID: "B", Name: "B", Timezone: "UTC"})
	start := func(f fleet.FaultSearch) int64 {
		t.Helper()
		f.Begun, f.StartedAt, f.StartedBy = []byte(`{}`), faultStart, "jo"
		id, started, err := db.StartFault(t.Context(), f)
		require.NoError(t, err)
		require.True(t, started)
		return id
	}
	recorded, lent, nobodys := start(fleet.FaultSearch{Unit: "U"}), start(fleet.FaultSearch{Depot: "B"}), start(fleet.FaultSearch{})
	for of, want := range map[fleet.DepotID][]int64{"A": {recorded}, "B": {lent}, "": {nobodys, lent, recorded}} {
		var depots []fleet.DepotID
		if of != "" {
			depots = []fleet.DepotID{of}
		}
		list, err := db.Faults(t.Context(), fleet.FaultFilter{Of: depots, Open: fleet.Known(true)})
		require.NoError(t, err)
		var ids []int64
		for _, f := range list {
			ids = append(ids, f.ID)
		}
		require.Equal(t, want, ids, of)
	}
	_, found, err := db.Fault(t.Context(), nobodys, []fleet.DepotID{"A", "B"})
	require.NoError(t, err)
	require.False(t, found)
	none, err := db.Faults(t.Context(), fleet.FaultFilter{Of: []fleet.DepotID{}})
	require.NoError(t, err)
	require.Empty(t, none)
	_, _, err = db.StartFault(t.Context(), fleet.FaultSearch{Depot: "Z", Begun: []byte(`{}`), StartedAt: faultStart, StartedBy: "jo"})
	require.ErrorContains(t, err, "there is no such depot")
}

func TestASearchEndsAndIsTakenUpAgain(t *testing.T) {
	db := yardOf(t, "U")
	start := func() (int64, bool) {
		id, started, err := db.StartFault(t.Context(), fleet.FaultSearch{Unit: "U", Begun: []byte(`{}`), StartedAt: faultStart, StartedBy: "jo"})
		require.NoError(t, err)
		return id, started
	}
	first, _ := start()
	change := fleet.FaultChange{Search: first, By: "bo", At: faultStart, Finding: []byte(`{}`)}
	stale := change
	stale.Step = 7
	done, err := db.EndFault(t.Context(), stale)
	require.NoError(t, err)
	require.False(t, done)
	for _, want := range []bool{true, false} {
		done, err := db.EndFault(t.Context(), change)
		require.NoError(t, err)
		require.Equal(t, want, done)
	}
	done, err = db.AnswerFault(t.Context(), change, fleet.FaultAnswer{Check: "key", Answer: "slow"})
	require.NoError(t, err)
	require.False(t, done, "what is ended takes no answer")
	second, started := start()
	require.True(t, started)
	done, err = db.ReopenFault(t.Context(), change)
	require.NoError(t, err)
	require.False(t, done, "another search of the unit is open")
	_, err = db.EndFault(t.Context(), fleet.FaultChange{Search: second, By: "bo", At: faultStart})
	require.NoError(t, err)
	done, err = db.ReopenFault(t.Context(), change)
	require.NoError(t, err)
	require.True(t, done)
	list, err := db.Faults(t.Context(), fleet.FaultFilter{Unit: "U", Found: true})
	require.NoError(t, err)
	require.Len(t, list, 1)
	require.True(t, list[0].Open())
}

func TestNotesOfAClass(t *testing.T) {
	db := yardOf(t)
	_, found, err := db.ClassNote(t.Context(), "van")
	require.NoError(t, err)
	require.False(t, found)
	for _, notes := range []string{`{"reach":"below"}`, `{"reach":  "above"}`} {
		want := fleet.ClassNote{Class: "van", Notes: []byte(notes), ChangedAt: faultStart, ChangedBy: "mo"}
		require.NoError(t, db.KeepClassNote(t.Context(), want))
		got, found, err := db.ClassNote(t.Context(), "van")
		require.NoError(t, err)
		require.True(t, found)
		got.ChangedAt = got.ChangedAt.UTC()
		require.Equal(t, want, got)
	}
}

func TestTheLastLowOfADepot(t *testing.T) {
	day := fleet.NewDate(2026, 11, 25)
	db := yardOf(t)
	loadRows(t, db, &fleet.DayTemp{Depot: "A", Date: day - 1, MinC: fleet.Known(-7.0)}, &fleet.DayTemp{Depot: "A", Date: day + 1, MinC: fleet.Known(-20.0)},
		&fleet.DayTemp{Depot: "A", Date: day, MaxC: fleet.Known(3.0)})
	l, found, err := db.LastLow(t.Context(), "A", day-2, day)
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, fleet.Low{Depot: "A", Dawn: day - 1, C: -7}, l, "a day without a low, and one to come, do not count")
	require.NoError(t, db.TypeLow(t.Context(), fleet.Low{Depot: "A", Dawn: day - 1, C: -9, Typed: "jo"}))
	l, _, err = db.LastLow(t.Context(), "A", day-2, day)
	require.NoError(t, err)
	require.Equal(t, fleet.Low{Depot: "A", Dawn: day - 1, C: -9, Typed: "jo"}, l, "what was typed in comes first")
	_, found, err = db.LastLow(t.Context(), "A", day, day)
	require.NoError(t, err)
	require.False(t, found)
}
