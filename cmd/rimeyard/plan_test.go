package main

import (
	"encoding/csv"
	"encoding/json"
	"io"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
	"rimeyard/reports"
)

func planned(t *testing.T, args ...string) plan.Plan {
	t.Helper()
	code, stdout, stderr := rimeyard(t, append([]string{"plan", "--as-of", testToday, "--format", "json"}, args...)...)
	require.Equal(t, exitDone, code, stderr)
	var p plan.Plan
	dec := json.NewDecoder(strings.NewReader(stdout))
	dec.DisallowUnknownFields()
	require.NoError(t, dec.Decode(&p))
	return p
}

func TestPlanKeepsToWhatIsThereAndToWhatPeopleChose(t *testing.T) {
	db := auditDB(t)
	_, err := db.Pool().Exec(t.Context(), `UPDATE depot SET swaps_per_week = 1`)
	require.NoError(t, err)
	p := planned(t)
	monday := fleet.NewDate(2026, 11, 23)
	require.Equal(t, monday, p.Monday)
	var first plan.Visit
	var at fleet.DepotID
	for _, d := range p.Depots {
		for _, w := range d.Weeks {
			require.LessOrEqual(t, len(w.Visits), 1)
			if first.Unit == "" && len(w.Visits) > 0 {
				first, at = w.Visits[0], d.Depot
			}
		}
	}
	require.NotEmpty(t, first.Unit, "something pays in this fleet")
	require.Len(t, planned(t, "--depot", string(at)).Depots, 1)
	require.Zero(t, planned(t, "--budget", "0").Spent)

	require.NoError(t, db.ChoosePlan(t.Context(), fleet.PlanChoice{Unit: first.Unit, Monday: fleet.Known(monday + 21), Who: "jo", By: "mara"}))
	again := planned(t, "--depot", string(at))
	i := slices.IndexFunc(again.Depots[0].Weeks[3].Visits, func(v plan.Visit) bool { return v.Unit == first.Unit })
	require.GreaterOrEqual(t, i, 0)
	require.True(t, again.Depots[0].Weeks[3].Visits[i].Locked)
	require.Equal(t, "jo", again.Depots[0].Weeks[3].Visits[i].Who)

	code, table, stderr := rimeyard(t, "plan", "--as-of", testToday)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, table, "locked")
	require.Contains(t, table, "2026-12-14")
	code, stdout, stderr := rimeyard(t, "plan", "--as-of", testToday, "--format", "csv")
	require.Equal(t, exitDone, code, stderr)
	rows, err := csv.NewReader(strings.NewReader(stdout)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, reports.PlanHeader(), rows[0])
	for _, args := range [][]string{{"--depot", "NIX"}, {"--budget", "much"}, {"--budget", "-5"}} {
		code, _, _ := rimeyard(t, append([]string{"plan"}, args...)...)
		require.Equal(t, exitUsage, code, args)
	}
}

// The day's work keeps each depot's plan once for each list, so that pages need not make it.
func TestThePlanOfTheDayIsKept(t *testing.T) {
	db := auditDB(t)
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	today, err := fleet.ParseDate(testToday)
	require.NoError(t, err)
	noon := today.Midnight(time.UTC).Add(12 * time.Hour)
	for range 2 {
		require.NoError(t, keepPlans(t.Context(), db, log, today), "nothing is issued: nothing to keep")
	}
	require.NoError(t, workOfTheDay(t.Context(), db, log, noon))
	kept, err := db.KeptPlans(t.Context(), nil, time.Time{})
	require.NoError(t, err)
	depots, err := db.Depots(t.Context())
	require.NoError(t, err)
	require.Len(t, kept, len(depots))
	require.NoError(t, workOfTheDay(t.Context(), db, log, noon.Add(time.Hour)))
	again, err := db.KeptPlans(t.Context(), nil, time.Time{})
	require.NoError(t, err)
	require.Equal(t, kept, again)

	t.Setenv(envSMTP, "")
	t.Setenv(envHome, t.TempDir())
	out, err := report(t, "send", "plan", "--to", "ada@example.org", "--depot", string(depots[0].ID), "--attach", "pdf,xlsx,csv")
	require.NoError(t, err)
	require.Contains(t, out, "sent to ada@example.org: Week of ")
}
