package main

import (
	"fmt"
	"io"
	"log/slog"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// fittedAt books new batteries into a unit of the demo at a time, and returns its job.
func fittedAt(t *testing.T, db *store.DB, u fleet.Unit, at time.Time) fleet.Job {
	t.Helper()
	j, _, err := db.OpenJob(t.Context(), fleet.NewJob{Unit: u.ID, Part: fleet.BatteryPart, Work: fleet.WorkSwap, Because: "it cranks slowly", By: "jo"})
	require.NoError(t, err)
	change := fleet.JobChange{Job: j.ID, Seen: j.Step, To: fleet.JobFitted, By: "jo", At: at, Today: fleet.DateOf(at, time.UTC), Fitting: fleet.Fitting{Because: fleet.RemovedPreventive}}
	for place := 1; place <= u.Batteries; place++ {
		change.Fitting.Batteries = append(change.Fitting.Batteries, fleet.BatteryFitting{
			Battery: fmt.Sprintf("NEW-%s-%d", u.ID, place), Unit: u.ID, Position: place, Part: "P", Chemistry: fleet.Flooded, RatedCCAA: 800, CCAStandard: fleet.EN, FittedOn: fleet.Known(change.Today),
		})
	}
	j, err = db.ChangeJob(t.Context(), change)
	require.NoError(t, err)
	return j
}

func crankRow(u fleet.Unit, at time.Time, perBatteryV float64, outcome fleet.Outcome) string {
	series := float64(u.BatteriesInSeries())
	return fmt.Sprintf(`{"unit": %q, "cranked_at": %q, "rest_v": %.2f, "mean_v": %.2f, "duration_ms": 900, "temperature_c": 4, "outcome": %q}`,
		u.ID, at.Format(time.RFC3339), 12.7*series, perBatteryV*series, outcome)
}

// Loggers' cranks prove jobs, or bring them back, in the work of the day; a crank before the work, or one that says nothing, does neither.
func TestLoggersProveJobs(t *testing.T) {
	db := auditDB(t)
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	today, err := fleet.ParseDate(testToday)
	require.NoError(t, err)
	noon := today.Midnight(time.UTC).Add(12 * time.Hour)
	all, err := db.Units(t.Context())
	require.NoError(t, err)
	units := all[:4]
	early := noon.Add(-6 * time.Hour)
	require.NoError(t, proveJobs(t.Context(), db, log, noon), "without a list all wait")
	jobs := make([]fleet.Job, len(units))
	for i, u := range units {
		jobs[i] = fittedAt(t, db, u, early)
	}
	rows := []string{
		crankRow(units[0], early.Add(-time.Minute), 6, fleet.NoCrank), crankRow(units[0], early.Add(time.Hour), 12.2, fleet.Started),
		crankRow(units[1], early.Add(time.Hour), 6, fleet.NoCrank), crankRow(units[1], early.Add(2*time.Hour), 12.2, fleet.Started),
		crankRow(units[2], early.Add(-time.Hour), 12.2, fleet.Started),
		fmt.Sprintf(`{"unit": %q, "cranked_at": %q, "duration_ms": 900, "min_v": 10, "coolant_c": 80, "temperature_c": 4}`, units[3].ID, early.Add(time.Hour).Format(time.RFC3339)),
	}
	res, err := ingest.ImportBatch(t.Context(), db, strings.NewReader(`{"crank_events": [`+strings.Join(rows, ",")+`]}`), ingest.Options{Source: "test", Now: noon})
	require.NoError(t, err)
	require.True(t, res.Complete())
	require.NoError(t, res.Close())
	for range 2 {
		require.NoError(t, workOfTheDay(t.Context(), db, log, noon))
	}
	for i, want := range []fleet.JobState{fleet.JobProven, fleet.JobFound, fleet.JobFitted, fleet.JobFitted} {
		j, events, err := db.Job(t.Context(), jobs[i].ID)
		require.NoError(t, err)
		last := events[len(events)-1]
		require.Equal(t, want, j.State, "%s: %s %v", units[i].ID, last.Note, last.What.Proof)
		if want != fleet.JobFitted {
			require.Equal(t, byLogger, last.By)
			require.True(t, last.What.Proof.CrankedAt.Equal(early.Add(time.Hour)))
			require.Len(t, events, 3, "once")
		}
	}
}
