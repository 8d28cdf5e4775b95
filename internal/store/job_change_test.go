package store_test

import (
	"context"
	"errors"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

var (
	jobDay = fleet.NewDate(2026, time.November, 30)
	jobNow = jobDay.Midnight(time.UTC).Add(9 * time.Hour)
)

// shopOf is a yard with an old battery in U and in V, two new ones on the shelf, one of them by its label, and what they cost.
func shopOf(tb testing.TB) *store.DB {
	tb.Helper()
	db := yardOf(tb, "U", "V")
	stockShop(tb, db)
	return db
}

func stockShop(tb testing.TB, db *store.DB) {
	tb.Helper()
	old := func(serial string, unit fleet.UnitID) *fleet.BatteryFitting {
		return &fleet.BatteryFitting{Battery: serial, Unit: unit, Position: 1, Part: "B-70", Chemistry: fleet.Flooded, RatedCCAA: 700, CCAStandard: fleet.SAE, CoreDeposit: fleet.Known(fleet.Money(1500))}
	}
	loadRows(tb, db, old("OLD-U", "U"), old("OLD-V", "V"))
	_, err := db.Pool().Exec(context.Background(), `INSERT INTO part (part, kind) VALUES ('B-70', 'battery');
		INSERT INTO part_price (part, from_date, price, core_deposit, free_months, prorata_months) VALUES ('B-70', '2026-01-01', 14000, 1800, 24, 48), ('B-70', '2027-01-01', 99900, 0, 0, 0);
		INSERT INTO stock_move (depot, part, pieces, because, moved_by) VALUES ('A', 'B-70', 2, 'counted', 'x');
		INSERT INTO shelf_battery (serial, depot, part, made_on, came_on) VALUES ('NEW-1', 'A', 'B-70', '2026-08-01', '2026-09-01')`)
	require.NoError(tb, err)
}

func openJob(tb testing.TB, db *store.DB, unit fleet.UnitID) fleet.Job {
	tb.Helper()
	j, _, err := db.OpenJob(context.Background(), newJob(unit, fleet.BatteryPart, ""))
	require.NoError(tb, err)
	return j
}

func stepOf(j fleet.Job, to fleet.JobState, request string) fleet.JobChange {
	return fleet.JobChange{Job: j.ID, Seen: j.Step, To: to, By: "jo", Request: request, At: jobNow, Today: jobDay}
}

func fitting(j fleet.Job, serial, request string) fleet.JobChange {
	c := stepOf(j, fleet.JobFitted, request)
	c.Fitting = fleet.Fitting{Because: fleet.RemovedFailed, Batteries: []fleet.BatteryFitting{{
		Battery: serial, Unit: j.Unit, Position: 1, Part: "B-70", Chemistry: fleet.Flooded, RatedCCAA: 700, CCAStandard: fleet.SAE, FittedOn: fleet.Known(jobDay),
	}}}
	return c
}

func take(tb testing.TB, db *store.DB, c fleet.JobChange) fleet.Job {
	tb.Helper()
	j, err := db.ChangeJob(context.Background(), c)
	require.NoError(tb, err)
	return j
}

func onHand(tb testing.TB, db *store.DB) int {
	tb.Helper()
	shelves, err := db.Shelves(context.Background(), nil)
	require.NoError(tb, err)
	require.Len(tb, shelves, 1)
	return shelves[0].OnHand
}

func TestAJobFromFindingToClosing(t *testing.T) {
	db := shopOf(t)
	require.NoError(t, db.ChoosePlan(t.Context(), fleet.PlanChoice{Unit: "U", Monday: fleet.Known(jobDay), Parts: []fleet.Part{fleet.BatteryPart}, By: "mara"}))
	j := openJob(t, db, "U")
	week := stepOf(j, fleet.JobPlanned, "")
	week.Monday, week.Who = fleet.Known(jobDay), "jo"
	j = take(t, db, week)
	reserve := stepOf(j, fleet.JobReserved, "")
	reserve.PartNumber, reserve.Pieces = "B-70", 1
	j = take(t, db, reserve)
	j = take(t, db, stepOf(j, fleet.JobOnBench, ""))
	fitted := fitting(j, "NEW-1", "r1")
	j = take(t, db, fitted)
	require.Equal(t, fleet.JobFitted, j.State)
	require.True(t, j.FittedAt.Equal(jobNow))
	require.Equal(t, j, take(t, db, fitted), "sent twice, taken once")
	require.Equal(t, 1, onHand(t, db))

	h, err := db.History(t.Context(), "U")
	require.NoError(t, err)
	require.Len(t, h.Batteries, 2)
	old, fresh := h.Batteries[0], h.Batteries[1]
	require.Equal(t, fleet.Known(jobDay), old.RemovedOn)
	require.Equal(t, fleet.RemovedFailed, old.RemovedBecause)
	require.False(t, old.CoreReturnedOn.IsKnown())
	require.Equal(t, fleet.BatteryFitting{
		Battery: "NEW-1", Unit: "U", Position: 1, Part: "B-70", Chemistry: fleet.Flooded, RatedCCAA: 700, CCAStandard: fleet.SAE, FittedOn: fleet.Known(jobDay),
		MadeOn: fleet.Known(fleet.NewDate(2026, 8, 1)), Price: fleet.Known(fleet.Money(14000)), CoreDeposit: fleet.Known(fleet.Money(1800)),
		FreeMonths: fleet.Known(24), ProrataMonths: fleet.Known(48),
	}, fresh, "what was not typed in comes from the price list and from the shelf")
	choices, err := db.PlanChoices(t.Context(), nil)
	require.NoError(t, err)
	require.Empty(t, choices, "the visit is over")

	proof := stepOf(j, fleet.JobProven, "")
	proof.Proof = &fleet.Proof{CrankedAt: jobNow.Add(time.Hour), Good: true, Why: "11.0 V"}
	j = take(t, db, proof)
	bench := stepOf(j, fleet.JobProven, "")
	bench.Bench = []fleet.BenchResult{{Kind: fleet.BatteryPart, Serial: "OLD-U", Verdict: fleet.BenchGood, Readings: map[string]string{"rest_v": "12.6"}}}
	j = take(t, db, bench)
	_, err = db.ChangeJob(t.Context(), stepOf(j, fleet.JobClosed, ""))
	require.ErrorContains(t, err, "core is not settled")
	end := stepOf(j, fleet.JobClosed, "")
	end.Core, end.Paper = fleet.CoreReturned, true
	j = take(t, db, end)
	require.True(t, j.ClosedAt.Equal(jobNow))
	h, err = db.History(t.Context(), "U")
	require.NoError(t, err)
	require.Equal(t, fleet.Known(jobDay), h.Batteries[0].CoreReturnedOn)
	require.False(t, h.Batteries[1].CoreReturnedOn.IsKnown())

	_, events, err := db.Job(t.Context(), j.ID)
	require.NoError(t, err)
	require.Len(t, events, j.Step)
	require.Equal(t, []fleet.JobState{"", fleet.JobFound, fleet.JobPlanned, fleet.JobReserved, fleet.JobOnBench, fleet.JobFitted, fleet.JobProven, fleet.JobProven}, fromStates(events))
	require.Equal(t, []string{"OLD-U", "NEW-1"}, []string{events[4].What.Exchanged[0].Serial, events[4].What.Exchanged[1].Serial})
	results, err := db.BenchResults(t.Context(), []fleet.DepotID{"A"}, 0)
	require.NoError(t, err)
	require.Len(t, results, 1)
	require.Equal(t, fleet.BenchGood, results[0].Verdict)
	require.Equal(t, fleet.UnitID("U"), results[0].Unit)
	open, err := db.Jobs(t.Context(), nil, "")
	require.NoError(t, err)
	require.Empty(t, open)
	all, err := db.Jobs(t.Context(), nil, "U")
	require.NoError(t, err)
	require.Len(t, all, 1)
}

func fromStates(events []fleet.JobEvent) []fleet.JobState {
	states := make([]fleet.JobState, len(events))
	for i, e := range events {
		states[i] = e.From
	}
	return states
}

// Of two phones that go on from the same step, one is told what the other did; nothing of it is half done.
func TestTwoPhonesAtOnce(t *testing.T) {
	db := shopOf(t)
	j := openJob(t, db, "U")
	errs := make([]error, 2)
	var wg sync.WaitGroup
	for i, serial := range []string{"NEW-1", "NEW-2"} {
		c := fitting(j, serial, serial)
		c.By = []string{"jo", "mara"}[i]
		wg.Go(func() { _, errs[i] = db.ChangeJob(t.Context(), c) })
	}
	wg.Wait()
	lost := errs[0]
	if lost == nil {
		lost = errs[1]
	}
	require.True(t, errs[0] == nil || errs[1] == nil, "%v", errs)
	gone, told := errors.AsType[fleet.JobGoneOnError](lost)
	require.True(t, told, "%v", lost)
	require.Len(t, gone.Since, 1)
	require.Equal(t, fleet.JobFitted, gone.Job.State)
	require.Contains(t, gone.Error(), gone.Since[0].By+" has meanwhile changed this job")
	require.Equal(t, 1, onHand(t, db))
	h, err := db.History(t.Context(), "U")
	require.NoError(t, err)
	require.Len(t, h.Batteries, 2)
}

func TestTheLastPieceIsReservedOnce(t *testing.T) {
	db := shopOf(t)
	jobs := []fleet.Job{openJob(t, db, "U"), openJob(t, db, "V")}
	_, err := db.Pool().Exec(t.Context(), `INSERT INTO stock_move (depot, part, pieces, because, moved_by) VALUES ('A', 'B-70', -1, 'written_off', 'x')`)
	require.NoError(t, err)
	errs := make([]error, 2)
	var wg sync.WaitGroup
	for i, j := range jobs {
		c := stepOf(j, fleet.JobReserved, "")
		c.PartNumber, c.Pieces = "B-70", 1
		wg.Go(func() { _, errs[i] = db.ChangeJob(t.Context(), c) })
	}
	wg.Wait()
	require.NotEqual(t, errs[0] == nil, errs[1] == nil, "%v", errs)
	require.ErrorContains(t, errors.Join(errs...), "free on the shelf of A: 0")
}

func TestAFittingThatCannotBe(t *testing.T) {
	db := shopOf(t)
	j := openJob(t, db, "U")
	for serial, want := range map[string]string{"OLD-U": "is the one that comes out", "OLD-V": "is fitted to unit V by the records"} {
		_, err := db.ChangeJob(t.Context(), fitting(j, serial, ""))
		require.ErrorContains(t, err, want)
		_, refused := errors.AsType[fleet.JobRefusedError](err)
		require.True(t, refused)
	}
	h, err := db.History(t.Context(), "U")
	require.NoError(t, err)
	require.Len(t, h.Batteries, 1)
	require.False(t, h.Batteries[0].RemovedOn.IsKnown(), "nothing of what was refused stays")

	// What comes back is worked on anew: the second battery takes the place of the first, on the same day.
	j = take(t, db, fitting(j, "NEW-1", ""))
	back := stepOf(j, fleet.JobFound, "")
	back.Proof = &fleet.Proof{CrankedAt: jobNow, Why: "1 V too low"}
	j = take(t, db, back)
	require.Empty(t, j.PartNumber)
	_, err = db.ChangeJob(t.Context(), fitting(j, "NEW-1", ""))
	require.ErrorContains(t, err, "is the one that comes out")
	j = take(t, db, fitting(j, "NEW-2", ""))
	require.Len(t, j.Removed(), 2)
	_, err = db.ChangeJob(t.Context(), fleet.JobChange{Job: j.ID, Seen: 99, To: fleet.JobFound, By: "jo"})
	require.ErrorContains(t, err, "has no step 99")
	_, err = db.ChangeJob(t.Context(), fleet.JobChange{Job: 99, Seen: 1, To: fleet.JobFound, By: "jo"})
	require.ErrorIs(t, err, fleet.ErrNoJob)
}

func TestAStarterChange(t *testing.T) {
	db := shopOf(t)
	loadRows(t, db, &fleet.StarterFitting{Starter: "S-OLD", Unit: "U", Part: "S-1", FittedOn: fleet.Known(jobDay - 900)})
	j, _, err := db.OpenJob(t.Context(), newJob("U", fleet.StarterPart, ""))
	require.NoError(t, err)
	c := stepOf(j, fleet.JobFitted, "")
	c.Fitting = fleet.Fitting{Because: fleet.RemovedPreventive, Starters: []fleet.StarterFitting{{Starter: "S-NEW", Unit: "U", Part: "S-2", FittedOn: fleet.Known(jobDay), Price: fleet.Known(fleet.Money(30000)), CoreDeposit: fleet.Known(fleet.Money(6000)), FreeMonths: fleet.Known(12)}}}
	c.Core = fleet.CoreReturned
	j = take(t, db, c)
	h, err := db.History(t.Context(), "U")
	require.NoError(t, err)
	require.Len(t, h.Starters, 2)
	require.Equal(t, fleet.RemovedPreventive, h.Starters[0].RemovedBecause)
	require.Equal(t, fleet.Known(jobDay), h.Starters[0].CoreReturnedOn)
	require.Equal(t, c.Fitting.Starters[0], h.Starters[1])
	require.Equal(t, fleet.Known(fleet.Money(6000)), j.Exchanged[1].Deposit)
	require.Equal(t, 2, onHand(t, db), "of another part")
	require.Equal(t, fleet.CoreReturned, j.Core)
}
