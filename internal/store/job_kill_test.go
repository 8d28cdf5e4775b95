package store_test

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// The test binary is also the program that dies: with this set it fits a battery and kills itself with SIGKILL just before the statement
// that begins so, so that nothing of it gets a chance to tidy up.
const (
	jobDiesAt   = "RIMEYARD_TEST_JOB_DIES_AT"
	jobDatabase = "RIMEYARD_TEST_JOB_DATABASE"
	jobDoomed   = "doomed" // what the database knows its connections by
	afterCommit = "after it is committed"
)

func TestMain(m *testing.M) {
	if point := os.Getenv(jobDiesAt); point != "" {
		err := fitAndDie(context.Background(), os.Getenv(jobDatabase), point)
		fmt.Fprintln(os.Stderr, "came through alive:", err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

type deadlyStatement struct{ begins string }

func (d deadlyStatement) TraceQueryStart(ctx context.Context, _ *pgx.Conn, q pgx.TraceQueryStartData) context.Context {
	if strings.HasPrefix(strings.ToUpper(q.SQL), strings.ToUpper(d.begins)) {
		killMyself()
	}
	return ctx
}

func (deadlyStatement) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

func killMyself() {
	_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
	select {}
}

func fitAndDie(ctx context.Context, database, point string) error {
	config, err := pgxpool.ParseConfig(database)
	if err != nil {
		return err
	}
	config.ConnConfig.Tracer = deadlyStatement{point}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return err
	}
	defer pool.Close()
	db := store.New(pool)
	j, _, err := db.Job(ctx, 1)
	if err != nil {
		return err
	}
	if _, err := db.ChangeJob(ctx, doomedFitting(j)); err != nil {
		return err
	}
	if point == afterCommit {
		killMyself()
	}
	return errors.New("nothing killed it")
}

// doomedFitting does all that a fitting can do at once.
func doomedFitting(j fleet.Job) fleet.JobChange {
	c := fitting(j, "NEW-1", "from the phone")
	c.Seen, c.Core = 1, fleet.CoreReturned
	c.Fitting.Batteries[0].Unit = "U"
	return c
}

// Wherever the program dies, either all of a fitting stands or nothing of it; the phone sends it again, and it is done once.
func TestKilledAtAnyPointAFittingIsWholeOrNotThere(t *testing.T) {
	for _, point := range []string{
		"SELECT job FROM job_event", "UPDATE battery_fitting SET removed_on", "SELECT unit FROM battery_fitting", "INSERT INTO battery_fitting",
		"UPDATE shelf_battery", "INSERT INTO stock_move", "DELETE FROM plan_choice", "UPDATE battery_fitting SET core_returned_on", "UPDATE job", "INSERT INTO job_event",
		"commit", afterCommit,
	} {
		t.Run(point, func(t *testing.T) {
			database := pgtest.URL(t)
			db, err := store.Open(t.Context(), database)
			require.NoError(t, err)
			t.Cleanup(db.Close)
			loadRows(t, db, &fleet.Depot{ID: "A", Name: "A", Timezone: "UTC"}, &fleet.Unit{ID: "U", Depot: "A", Class: "van", Fuel: fleet.Petrol, SystemVolts: 12, Batteries: 1, Parked: fleet.Outdoors},
				&fleet.Unit{ID: "V", Depot: "A", Class: "van", Fuel: fleet.Petrol, SystemVolts: 12, Batteries: 1, Parked: fleet.Outdoors})
			stockShop(t, db)
			require.NoError(t, db.ChoosePlan(t.Context(), fleet.PlanChoice{Unit: "U", Monday: fleet.Known(jobDay), Parts: []fleet.Part{fleet.BatteryPart}, By: "mara"}))
			j := openJob(t, db, "U")
			require.EqualValues(t, 1, j.ID)

			dieAt(t, database, point)
			committed := point == afterCommit
			require.Equal(t, committed, isWhole(t, db))
			j = take(t, db, doomedFitting(j))
			require.Equal(t, fleet.JobFitted, j.State)
			require.Equal(t, 2, j.Step)
			require.True(t, isWhole(t, db))
		})
	}
}

func dieAt(t *testing.T, database, point string) {
	t.Helper()
	reach, err := url.Parse(database)
	require.NoError(t, err)
	query := reach.Query()
	query.Set("application_name", jobDoomed)
	reach.RawQuery = query.Encode()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	child := exec.CommandContext(ctx, os.Args[0])
	child.Env = append(os.Environ(), jobDiesAt+"="+point, jobDatabase+"="+reach.String())
	out, err := child.CombinedOutput()
	exit, died := errors.AsType[*exec.ExitError](err)
	require.True(t, died && exit.Sys().(syscall.WaitStatus).Signal() == syscall.SIGKILL, "%v: %s", err, out)
	require.NoError(t, ctx.Err(), "it was not our limit that killed it")
}

// isWhole tells whether the fitting stands, and fails if a part of it does.
func isWhole(t *testing.T, db *store.DB) bool {
	t.Helper()
	require.Eventually(t, func() bool { // the server may still hold what the dead connection had
		n := 0
		require.NoError(t, db.Pool().QueryRow(t.Context(), `SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND application_name = '`+jobDoomed+`'`).Scan(&n))
		return n == 0
	}, 30*time.Second, 2*time.Millisecond)
	j, events, err := db.Job(t.Context(), 1)
	require.NoError(t, err)
	h, err := db.History(t.Context(), "U")
	require.NoError(t, err)
	choices, err := db.PlanChoices(t.Context(), nil)
	require.NoError(t, err)
	var gone bool
	require.NoError(t, db.Pool().QueryRow(t.Context(), `SELECT gone_on IS NOT NULL FROM shelf_battery`).Scan(&gone))
	whole := j.State == fleet.JobFitted
	fitted, moved, left := 1, 2, 1
	if whole {
		fitted, moved, left = 2, 1, 0
	}
	require.Len(t, events, fitted)
	require.Len(t, h.Batteries, fitted)
	require.Equal(t, whole, h.Batteries[0].RemovedOn.IsKnown())
	require.Equal(t, whole, h.Batteries[0].CoreReturnedOn.IsKnown())
	require.Equal(t, moved, onHand(t, db))
	require.Equal(t, whole, gone)
	require.Len(t, choices, left)
	return whole
}
