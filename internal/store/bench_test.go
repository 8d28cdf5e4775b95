package store_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func TestABenchEntryIsKeptOnce(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	at := time.Date(2025, 3, 1, 9, 30, 0, 0, time.UTC)
	e := fleet.BenchEntry{
		Entry: "key", Unit: "U", Depot: "A", At: at, By: "jo", Phone: "shed", Row: map[string]string{"unit": "U", "rest_v": "12.5"},
		Outcome: fleet.BenchConflict, Reason: "another stands", KeptRow: "ab",
	}
	require.NoError(t, db.AddBenchEntry(ctx, e))
	other := e
	other.Outcome, other.Row = fleet.BenchTaken, map[string]string{"unit": "U", "rest_v": "11"}
	require.NoError(t, db.AddBenchEntry(ctx, other), "sent again")
	got, found, err := db.BenchEntry(ctx, "key")
	require.NoError(t, err)
	require.True(t, found)
	require.WithinDuration(t, time.Now(), got.ReceivedAt, time.Hour)
	got.ReceivedAt, got.At = time.Time{}, got.At.UTC()
	require.Equal(t, e, got, "what is there stands")

	e.Outcome, e.Reason, e.At = fleet.BenchTaken, "", at.Add(time.Minute)
	settled, err := db.SettleBenchEntry(ctx, e)
	require.NoError(t, err)
	require.True(t, settled)
	settled, err = db.SettleBenchEntry(ctx, e)
	require.NoError(t, err)
	require.False(t, settled, "by one person")
	_, found, err = db.BenchEntry(ctx, "another key")
	require.NoError(t, err)
	require.False(t, found)

	nowhere := fleet.BenchEntry{Entry: "nowhere", Unit: "?", At: at, By: "jo", Row: map[string]string{}, Outcome: fleet.BenchRefused, Reason: "no such unit"}
	require.NoError(t, db.AddBenchEntry(ctx, nowhere))
	for person, want := range map[string]int{"jo": 2, "kim": 1} {
		list, err := db.BenchEntries(ctx, "A", person, at.AddDate(-1, 0, 0))
		require.NoError(t, err)
		require.Len(t, list, want, person)
	}
	list, err := db.BenchEntries(ctx, "B", "kim", at.AddDate(-1, 0, 0))
	require.NoError(t, err)
	require.Empty(t, list)
}

// A phone is told what is fitted today, and of each place the newest test and the newest with cold cranking amps.
func TestBenchUnitsHaveWhatTestsAreHeldAgainst(t *testing.T) {
	db := yardOf(t, "TWO", "NONE")
	ctx := t.Context()
	today := fleet.NewDate(2025, 3, 20)
	at := func(d int) time.Time { return time.Date(2025, 3, d, 9, 0, 0, 0, time.UTC) }
	battery := func(name string, position int, from, to fleet.Opt[fleet.Date]) *fleet.BatteryFitting {
		return &fleet.BatteryFitting{Battery: name, Unit: "TWO", Position: position, Part: "P", Chemistry: fleet.AGM, RatedCCAA: 800, CCAStandard: fleet.EN, FittedOn: from, RemovedOn: to}
	}
	loadRows(t, db,
		battery("old", 1, fleet.Opt[fleet.Date]{}, fleet.Known(today-9)), battery("new", 1, fleet.Known(today-9), fleet.Opt[fleet.Date]{}))
	amps := func(d int, a float64) *fleet.Test {
		return &fleet.Test{Unit: "TWO", At: at(d), Position: 1, CCAA: fleet.Known(a), CCAStandard: fleet.EN, RestV: fleet.Known(12.5)}
	}
	loadRows(t, db, amps(1, 700), amps(12, 720), amps(5, 710), &fleet.Test{Unit: "TWO", At: at(19), Position: 1, RestV: fleet.Known(11.9)})
	units, err := db.BenchUnits(ctx, "A", "", today)
	require.NoError(t, err)
	require.Len(t, units, 2)
	none, two := units[0], units[1]
	require.EqualValues(t, "NONE", none.Unit.ID)
	require.Empty(t, none.Tests)
	require.Len(t, two.Batteries, 1)
	require.Equal(t, "new", two.Batteries[0].Battery)
	require.Len(t, two.Tests, 2)
	require.Equal(t, at(19), two.Tests[0].At)
	require.InDelta(t, 720, two.Tests[1].CCAA.Or(0), 0)
	units, err = db.BenchUnits(ctx, "A", "TWO", today)
	require.NoError(t, err)
	require.Len(t, units, 1)
	units, err = db.BenchUnits(ctx, "B", "TWO", today)
	require.NoError(t, err)
	require.Empty(t, units, "it stands elsewhere")
	_, found, err := db.TestAt(ctx, "TWO", at(12), 2)
	require.NoError(t, err)
	require.False(t, found)
}

func TestPhonesAreLetGoForGood(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	added, err := db.AddPerson(ctx, fleet.Person{Name: "jo", Role: fleet.Mechanic, AllDepots: true, PasswordHash: "x"})
	require.NoError(t, err)
	require.True(t, added)
	hash := [32]byte{1}
	p := fleet.BenchPhone{Name: "shed", Depot: "A", Person: "jo", Fingerprint: "print"}
	added, err = db.AddBenchPhone(ctx, p, hash)
	require.NoError(t, err)
	require.True(t, added)
	added, err = db.AddBenchPhone(ctx, p, [32]byte{2})
	require.NoError(t, err)
	require.False(t, added, "a name is one phone's")
	_, err = db.AddBenchPhone(ctx, fleet.BenchPhone{Name: "lost", Depot: "nowhere", Person: "jo"}, [32]byte{3})
	require.ErrorContains(t, err, "there is no such depot")
	got, found, err := db.UseBenchPhone(ctx, hash)
	require.NoError(t, err)
	require.True(t, found)
	require.True(t, got.LastUsedAt.IsZero())
	require.False(t, got.Revoked)
	require.Equal(t, "print", got.Fingerprint)
	gone, err := db.RevokeBenchPhone(ctx, "shed", []fleet.DepotID{"B"})
	require.NoError(t, err)
	require.False(t, gone, "it is another depot's")
	gone, err = db.RevokeBenchPhone(ctx, "shed", []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.True(t, gone)
	gone, err = db.RevokeBenchPhone(ctx, "shed", nil)
	require.NoError(t, err)
	require.False(t, gone)
	got, _, err = db.UseBenchPhone(ctx, hash)
	require.NoError(t, err)
	require.True(t, got.Revoked)
	require.False(t, got.LastUsedAt.IsZero())
	phones, err := db.BenchPhones(ctx, []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.Len(t, phones, 1)
	phones, err = db.BenchPhones(ctx, []fleet.DepotID{"B"})
	require.NoError(t, err)
	require.Empty(t, phones)
}
