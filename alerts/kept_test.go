package alerts_test

import (
	"encoding/json"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// issuedOn is all that a list of that day says, as bytes, and what it learned, read back as the database keeps it.
func (w *world) issuedOn(t *testing.T, day fleet.Date, kept *alerts.Learned) (said string, learned alerts.Learned) {
	t.Helper()
	in := w.input()
	in.AsOf, in.Kept = day, kept
	issued, err := alerts.Issue(t.Context(), in)
	require.NoError(t, err)
	text, err := json.Marshal(issued)
	require.NoError(t, err)
	lesson, err := json.Marshal(issued.Learned)
	require.NoError(t, err)
	learned, err = alerts.ReadLearned(lesson)
	require.NoError(t, err)
	return string(text), learned
}

// otherwise is what was learned, made wrong: a list shows whether it was used.
func otherwise(l alerts.Learned) *alerts.Learned {
	l.Params.Foresight.Level[0] += 5
	return &l
}

// A list is the same, byte for byte, whatever was learned before it; what was learned is used for the rest of its month.
func TestListIsTheSameWhateverWasKept(t *testing.T) {
	w := newWorld(21, 48, 1)
	first := fleet.NewDate(2024, time.December, 2)
	_, learned := w.issuedOn(t, first, nil)
	for _, day := range []fleet.Date{first, first + 1, first + 13, first + 29} {
		fresh, again := w.issuedOn(t, day, nil)
		require.Equal(t, learned.Of, again.Of, day)
		require.Equal(t, learned.Params, again.Params, day)
		said, _ := w.issuedOn(t, day, &learned)
		require.Equal(t, fresh, said, day)
		said, _ = w.issuedOn(t, day, otherwise(learned))
		require.NotEqual(t, fresh, said, "what was kept is used on %s", day)
	}
	for _, day := range []fleet.Date{first - 2, first + 30, w.asOf} {
		fresh, again := w.issuedOn(t, day, nil)
		require.NotEqual(t, learned.Of, again.Of, day)
		said, _ := w.issuedOn(t, day, otherwise(learned))
		require.Equal(t, fresh, said, "what was kept in another month is not used on %s", day)
	}
}

// What changes settled data is learned anew, within a month as well.
func TestLateRowsAreLearnedAnew(t *testing.T) {
	day := fleet.NewDate(2024, time.December, 16)
	whole := newWorld(22, 36, 1)
	_, learned := whole.issuedOn(t, day-7, nil)
	for what, change := range map[string]func(w *world){
		"a late parcel": func(w *world) {
			h := &w.histories[1]
			crank := h.Cranks[300]
			crank.At, crank.MeanV = crank.At.Add(-70*time.Minute), fleet.Known(crank.MeanV.Or(0)-0.3)
			h.Cranks = append(slices.Clone(h.Cranks), crank)
		},
		"a row taken back": func(w *world) { w.histories[2].Tests = w.histories[2].Tests[1:] },
		"another rating": func(w *world) {
			w.histories[3].Batteries = slices.Clone(w.histories[3].Batteries)
			w.histories[3].Batteries[0].RatedCCAA = 680
		},
		"a unit more": func(w *world) {
			h := w.histories[4]
			h.Unit.ID = "T-9999"
			w.histories = append(w.histories, h)
		},
		"a unit less":    func(w *world) { w.histories = w.histories[1:] },
		"a warmer night": func(w *world) { w.temps["UPL"] = warmer(w.temps["UPL"], day-100) },
	} {
		t.Run(what, func(t *testing.T) {
			w := *whole
			w.histories, w.temps = slices.Clone(whole.histories), map[fleet.DepotID][]fleet.DayTemp{}
			for depot, days := range whole.temps {
				w.temps[depot] = days
			}
			change(&w)
			fresh, again := w.issuedOn(t, day, nil)
			require.NotEqual(t, learned.Of, again.Of)
			said, _ := w.issuedOn(t, day, otherwise(learned))
			require.Equal(t, fresh, said)
		})
	}
}

func warmer(days []fleet.DayTemp, on fleet.Date) []fleet.DayTemp {
	days = slices.Clone(days)
	for i := range days {
		if days[i].Date == on {
			days[i].MinC = fleet.Known(days[i].MinC.Or(0) + 1)
		}
	}
	return days
}
