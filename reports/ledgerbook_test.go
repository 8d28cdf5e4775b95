package reports_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
	"rimeyard/ledger"
	"rimeyard/plan"
	"rimeyard/reports"
)

// bookWorld is a workshop of three depots in zones far apart, whose rows change at random, on a real database.
type bookWorld struct {
	t     *testing.T
	db    *store.DB
	r     *rand.Rand
	today fleet.Date
	n     int
	// what closed months came to on the day on which they were closed
	closed map[fleet.Date]map[string]fleet.Money
}

func newBookWorld(t *testing.T, seed uint64) *bookWorld {
	t.Helper()
	w := &bookWorld{t: t, db: store.New(pgtest.New(t)), r: rand.New(rand.NewPCG(seed, 15)), today: fleet.NewDate(2024, 1, 20), closed: map[fleet.Date]map[string]fleet.Money{}}
	for i, zone := range []string{"Pacific/Kiritimati", "UTC", "Pacific/Pago_Pago"} { // +14, 0 and −11 hours
		w.exec(`INSERT INTO depot (depot, name, timezone, cost_centre) VALUES ($1, $1, $2, $3)`, fmt.Sprintf("D%d", i), zone, fmt.Sprintf("C%d", i%2))
		for k := range 3 {
			w.exec(`INSERT INTO unit (unit, depot, class, fuel, system_volts, batteries) VALUES ($1, $2, 'van', 'diesel', 12, 1)`, fmt.Sprintf("U%d%d", i, k), fmt.Sprintf("D%d", i))
		}
	}
	return w
}

func (w *bookWorld) exec(sql string, args ...any) {
	w.t.Helper()
	_, err := w.db.Pool().Exec(w.t.Context(), sql, args...)
	require.NoError(w.t, err, sql)
}

func (w *bookWorld) unit() string { return fmt.Sprintf("U%d%d", w.r.IntN(3), w.r.IntN(3)) }

func (w *bookWorld) day() string { return (w.today - fleet.Date(w.r.IntN(40))).String() }

func (w *bookWorld) cents() int64 { return w.r.Int64N(90_000_00) }

// step changes something in the workshop.
func (w *bookWorld) step() {
	w.t.Helper()
	w.n++
	switch w.r.IntN(13) {
	case 0, 1, 2:
		w.exec(`INSERT INTO battery_fitting (battery, unit, position, part, chemistry, rated_cca_a, cca_standard, fitted_on, price, core_deposit)
			VALUES ($1, $2, 1, 'P/%', 'agm', 800, 'sae', $3::text::date, $4, $5)`, fmt.Sprintf("B%d", w.n), w.unit(), w.day(), w.cents(), w.cents()/10)
	case 3:
		w.exec(`INSERT INTO starter_fitting (starter, unit, part, fitted_on, price, core_deposit) VALUES ($1, $2, 'Q', $3::text::date, NULL, $4)`, fmt.Sprintf("S%d", w.n), w.unit(), w.day(), w.cents())
	case 4: // at either end of a day in some zone
		at, err := time.Parse(time.DateOnly, w.day())
		require.NoError(w.t, err)
		w.exec(`INSERT INTO breakdown (unit, happened_at, cause, cost, hours_down) VALUES ($1, $2, 'battery', $3, 1.75)`, w.unit(), at.Add(time.Duration(w.n%24)*time.Hour+time.Duration(w.n)), w.cents())
	case 5:
		w.exec(`UPDATE battery_fitting SET core_returned_on = $1::text::date WHERE battery IN (SELECT battery FROM battery_fitting ORDER BY md5(battery || $2) LIMIT 2)`, w.day(), fmt.Sprint(w.n))
	case 6: // a price that was typed wrongly
		w.exec(`UPDATE battery_fitting SET price = $1 WHERE battery IN (SELECT battery FROM battery_fitting ORDER BY md5(battery || $2) LIMIT 1)`, w.cents(), fmt.Sprint(w.n))
	case 7: // a fitting that was written to the wrong unit
		w.exec(`UPDATE battery_fitting SET unit = $1 WHERE battery IN (SELECT battery FROM battery_fitting ORDER BY md5(battery || $2) LIMIT 1)`, w.unit(), fmt.Sprint(w.n))
	case 8: // a day that was, and a row that was none
		w.exec(`UPDATE battery_fitting SET fitted_on = $1::text::date WHERE battery IN (SELECT battery FROM battery_fitting ORDER BY md5(battery || $2) LIMIT 1)`, w.day(), fmt.Sprint(w.n))
		w.exec(`DELETE FROM starter_fitting WHERE starter IN (SELECT starter FROM starter_fitting ORDER BY md5(starter || $1) LIMIT 1)`, fmt.Sprint(w.n))
	case 9:
		unit := w.unit()
		id, err := w.db.OpenClaim(w.t.Context(), fleet.Claim{Unit: fleet.UnitID(unit), Serial: fmt.Sprintf("B%d", w.n), Part: "P", PartKind: fleet.BatteryPart, State: "open", OpenedOn: w.today - 3, By: "x"})
		require.NoError(w.t, err)
		_, err = w.db.DecideClaim(w.t.Context(), fleet.Claim{ID: id, State: "paid", Paid: fleet.Known(fleet.Money(w.cents())), DecidedOn: fleet.Known(w.today - 1), By: "x"}, "open")
		require.NoError(w.t, err)
	case 10: // of one unit, of one depot, of all
		b := fleet.Bill{On: w.today - 2, Kind: string(ledger.CallOut), Amount: fleet.Money(w.cents()), By: "x"}
		switch w.n % 3 {
		case 0:
			b.Unit = fleet.UnitID(w.unit())
		case 1:
			b.Depot = "D1"
		}
		id, err := w.db.AddBill(w.t.Context(), b)
		require.NoError(w.t, err)
		if w.n%5 == 0 {
			w.book(nil)
			gone, err := w.db.TakeBackBill(w.t.Context(), id, nil, "x")
			require.NoError(w.t, err)
			require.True(w.t, gone)
		}
	case 11:
		w.exec(`UPDATE unit SET depot = $1, class = $2 WHERE unit = $3`, fmt.Sprintf("D%d", w.r.IntN(3)), fmt.Sprintf("class %d", w.n%2), w.unit())
	case 12:
		w.closeMonth()
	}
}

