package ledger_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

// books is a ledger as it would be kept: entries get numbers, and are never touched again.
type books struct {
	kept   []ledger.Entry
	closed []ledger.Month
}

func (b *books) post(add []ledger.Entry) {
	for _, e := range add {
		e.ID = int64(len(b.kept) + 1)
		b.kept = append(b.kept, e)
	}
}

func sum(entries []ledger.Entry) (amount fleet.Money, minutes int) {
	for _, e := range entries {
		amount, minutes = amount+e.Amount, minutes+e.Minutes
	}
	return amount, minutes
}

func due(entries []ledger.Entry, on fleet.Date) []ledger.Entry {
	return slices.DeleteFunc(slices.Clone(entries), func(e ledger.Entry) bool { return e.Value > on })
}

func depots() []fleet.Depot {
	return []fleet.Depot{
		{ID: "AKL", Timezone: "Pacific/Auckland", CostCentre: "100"},
		{ID: "HNL", Timezone: "Pacific/Honolulu", CostCentre: "200"},
		{ID: "NOR", Timezone: "Europe/Oslo", CostCentre: "100"},
	}
}

func anyMoney(t *rapid.T, name string) fleet.Opt[fleet.Money] {
	if rapid.IntRange(0, 5).Draw(t, name+" unknown") == 0 {
		return fleet.Opt[fleet.Money]{}
	}
	return fleet.Known(fleet.Money(rapid.Int64Range(0, 99_999).Draw(t, name)))
}

// change does one thing that happens in a workshop to the rows.
func change(t *rapid.T, f *ledger.Facts, step int, today fleet.Date) {
	unit := f.Units[rapid.IntRange(0, len(f.Units)-1).Draw(t, "unit")].ID
	day := today - fleet.Date(rapid.IntRange(-3, 80).Draw(t, "days ago"))
	switch rapid.IntRange(0, 9).Draw(t, "what") {
	case 0, 1:
		f.Batteries = append(f.Batteries, fleet.BatteryFitting{
			Battery: fmt.Sprintf("B/%d", step), Unit: unit, Part: "P1", FittedOn: fleet.Known(day), Price: anyMoney(t, "price"), CoreDeposit: anyMoney(t, "deposit"),
		})
	case 2:
		f.Starters = append(f.Starters, fleet.StarterFitting{
			Starter: fmt.Sprintf("B/%d", step), Unit: unit, Part: "S1", FittedOn: fleet.Known(day), Price: anyMoney(t, "price"), CoreDeposit: anyMoney(t, "deposit"),
		})
	case 3:
		hour := rapid.Int64Range(0, 23).Draw(t, "hour")
		at := day.Midnight(time.UTC).Add(time.Duration(hour)*time.Hour + time.Duration(step))
		f.Breakdowns = append(f.Breakdowns, fleet.Breakdown{Unit: unit, At: at, Cause: fleet.BatteryPart, Cost: anyMoney(t, "cost"), HoursDown: fleet.Known(1.25)})
	case 4:
		f.Claims = append(f.Claims, ledger.Claim{ID: int64(step), Unit: unit, State: ledger.ClaimPaid, Paid: anyMoney(t, "paid"), DecidedOn: fleet.Known(day)})
	case 5:
		f.Work = append(f.Work, ledger.Work{Key: fmt.Sprint(step), Unit: unit, On: day, Part: fleet.BatteryPart, Minutes: rapid.IntRange(1, 300).Draw(t, "minutes")})
	case 6:
		amount := fleet.Money(rapid.Int64Range(-50_000, 50_000).Draw(t, "amount"))
		f.Bills = append(f.Bills, ledger.Bill{Key: fmt.Sprint(step), On: day, Kind: ledger.OtherCost, Amount: amount, Shares: map[fleet.DepotID]int64{"AKL": 3, "HNL": 2, "NOR": 2}})
	default:
		amend(t, f, day)
	}
}

// amend changes or takes away a row, or moves a unit.
func amend(t *rapid.T, f *ledger.Facts, day fleet.Date) {
	if n := len(f.Batteries); n > 0 {
		b := &f.Batteries[rapid.IntRange(0, n-1).Draw(t, "battery")]
		switch rapid.IntRange(0, 4).Draw(t, "amendment") {
		case 0:
			b.Price = anyMoney(t, "new price")
		case 1:
			b.CoreReturnedOn = fleet.Known(day)
		case 2:
			b.CoreReturnedOn = fleet.Opt[fleet.Date]{}
		case 3:
			b.FittedOn = fleet.Known(day)
		case 4:
			*b = f.Batteries[n-1]
			f.Batteries = f.Batteries[:n-1]
		}
	}
	f.Units[rapid.IntRange(0, len(f.Units)-1).Draw(t, "moves")].Depot = depots()[rapid.IntRange(0, 2).Draw(t, "to")].ID
}

