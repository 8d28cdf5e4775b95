package main

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// A demo that was broken off is made again: what was counted and ordered then stands once.
func TestDemoShelvesStandOnce(t *testing.T) {
	url := pgtest.URL(t)
	t.Setenv(envDatabase, url)
	code, _, stderr := rimeyard(t, "import", writeFleet(t))
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)
	db, err := store.Open(t.Context(), url)
	require.NoError(t, err)
	t.Cleanup(db.Close)
	today, err := fleet.ParseDate(testToday)
	require.NoError(t, err)
	require.NoError(t, demoShelves(t.Context(), db, today))
	lines, err := db.StockLines(t.Context(), nil, today)
	require.NoError(t, err)
	require.NotEmpty(t, lines)
	require.NoError(t, demoShelves(t.Context(), db, today))
	again, err := db.StockLines(t.Context(), nil, today)
	require.NoError(t, err)
	require.Equal(t, lines, again)
	code, _, stderr = rimeyard(t, "fit", "--as-of", testToday)
	require.Equal(t, exitDone, code, stderr)
	for range 2 {
		require.NoError(t, demoJobs(t.Context(), db, today))
	}
	jobs, err := db.Jobs(t.Context(), nil, "")
	require.NoError(t, err)
	require.NotEmpty(t, jobs)
	for _, j := range jobs {
		require.LessOrEqual(t, j.Step, 2, "each step is taken once")
	}
	_, found, err := db.ClassNote(t.Context(), demoClass)
	require.NoError(t, err)
	require.True(t, found)
}