func (w *bookWorld) book(of []fleet.UnitID) int64 {
	w.t.Helper()
	added, err := reports.BookLedger(w.t.Context(), w.db, of, "test", w.today)
	require.NoError(w.t, err)
	return added
}

func (w *bookWorld) closeMonth() {
	w.t.Helper()
	closed, err := w.db.ClosedMonths(w.t.Context())
	require.NoError(w.t, err)
	month := ledger.MonthOf(w.today) - 1
	if reports.MayClose(month, closed, w.today) != nil {
		return
	}
	w.book(nil)
	done, err := w.db.CloseMonth(w.t.Context(), month.First(), "test")
	require.NoError(w.t, err)
	require.True(w.t, done)
	w.closed[month.First()] = w.sums(fleet.LedgerFilter{To: fleet.Known(month.Last())})
}

// sums are those of the database, by kind.
func (w *bookWorld) sums(f fleet.LedgerFilter) map[string]fleet.Money {
	w.t.Helper()
	sums, err := w.db.LedgerSums(w.t.Context(), f)
	require.NoError(w.t, err)
	by := map[string]fleet.Money{}
	for _, s := range sums {
		if by[s.Kind] += s.Amount; by[s.Kind] == 0 {
			delete(by, s.Kind)
		}
	}
	return by
}

// truth is what the rows come to by SQL alone, without the ledger.
func (w *bookWorld) truth() map[string]fleet.Money {
	w.t.Helper()
	by := map[string]fleet.Money{}
	rows, err := w.db.Pool().Query(w.t.Context(), `
		WITH fitted AS (SELECT fitted_on, price, core_deposit, core_returned_on FROM battery_fitting UNION ALL SELECT fitted_on, price, core_deposit, core_returned_on FROM starter_fitting)
		SELECT 'part', sum(price) FROM fitted
		UNION ALL SELECT 'deposit', sum(core_deposit) FROM fitted
		UNION ALL SELECT 'deposit_returned', -sum(core_deposit) FROM fitted WHERE core_returned_on IS NOT NULL
		UNION ALL SELECT 'breakdown', sum(cost) FROM breakdown JOIN unit USING (unit) JOIN depot USING (depot) WHERE (happened_at AT TIME ZONE timezone)::date <= $1::text::date
		UNION ALL SELECT 'warranty_credit', -sum(paid) FROM claim WHERE state = 'paid'
		UNION ALL SELECT 'call_out', sum(amount) FROM bill WHERE gone_at IS NULL`, w.today.String())
	require.NoError(w.t, err)
	defer rows.Close()
	for rows.Next() {
		var (
			kind string
			sum  *int64
		)
		require.NoError(w.t, rows.Scan(&kind, &sum))
		if sum != nil && *sum != 0 {
			by[kind] = fleet.Money(*sum)
		}
	}
	require.NoError(w.t, rows.Err())
	return by
}