// Whatever happens to the rows, and whenever months are closed: the ledger agrees with the rows, nothing that is kept changes, closed months
// stay as they were, and posting again adds nothing.
func TestLedgerAgreesWithTheRows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		today := fleet.NewDate(2026, 1, 15) + fleet.Date(rapid.IntRange(0, 400).Draw(t, "today"))
		f := ledger.Facts{
			Currency: "EUR", Depots: depots(), LabourPerHour: []ledger.HourlyRate{{From: today - 40, PerHour: 64_37}, {From: today, PerHour: 70_01}},
			DownPerHour: []ledger.HourlyRate{{From: today - 20, PerHour: 33_33}},
		}
		for i := range 5 {
			f.Units = append(f.Units, fleet.Unit{ID: fleet.UnitID(fmt.Sprint("U", i)), Depot: depots()[i%3].ID, Class: "van"})
		}
		var b books
		var frozen fleet.Money
		for step := range rapid.IntRange(1, 25).Draw(t, "steps") {
			change(t, &f, step, today)
			if rapid.IntRange(0, 3).Draw(t, "day passes") == 0 {
				today += fleet.Date(rapid.IntRange(1, 35).Draw(t, "days"))
			}
			if month := ledger.MonthOf(today) - 1; rapid.IntRange(0, 5).Draw(t, "closes") == 0 && ledger.MayClose(month, b.closed, today) == nil {
				b.closed = append(b.closed, month)
				frozen, _ = sum(b.upTo(month))
			}
			should, _ := ledger.Entries(f)
			b.post(ledger.Post(b.kept, should, b.closed, today))
			want, wantMinutes := sum(due(should, today))
			got, gotMinutes := sum(b.kept)
			require.Equal(t, want, got)
			require.Equal(t, wantMinutes, gotMinutes)
			standing, _ := sum(ledger.Standing(b.kept))
			require.Equal(t, want, standing)
			require.Empty(t, ledger.Post(b.kept, should, b.closed, today))
			require.Empty(t, ledger.Post(ledger.Standing(b.kept), should, b.closed, today))
			if len(b.closed) > 0 {
				still, _ := sum(b.upTo(b.closed[len(b.closed)-1]))
				require.Equal(t, frozen, still)
			}
		}
	})
}

func (b *books) upTo(m ledger.Month) []ledger.Entry {
	return slices.DeleteFunc(slices.Clone(b.kept), func(e ledger.Entry) bool { return e.Booked > m.Last() })
}

// A fleet in two cost centres adds up, to the cent, to the same fleet in one.
func TestCostCentresAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		f := ledger.Facts{Currency: "EUR", Depots: depots(), LabourPerHour: []ledger.HourlyRate{{PerHour: 64_37}}}
		today := fleet.NewDate(2026, 11, 28)
		for i := range 5 {
			f.Units = append(f.Units, fleet.Unit{ID: fleet.UnitID(fmt.Sprint("U", i)), Depot: depots()[i%3].ID})
		}
		for step := range 20 {
			change(t, &f, step, today)
		}
		split, _ := ledger.Entries(f)
		f.Depots = depots()
		for i := range f.Depots {
			f.Depots[i].CostCentre = "one"
		}
		one, _ := ledger.Entries(f)
		all, _ := sum(one)
		parts, _ := sum(split)
		require.Equal(t, all, parts)
		require.Len(t, split, len(one))
	})
}

func TestSplitAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		amount := fleet.Money(rapid.Int64Range(-1e12, 1e12).Draw(t, "amount"))
		weights := rapid.SliceOfN(rapid.Int64Range(-2, 1e6), 1, 12).Draw(t, "weights")
		total, whole := fleet.Money(0), int64(0)
		for _, w := range weights {
			whole += max(0, w)
		}
		for i, share := range ledger.Split(amount, weights) {
			total += share
			if whole > 0 {
				exact := amount.Amount() * 100 * float64(max(0, weights[i])) / float64(whole)
				require.InDelta(t, exact, float64(share), 1.001)
			}
		}
		require.Equal(t, amount, total)
	})
	require.Equal(t, []fleet.Money{34, 33, 33}, ledger.Split(100, []int64{1, 1, 1}))
	require.Equal(t, []fleet.Money{-34, -33, -33}, ledger.Split(-100, []int64{7, 7, 7}))
	require.Nil(t, ledger.Split(100, nil))
}

