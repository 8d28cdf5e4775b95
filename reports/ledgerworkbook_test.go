package reports

import (
	"bytes"
	"fmt"
	"io"
	"iter"
	"math/rand/v2"
	"runtime"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

// someEntries are n entries of a year, of cost centres whose names a spreadsheet would take for patterns or formulas.
func someEntries(n int) (iter.Seq2[fleet.LedgerEntry, error], map[string]fleet.Money) {
	r := rand.New(rand.NewPCG(3, 15))
	kinds, centres := ledger.Kinds(), []string{"4100", "*", "4?00", "", "=1+1", "<5", "a", "A"}
	entries, sums := make([]fleet.LedgerEntry, n), map[string]fleet.Money{}
	for i := range entries {
		e := fleet.LedgerEntry{
			ID: int64(i + 1), Booked: fleet.NewDate(2026, 1, 1) + fleet.Date(i*365/n), Kind: string(kinds[r.IntN(len(kinds))]), CostCentre: centres[r.IntN(len(centres))], Depot: "NOR",
			Unit: fleet.UnitID(fmt.Sprintf("U-%d", i%5000)), Part: "P-70", Amount: fleet.Money(r.Int64N(90_000_00)) - 10_000_00, Currency: "EUR", Source: fmt.Sprintf("battery_fitting/B%d/2026-01-01/price", i), By: "test",
		}
		e.Value = e.Booked
		entries[i] = e
		sums[ledger.MonthOf(e.Booked).First().String()+" "+KindWords(ledger.Kind(e.Kind))] += e.Amount
		sums["centre "+e.CostCentre] += e.Amount
		sums["all"] += e.Amount
	}
	return func(yield func(fleet.LedgerEntry, error) bool) {
		for _, e := range entries {
			if !yield(e, nil) {
				return
			}
		}
	}, sums
}

// A spreadsheet that reckons all formulas anew comes to the sums of the entries, to the cent.
func TestLedgerWorkbookReckonsToTheCent(t *testing.T) {
	entries, sums := someEntries(3000)
	var b bytes.Buffer
	require.NoError(t, LedgerEntries{Title: "Ledger", Today: fleet.NewDate(2026, 12, 31), Entries: entries}.WriteWorkbook(&b))
	sheets := recalculated(t, b.Bytes())
	amount := func(s string) fleet.Money {
		v, err := strconv.ParseFloat(s, 64)
		require.NoError(t, err)
		require.InDelta(t, fleet.RoundMoney(v).Amount(), v, 1e-6, "%s is no whole number of cents", s)
		return fleet.RoundMoney(v)
	}
	kinds := sheets["By month and kind"]
	require.Equal(t, sums["all"], amount(kinds[len(kinds)-1][3]))
	for _, row := range kinds[1 : len(kinds)-2] {
		require.Equal(t, sums[row[0]+" "+row[1]], amount(row[3]), "%v", row)
	}
	centres := sheets["By cost centre"]
	require.Len(t, centres, 1+8+2)
	for _, row := range centres[1 : len(centres)-2] {
		require.Equal(t, sums["centre "+row[0]], amount(row[2]), "%v", row)
	}
	list := sheets["Entries"]
	require.Equal(t, sums["all"], amount(list[len(list)-1][10]))
	require.Equal(t, []string{"2026-01-01", "2026-01-01"}, list[1][1:3], "dates are dates")
}

// A budget's workbook adds up by itself what the budget says.
func TestBudgetWorkbookReckonsToTheCent(t *testing.T) {
	in := ledger.BudgetInput{Currency: "EUR", From: fleet.NewDate(2026, 11, 10), Months: 5, Rates: ledger.Rates{ByMonth: [12]float64{3: 0.001, 4: 0.001, 5: 0.001, 6: 0.001, 7: 0.001, 8: 0.001, 9: 0.01, 10: 0.01, 11: 0.01}}}
	for i := range 40 {
		p := float64(i%9) / 40
		in.Units = append(in.Units, ledger.BudgetUnit{
			ID: fleet.UnitID(fmt.Sprint("U", i)), Depot: "D", CostCentre: []string{"*", "41", "4*"}[i%3], FirstMonth: ledger.MonthOf(in.From),
			ByWinter: []fleet.PastWinter{{Year: 2024, Chance: []float64{p / 4, p / 2, p, p, p}}, {Year: 2025, Chance: []float64{p / 8, p / 4, p / 2, p / 2, p / 2}}}, Causes: map[fleet.Part]float64{fleet.BatteryPart: 1},
			NoStartCost: fleet.Known(fleet.Money(333_33)), SwapCosts: map[fleet.Part]fleet.Money{fleet.BatteryPart: 211_11}, Fitted: map[fleet.Part][]string{fleet.BatteryPart: {"P"}},
		})
	}
	b, err := ledger.MakeBudget(in)
	require.NoError(t, err)
	xlsx, err := BudgetWorkbook(b, "", in.From)
	require.NoError(t, err)
	sheets := recalculated(t, xlsx)
	_, all := BudgetLines(b, "", true)
	for _, sheet := range []string{"Budget", "By month"} {
		rows := sheets[sheet]
		last := rows[len(rows)-1]
		column := map[string]int{"Budget": 4, "By month": 3}[sheet]
		require.Equal(t, strconv.FormatFloat(all.Expected.Amount(), 'f', -1, 64), last[column], sheet)
	}
	months, _ := BudgetLines(b, "", true)
	for i, l := range months {
		require.Equal(t, strconv.FormatFloat(l.Expected.Amount(), 'f', -1, 64), sheets["By month"][1+i][3])
	}
}

// BenchmarkLedgerWorkbook writes 200,000 entries with their sums. Memory is the highest use of the heap beside what the entries themselves
// need.
func BenchmarkLedgerWorkbook(b *testing.B) {
	const n = 200_000
	entries, _ := someEntries(n)
	runtime.GC()
	var before runtime.MemStats
	runtime.ReadMemStats(&before)
	var most uint64
	var took time.Duration
	for b.Loop() {
		p := &peak{Writer: io.Discard}
		i := 0
		watched := func(yield func(fleet.LedgerEntry, error) bool) {
			for e, err := range entries {
				if i++; i%5000 == 0 {
					p.look()
				}
				if !yield(e, err) {
					return
				}
			}
		}
		start := time.Now()
		require.NoError(b, LedgerEntries{Title: "Ledger", Today: fleet.NewDate(2026, 12, 31), Entries: watched}.WriteWorkbook(p))
		took += time.Since(start)
		most = max(most, p.bytes-before.HeapInuse)
	}
	b.ReportMetric(float64(b.N)*n/took.Seconds(), "rows/s")
	b.ReportMetric(float64(most)/1e6, "MB-heap")
	b.ReportMetric(0, "ns/op")
}
