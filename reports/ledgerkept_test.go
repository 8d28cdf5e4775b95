package reports

import (
	"context"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// recipeOf makes a figure that counts how often it is made.
func recipeOf(of []fleet.DepotID, madeOf string, units int, at time.Time, made *int) recipe[int] {
	return recipe[int]{figure: "answer", of: of, madeOf: madeOf, at: at, make: func(context.Context) (int, int, error) {
		*made++
		return *made, units, nil
	}}
}

// What is kept is read as long as nothing has changed. After a change few units are reckoned at once; many are shown as they were, and never
// as if nothing had changed.
func TestAKeptFigureIsNeverStaleUnsaid(t *testing.T) {
	db := store.New(pgtest.New(t))
	for _, c := range []struct {
		name  string
		units int
		after Dated[int] // what is shown after a change
	}{
		{"few", atOnce, Dated[int]{Figure: 2}},
		{"many", atOnce + 1, Dated[int]{Figure: 1, Behind: true}},
	} {
		t.Run(c.name, func(t *testing.T) {
			made, at := 0, time.Date(2026, 11, 25, 5, 0, 0, 0, time.UTC)
			f, of := &figures{store: db}, []fleet.DepotID{fleet.DepotID(c.name)}
			ask := func(f *figures, madeOf string, at time.Time, fresh bool) Dated[int] {
				d, err := figureOf(t.Context(), f, recipeOf(of, madeOf, c.units, at, &made), fresh)
				require.NoError(t, err)
				d.MadeAt = time.Time{}
				return d
			}
			require.Equal(t, Dated[int]{Figure: 1}, ask(f, "a", at, false))
			require.Equal(t, Dated[int]{Figure: 1}, ask(&figures{store: db}, "a", at.Add(time.Hour), false), "another process reads it")
			require.Equal(t, 1, made)
			require.Equal(t, c.after, ask(f, "b", at.Add(2*time.Hour), false))
			fresh := ask(f, "b", at.Add(3*time.Hour), true)
			require.False(t, fresh.Behind)
			require.Equal(t, 2, fresh.Figure)
			kept, err := keepFigure(t.Context(), db, recipeOf(of, "b", c.units, at.Add(4*time.Hour), &made))
			require.NoError(t, err)
			require.False(t, kept, "it is good")
			kept, err = keepFigure(t.Context(), db, recipeOf(of, "c", c.units, at.Add(4*time.Hour), &made))
			require.NoError(t, err)
			require.True(t, kept)
			require.Equal(t, Dated[int]{Figure: 3}, ask(f, "c", at.Add(5*time.Hour), false))
		})
	}
}

// A figure of some depots is never given for another choice of them: nobody sees what they may not.
func TestKeptFiguresKeepToTheirDepots(t *testing.T) {
	db := store.New(pgtest.New(t))
	scopes := [][]fleet.DepotID{nil, {}, {"A"}, {"B"}, {"A", "B"}}
	at := time.Date(2026, 11, 25, 5, 0, 0, 0, time.UTC)
	made := 0
	for i, of := range scopes {
		d, err := figureOf(t.Context(), &figures{store: db}, recipeOf(of, "a", 1, at, &made), false)
		require.NoError(t, err)
		require.Equal(t, i+1, d.Figure, "%q", of)
	}
	d, err := figureOf(t.Context(), &figures{store: db}, recipeOf([]fleet.DepotID{"B", "A"}, "a", 1, at, &made), false)
	require.NoError(t, err)
	require.Equal(t, 5, d.Figure, "their order means nothing")

	people := []fleet.Person{
		{Role: fleet.Accountant, Depots: []fleet.DepotID{"B", "A"}},
		{Role: fleet.Manager, Depots: []fleet.DepotID{"A", "B"}},
		{Role: fleet.Mechanic, Depots: []fleet.DepotID{"A", "C"}},
		{Role: fleet.Accountant, Depots: []fleet.DepotID{"C", "B"}, Disabled: true},
		{Role: fleet.Administrator, AllDepots: true},
	}
	require.Equal(t, [][]fleet.DepotID{nil, {"A"}, {"B"}, {"C"}, {"B", "A"}}, ledgerScopes([]fleet.Depot{{ID: "A"}, {ID: "B"}, {ID: "C"}}, people))
}