func TestLateNewsCountsOnTheFirstOpenDay(t *testing.T) {
	f := ledger.Facts{Currency: "EUR", Depots: depots(), Units: []fleet.Unit{{ID: "U1", Depot: "AKL"}}}
	f.Batteries = []fleet.BatteryFitting{{Battery: "X", Unit: "U1", Part: "P", FittedOn: fleet.Known(fleet.NewDate(2026, 10, 30)), Price: fleet.Known(fleet.Money(200_00))}}
	// Still October in UTC; in Auckland it is November.
	f.Breakdowns = []fleet.Breakdown{{Unit: "U1", At: time.Date(2026, 10, 31, 11, 30, 0, 0, time.UTC), Cause: fleet.BatteryPart, Cost: fleet.Known(fleet.Money(99_00))}}
	should, without := ledger.Entries(f)
	require.Empty(t, without)
	require.Equal(t, fleet.NewDate(2026, 11, 1), should[1].Value) // half past midnight, summer time
	var b books
	today := fleet.NewDate(2026, 11, 5)
	b.post(ledger.Post(nil, should, nil, today))
	october := ledger.NewMonth(2026, 10)
	require.NoError(t, ledger.MayClose(october, nil, today))
	require.Error(t, ledger.MayClose(october+1, nil, today))
	b.closed = []ledger.Month{october}
	require.Error(t, ledger.MayClose(october, b.closed, today))

	f.Batteries[0].Price = fleet.Known(fleet.Money(180_00)) // the invoice came
	should, _ = ledger.Entries(f)
	add := ledger.Post(b.kept, should, b.closed, today)
	require.Len(t, add, 2)
	for i, want := range []fleet.Money{-200_00, 180_00} {
		require.Equal(t, want, add[i].Amount)
		require.Equal(t, fleet.NewDate(2026, 11, 1), add[i].Booked)
		require.Equal(t, fleet.NewDate(2026, 10, 30), add[i].Value)
	}
	require.Equal(t, b.kept[0].ID, add[0].Reverses)
}

func TestWhatIsNotKnownIsNotBooked(t *testing.T) {
	f := ledger.Facts{Currency: "EUR", Depots: depots(), Units: []fleet.Unit{{ID: "U1", Depot: "NOR"}}}
	f.Batteries = []fleet.BatteryFitting{{Battery: "X", Unit: "U1", CoreDeposit: fleet.Known(fleet.Money(15_00))}}
	f.Breakdowns = []fleet.Breakdown{{Unit: "U1", At: time.Date(2026, 1, 31, 12, 0, 0, 0, time.UTC), HoursDown: fleet.Known(2.5)}}
	should, without := ledger.Entries(f)
	require.Len(t, should, 1)
	require.Equal(t, ledger.HoursDown, should[0].Kind)
	require.Equal(t, 150, should[0].Minutes)
	require.Zero(t, should[0].Amount) // hours count, money is not set to them
	require.Len(t, without, 3)
	for _, w := range without {
		require.Equal(t, fleet.DepotID("NOR"), w.Depot)
		require.NotEmpty(t, w.Why)
	}
}

func TestCurrencies(t *testing.T) {
	for _, code := range []string{"EUR", "CAD", "NZD", "usd"} {
		c, err := ledger.ParseCurrency(code)
		require.NoError(t, err)
		require.Len(t, c, 3)
	}
	for _, code := range []string{"", "EURO", "QQQ", "JPY", "KWD"} { // no such code; no decimals; three of them
		_, err := ledger.ParseCurrency(code)
		require.Error(t, err, code)
	}
}

func TestMonths(t *testing.T) {
	m, err := ledger.ParseMonth("2028-02")
	require.NoError(t, err)
	require.Equal(t, 29, m.Days())
	require.Equal(t, "2028-02", m.String())
	require.Equal(t, fleet.NewDate(2028, 2, 29), m.Last())
	require.Equal(t, m, ledger.MonthOf(m.Last()))
	require.Equal(t, m+1, ledger.MonthOf(m.Last()+1))
	require.Equal(t, "2029-01", (m + 11).String())
	_, err = ledger.ParseMonth("2028-13")
	require.Error(t, err)
}
