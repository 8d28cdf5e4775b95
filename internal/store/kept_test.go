package store_test

import (
	"context"
	"fmt"
	"iter"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// keepApart brings a file of which all rows are kept apart.
func keepApart(tb testing.TB, db *store.DB, file string, rows ...fleet.KeptRow) {
	tb.Helper()
	ctx := context.Background()
	l, err := db.StartLoad(ctx, "test", false)
	require.NoError(tb, err)
	defer func() { require.NoError(tb, l.Close(ctx)) }()
	result := fleet.FileResult{File: file, Kind: rows[0].Kind, Rows: int64(len(rows)), KeptApart: int64(len(rows))}
	kept := func(yield func(fleet.KeptRow, error) bool) {
		for _, r := range rows {
			r.File = file
			if !yield(r, nil) {
				return
			}
		}
	}
	require.NoError(tb, l.FinishFile(ctx, result, iter.Seq2[fleet.KeptRow, error](kept)))
}

func badTest(line int64, unit, depot, tester, value string) fleet.KeptRow {
	return fleet.KeptRow{
		Line: line, Kind: fleet.TestsKind, Unit: unit, Depot: fleet.DepotID(depot), Column: "cca_standard", Value: value, Reason: "want a standard",
		Header: []string{"unit", " Tester ", "line", "cca_standard"}, Fields: []string{unit, tester, fmt.Sprint(line), value},
	}
}

func TestRowsKeptApartAreNarrowedAndGrouped(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	keepApart(t, db, "a.csv", badTest(2, "U", "A", "T-1", ""), badTest(3, "U", "A", "T-2", ""), badTest(4, "V", "B", "T-1", "eu"), badTest(5, "W", "", "T-1", ""))
	crank := fleet.KeptRow{Line: 2, Kind: fleet.CranksKind, Unit: "U", Depot: "A", Column: "min_v", Value: "9x", Reason: "want a number", Header: []string{"unit"}, Fields: []string{"U"}, DecimalComma: true}
	keepApart(t, db, "b.csv", crank)
	empty := ""
	for name, tc := range map[string]struct {
		f fleet.KeptFilter
		n int
	}{
		"all":                 {fleet.KeptFilter{}, 5},
		"kind":                {fleet.KeptFilter{Kind: fleet.CranksKind}, 1},
		"file":                {fleet.KeptFilter{File: "a.csv"}, 4},
		"depot":               {fleet.KeptFilter{Depot: "B"}, 1},
		"reason":              {fleet.KeptFilter{Reason: "want a number"}, 1},
		"column":              {fleet.KeptFilter{Column: "cca_standard"}, 4},
		"no value":            {fleet.KeptFilter{Value: &empty}, 3},
		"another column":      {fleet.KeptFilter{With: "tester", Is: "T-1"}, 3},
		"who sees one depot":  {fleet.KeptFilter{Of: []fleet.DepotID{"A"}}, 3},
		"and asks of another": {fleet.KeptFilter{Of: []fleet.DepotID{"A"}, Depot: "B"}, 0},
		"who sees none":       {fleet.KeptFilter{Of: []fleet.DepotID{}}, 0},
	} {
		rows, err := db.KeptApart(ctx, tc.f)
		require.NoError(t, err)
		require.Len(t, rows, tc.n, name)
		n, err := db.CountKept(ctx, tc.f)
		require.NoError(t, err)
		require.Equal(t, int64(tc.n), n, name)
	}
	groups, err := db.KeptAlike(ctx, fleet.KeptFilter{Of: []fleet.DepotID{"A"}, Limit: 10})
	require.NoError(t, err)
	require.Equal(t, []fleet.KeptAlike{
		{Kind: fleet.TestsKind, Column: "cca_standard", Reason: "want a standard", Rows: 2},
		{Kind: fleet.CranksKind, Column: "min_v", Value: "9x", Reason: "want a number", Rows: 1},
	}, groups)
	files, err := db.KeptFiles(ctx, fleet.KeptFilter{Limit: 10})
	require.NoError(t, err)
	require.Equal(t, []string{"b.csv", "a.csv"}, files)

	var keys []string
	for f := (fleet.KeptFilter{ByKey: true, Limit: 2}); ; {
		rows, err := db.KeptApart(ctx, f)
		require.NoError(t, err)
		if len(rows) == 0 {
			break
		}
		for _, r := range rows {
			keys = append(keys, r.Key)
		}
		f.After = rows[len(rows)-1].Key
	}
	require.Len(t, keys, 5, "each once")
	require.IsIncreasing(t, keys)
}

func TestARowIsSetAsideAndPutBack(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	row := badTest(2, "U", "A", "T-1", "eu")
	row.DecimalComma = true
	keepApart(t, db, "a.csv", row)
	waiting, err := db.KeptApart(ctx, fleet.KeptFilter{})
	require.NoError(t, err)
	key := waiting[0].Key
	for _, of := range [][]fleet.DepotID{{"B"}, {}} {
		done, err := db.SetAside(ctx, key, of, "jo", "no")
		require.NoError(t, err)
		require.False(t, done, "it is of another depot")
		_, found, err := db.KeptRow(ctx, key, of)
		require.NoError(t, err)
		require.False(t, found)
	}
	own := []fleet.DepotID{"A"}
	done, err := db.SetAside(ctx, key, own, "jo", "a trial of the tester")
	require.NoError(t, err)
	require.True(t, done)
	done, err = db.SetAside(ctx, key, own, "jo", "again")
	require.NoError(t, err)
	require.False(t, done)
	settled, err := db.SettledRows(ctx, key, own, 10)
	require.NoError(t, err)
	require.Len(t, settled, 1)
	require.True(t, settled[0].Aside)
	require.Equal(t, "a trial of the tester", settled[0].Note)
	none, err := db.SettledRows(ctx, key, []fleet.DepotID{"B"}, 10)
	require.NoError(t, err)
	require.Empty(t, none)

	keepApart(t, db, "again.csv", row)
	n, err := db.CountKept(ctx, fleet.KeptFilter{})
	require.NoError(t, err)
	require.Zero(t, n, "brought again, it waits no more")
	back, err := db.PutBack(ctx, key, own)
	require.NoError(t, err)
	require.True(t, back)
	again, err := db.KeptApart(ctx, fleet.KeptFilter{})
	require.NoError(t, err)
	require.Equal(t, waiting, again, "as it was")
}

func TestImportsWithoutFilesTakeNoPlaceInTheList(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	keepApart(t, db, "a.csv", badTest(2, "U", "A", "T-1", "eu"))
	for range 5 {
		l, err := db.StartLoad(ctx, "nothing", false)
		require.NoError(t, err)
		require.NoError(t, l.Close(ctx))
	}
	list, err := db.RecentImports(ctx, 1)
	require.NoError(t, err)
	require.Len(t, list, 1)
	one, found, err := db.Import(ctx, list[0].ID)
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, list[0], one)
	_, found, err = db.Import(ctx, list[0].ID+1)
	require.NoError(t, err)
	require.False(t, found)
}
