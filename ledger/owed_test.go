package ledger_test

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

func covered(battery string, unit fleet.UnitID, on fleet.Date, free, prorata int) fleet.BatteryFitting {
	return fleet.BatteryFitting{
		Battery: battery, Unit: unit, Part: "P1", FittedOn: fleet.Known(on), Price: fleet.Known(fleet.Money(240_00)),
		FreeMonths: fleet.Known(free), ProrataMonths: fleet.Known(prorata), CoreDeposit: fleet.Known(fleet.Money(15_00)),
	}
}

func TestWarrantiesThatRunOut(t *testing.T) {
	today := fleet.NewDate(2026, 11, 30) // a Monday
	f := ledger.Facts{
		Depots: depots(), Units: []fleet.Unit{{ID: "A", Depot: "NOR"}, {ID: "B", Depot: "NOR"}, {ID: "C", Depot: "AKL"}},
		Batteries: []fleet.BatteryFitting{
			covered("runs out", "A", fleet.NewDate(2024, 12, 16), 24, 0), // the last free day is 15 December
			covered("falls", "B", fleet.NewDate(2025, 5, 1), 12, 36),
			covered("lasts", "C", fleet.NewDate(2026, 9, 1), 24, 0),
			covered("is over", "C", fleet.NewDate(2020, 9, 1), 24, 36),
		},
		Claims: []ledger.Claim{{Unit: "B", Serial: "falls", State: ledger.ClaimSent, Expected: 120_00}, {State: ledger.ClaimPaid, Expected: 10_00, Paid: fleet.Known(fleet.Money(9_00))}},
	}
	var ahead []ledger.Ahead
	for _, u := range f.Units {
		ahead = append(ahead, ledger.Ahead{Unit: u.ID, Monday: today - 7, ChanceByWeek: []float64{0.1, 0.19, 0.28, 0.37, 0.46}, Causes: map[fleet.Part]float64{fleet.BatteryPart: 0.5}})
	}
	all := ledger.Warranties(f, ahead, today)
	require.Len(t, all, 3)
	first := all[0]
	require.Equal(t, "runs out", first.Serial)
	require.Equal(t, fleet.NewDate(2026, 12, 15), first.CoverUntil)
	require.Equal(t, fleet.Money(240_00), first.CreditNow)
	require.Equal(t, fleet.Money(0), first.CreditEnd)
	// Of the chance that is left after last week, 0.9, a tenth falls on each week; half of it is the battery's. Two weeks end before the
	// cover does.
	require.InDelta(t, 0.1, first.Before, 1e-12)
	require.InDelta(t, 0.1, first.After, 1e-12)
	require.Equal(t, fleet.Money(24_00), first.Lost) // 0.1 × 240
	second := all[1]
	require.Equal(t, "falls", second.Serial)
	require.True(t, second.Claimed)
	require.Equal(t, fleet.Known(fleet.NewDate(2026, 4, 30)), second.FreeUntil)
	require.Equal(t, fleet.Money(120_00), second.CreditNow) // 18 of 36 months
	require.Equal(t, fleet.Money(113_33), second.CreditEnd)
	require.InDelta(t, 0.2, second.Before, 1e-12)
	require.Zero(t, all[2].Lost)
	sums := ledger.ClaimSums(f.Claims)
	require.Equal(t, ledger.ClaimSum{State: ledger.ClaimSent, Claims: 1, Expected: 120_00}, sums[1])
	require.Equal(t, ledger.ClaimSum{State: ledger.ClaimPaid, Claims: 1, Expected: 10_00, Paid: 9_00}, sums[2])
}

// Credit never rises with time, never leaves 0 … price, and is whole until the free months are over.
func TestCreditFalls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		free := rapid.IntRange(0, 40).Draw(t, "free")
		c := ledger.Cover{
			Price: fleet.Money(rapid.Int64Range(0, 90_000).Draw(t, "price")), FreeMonths: free, ProrataMonths: rapid.SampledFrom([]int{0, free, free + 7, 60}).Draw(t, "prorata"),
			From: fleet.NewDate(2024, 1, 1) + fleet.Date(rapid.IntRange(0, 800).Draw(t, "from")),
		}
		last := c.Price
		for on := c.From; on <= c.From+2300; on += 3 {
			now := c.Credit(on)
			require.LessOrEqual(t, now, last)
			require.GreaterOrEqual(t, now, fleet.Money(0))
			if on < c.From.AddMonths(free) {
				require.Equal(t, c.Price, now)
			}
			if on > c.Until() {
				require.Zero(t, now)
			}
			last = now
		}
	})
}

func TestShelvesInMoney(t *testing.T) {
	today := fleet.NewDate(2026, 11, 28)
	prices := []ledger.Price{{Part: "B1", From: today - 400, Price: 180_00}, {Part: "B1", From: today - 5, Price: 200_00}, {Part: "B1", From: today + 5, Price: 220_00}}
	got := ledger.ShelfValues([]ledger.OnShelf{
		{Depot: "NOR", Part: "S9", Pieces: 2},
		{Depot: "NOR", Part: "B1", Pieces: 4, PerMonth: 4, LeadMonths: 0.25, Level: fleet.Known(2)},
		{Depot: "AKL", Part: "B1", Pieces: 20, PerMonth: 1, LeadMonths: 0.25},
		{Depot: "HNL", Part: "B1", Pieces: 3, LastOut: fleet.Known(today - 500)},
	}, prices, today)
	require.Equal(t, fleet.DepotID("AKL"), got[0].Depot)
	require.Equal(t, fleet.Known(fleet.Money(4000_00)), got[0].Value)
	require.Equal(t, fleet.Known(fleet.Money(1600_00)), got[0].Tied) // eight beyond a year's
	require.True(t, got[0].Slow)
	require.False(t, got[1].Slow)
	require.InDelta(t, 0.9963, got[1].Held.Or(ledger.Spares{}).Service, 1e-4) // four against a mean of one
	require.InDelta(t, 0.9197, got[1].Should.Or(ledger.Spares{}).Service, 1e-4)
	require.True(t, got[2].Slow)
	require.Equal(t, fleet.Money(600_00), got[2].Tied.Or(0))
	require.False(t, got[3].Value.IsKnown()) // no price: not counted as nothing
	on, found := ledger.PriceOn(prices, "B1", today)
	require.True(t, found)
	require.Equal(t, fleet.Money(200_00), on.Price)
	_, found = ledger.PriceOn(prices, "B1", today-900)
	require.False(t, found)
}