// After any sequence of fittings, returns, corrections, credits and closings the ledger agrees with the rows to the cent, what is closed
// stays, and booking again adds nothing.
func TestTheLedgerAgreesWithTheRows(t *testing.T) {
	for seed := range uint64(3) {
		t.Run(fmt.Sprint("seed ", seed), func(t *testing.T) {
			t.Parallel()
			w := newBookWorld(t, seed)
			for range 60 {
				for range 1 + w.r.IntN(4) {
					w.step()
				}
				if w.r.IntN(4) == 0 {
					w.book([]fleet.UnitID{fleet.UnitID(w.unit())}) // as a form does
				}
				w.book(nil)
				require.Equal(t, w.truth(), w.sums(fleet.LedgerFilter{}))
				require.Zero(t, w.book(nil), "what is booked is booked once")
				w.today += fleet.Date(w.r.IntN(9))
			}
			require.NotEmpty(t, w.closed)
			for month, was := range w.closed {
				require.Equal(t, was, w.sums(fleet.LedgerFilter{To: fleet.Known(ledger.MonthOf(month).Last())}), "closed with %s", month)
			}
			w.figuresOpenToTheirRows()
		})
	}
}

func (w *bookWorld) figuresOpenToTheirRows() {
	w.t.Helper()
	sums, err := w.db.LedgerSums(w.t.Context(), fleet.LedgerFilter{})
	require.NoError(w.t, err)
	for _, s := range sums {
		month := ledger.MonthOf(s.Month)
		f := fleet.LedgerFilter{From: fleet.Known(month.First()), To: fleet.Known(month.Last()), Kinds: []string{s.Kind}, CostCentre: fleet.Known(s.CostCentre)}
		total, n := fleet.Money(0), int64(0)
		for e, err := range w.db.EachLedgerEntry(w.t.Context(), f) {
			require.NoError(w.t, err)
			total, n = total+e.Amount, n+1
		}
		require.Equal(w.t, []any{s.Amount, s.Entries}, []any{total, n})
	}
	byDepot := fleet.Money(0)
	for _, depot := range []fleet.DepotID{"D0", "D1", "D2"} {
		for _, m := range w.sums(fleet.LedgerFilter{Depots: []fleet.DepotID{depot}}) {
			byDepot += m
		}
	}
	whole := fleet.Money(0)
	for _, m := range w.sums(fleet.LedgerFilter{}) {
		whole += m
	}
	require.Equal(w.t, whole, byDepot, "each entry belongs to a depot, and to one")
	require.Empty(w.t, w.sums(fleet.LedgerFilter{Depots: []fleet.DepotID{}}))
}

// Several who book at once book once.
// Work is booked with the minutes that it took where somebody said so, and else with those that such work usually takes.
func TestLabourIsBookedWithItsOwnMinutes(t *testing.T) {
	w := newBookWorld(t, 1)
	w.exec(`INSERT INTO setting (name, value, changed_by) VALUES ('labour_per_hour', '[{"from": "2024-01-01", "amount": 60.00}]', 'test')`)
	for i, what := range []string{`{"minutes": 95}`, `{}`} {
		w.exec(`WITH j AS (INSERT INTO job (unit, part, work, state, because, opened_by) VALUES ($1, 'battery', 'swap', 'fitted', 'weak', 'test') RETURNING job)
			INSERT INTO job_event (job, step, happened_at, done_by, from_state, to_state, what) SELECT job, 2, '2024-01-10T12:00:00Z', 'test', 'found', 'fitted', $2::json FROM j`,
			fmt.Sprintf("U0%d", i), what)
	}
	_, err := reports.BookLedger(t.Context(), w.db, nil, "test", w.today)
	require.NoError(t, err)
	entries, err := w.db.LedgerEntries(t.Context(), fleet.LedgerFilter{Kinds: []string{string(ledger.Labour)}})
	require.NoError(t, err)
	minutes, amounts := map[fleet.UnitID]int{}, map[fleet.UnitID]fleet.Money{}
	for _, e := range entries {
		minutes[e.Unit], amounts[e.Unit] = e.Minutes, e.Amount
	}
	rules := plan.DefaultRules()
	usual := rules.SetUpMinutes + rules.Minutes[fleet.BatteryPart]
	require.Equal(t, map[fleet.UnitID]int{"U00": 95, "U01": usual}, minutes)
	require.Equal(t, map[fleet.UnitID]fleet.Money{"U00": 95_00, "U01": fleet.Money(100 * usual)}, amounts)
}

func TestTwoServersBookOnce(t *testing.T) {
	w := newBookWorld(t, 7)
	for range 40 {
		w.exec(`INSERT INTO battery_fitting (battery, unit, position, part, chemistry, rated_cca_a, cca_standard, fitted_on, price) VALUES ($1, $2, 1, 'P', 'agm', 800, 'sae', '2024-01-05', 100)`,
			fmt.Sprint("B", w.r.Int64()), w.unit())
	}
	added := make(chan int64, 4)
	for range cap(added) {
		go func() {
			n, err := reports.BookLedger(context.WithoutCancel(t.Context()), w.db, nil, "test", w.today)
			if err != nil {
				n = -1
			}
			added <- n
		}()
	}
	total := int64(0)
	for range cap(added) {
		n := <-added
		require.GreaterOrEqual(t, n, int64(0))
		total += n
	}
	require.EqualValues(t, 40, total)
	require.Equal(t, w.truth(), w.sums(fleet.LedgerFilter{}))
}
