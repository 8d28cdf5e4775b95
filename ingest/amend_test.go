package ingest_test

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// A fitting that has ended comes as the same row with its end filled in. Only asked to does it take the place of the open one.
func TestAmendEndsAFitting(t *testing.T) {
	db := newFleet(t)
	opened := "F900,H-001,1,P-70,agm,760,en,2025-03-02,"
	ended := "F900,H-001,1,P-70,agm,760,en,2025-03-02,2025-06-30"
	again := "F900,H-001,1,P-70,agm,760,en,2025-03-02,2025-07-31"
	file := func(rows ...string) string {
		return write(t, "batteries.csv", fittedHeader+"\n"+strings.Join(rows, "\n")+"\n")
	}
	require.True(t, importPaths(t, db, file(opened)).Complete())

	res := importPaths(t, db, file(ended))
	require.EqualValues(t, 1, res.Files[0].KeptApart)
	require.Contains(t, kept(t, res)[0].Reason, "--amend")

	amend := func(rows ...string) *ingest.Result {
		res, err := ingest.Import(t.Context(), db, []string{file(rows...)}, ingest.Options{Source: "test", Now: now, Amend: true})
		require.NoError(t, err)
		t.Cleanup(func() { require.NoError(t, res.Close()) })
		return res
	}
	res = amend(ended, again, ended)
	require.Equal(t, []int64{3, 1, 1, 1}, counts(res.Files[0]), "the first row is meant, one differs from it, one repeats it")
	require.Equal(t, []int64{1, 0, 1, 0}, counts(amend(ended).Files[0]), "the second time changes nothing")

	h, err := db.History(t.Context(), "H-001")
	require.NoError(t, err)
	for _, f := range h.Batteries {
		if f.Battery == "F900" {
			require.Equal(t, "2025-06-30", f.RemovedOn.Or(0).String())
			return
		}
	}
	t.Fatal("the fitting is not there")
}

func TestAmendNeverChangesAReading(t *testing.T) {
	db := newFleet(t)
	file := func(volts string) string {
		return write(t, "battery_tests.csv", testHeader+"\n2025-03-05T07:00:00Z,H-001,,,"+volts+",,,\n")
	}
	require.True(t, importPaths(t, db, file("12.5")).Complete())
	res, err := ingest.Import(t.Context(), db, []string{file("12.1")}, ingest.Options{Source: "test", Now: now, Amend: true})
	require.NoError(t, err)
	defer res.Close()
	require.Equal(t, []int64{1, 0, 0, 1}, counts(res.Files[0]))
	require.NotContains(t, kept(t, res)[0].Reason, "--amend")
}

func counts(f fleet.FileResult) []int64 { return []int64{f.Rows, f.Taken, f.AlreadyThere, f.KeptApart} }
