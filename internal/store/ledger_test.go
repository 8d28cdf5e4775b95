package store_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// The database itself holds the ledger to its word, whatever program writes.
func TestWhatIsBookedIsNeverChanged(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	entry := fleet.LedgerEntry{
		Value: fleet.NewDate(2026, 10, 5), Booked: fleet.NewDate(2026, 10, 5), Kind: "part", Depot: "A", Unit: "U", Amount: 10_00, Currency: "EUR", Source: "battery_fitting/B/2026-10-05/price",
	}
	book := func(entries ...fleet.LedgerEntry) error {
		_, err := db.Book(ctx, []fleet.UnitID{"U"}, "test", func(fleet.Bookable) []fleet.LedgerEntry { return entries })
		return err
	}
	require.NoError(t, book(entry))
	kept, err := db.LedgerEntries(ctx, fleet.LedgerFilter{Unit: "U"})
	require.NoError(t, err)
	require.Len(t, kept, 1)
	require.Equal(t, "test", kept[0].By)

	for _, sql := range []string{`UPDATE ledger_entry SET amount = 1`, `DELETE FROM ledger_entry`, `TRUNCATE ledger_entry CASCADE`} {
		_, err := db.Pool().Exec(ctx, sql)
		require.ErrorContains(t, err, "never changed", sql)
	}
	require.ErrorContains(t, book(entry), "two entries would stand")
	back := kept[0]
	back.Reverses, back.Amount = back.ID, -9_99
	require.ErrorContains(t, book(back), "does not take back")
	back.Amount = -10_00
	require.NoError(t, book(back, entry), "taken back and booked anew at once")
	require.Error(t, book(back), "nothing is taken back twice")

	closed, err := db.CloseMonth(ctx, fleet.NewDate(2026, 10, 1), "test")
	require.NoError(t, err)
	require.True(t, closed)
	again, err := db.CloseMonth(ctx, fleet.NewDate(2026, 9, 1), "test")
	require.NoError(t, err)
	require.False(t, again, "closing October closed September")
	_, err = db.Pool().Exec(ctx, `DELETE FROM closed_month`)
	require.ErrorContains(t, err, "never changed")
	late := entry
	late.Source = "battery_fitting/C/2026-10-05/price"
	require.ErrorContains(t, book(late), "month that is closed")
	late.Booked = fleet.NewDate(2026, 11, 1)
	require.NoError(t, book(late))

	sums, err := db.LedgerSums(ctx, fleet.LedgerFilter{Depots: []fleet.DepotID{"A"}})
	require.NoError(t, err)
	require.Equal(t, []fleet.LedgerSum{
		{Month: fleet.NewDate(2026, 10, 1), Kind: "part", Currency: "EUR", Amount: 10_00, Entries: 3}, {Month: fleet.NewDate(2026, 11, 1), Kind: "part", Currency: "EUR", Amount: 10_00, Entries: 1},
	}, sums)
}

func TestOwnFigures(t *testing.T) {
	db := yardOf(t)
	none, err := db.OwnFigures(t.Context())
	require.NoError(t, err)
	require.Equal(t, fleet.OwnFigures{}, none)
	set := fleet.OwnFigures{
		Currency: "CAD", LabourPerHour: []fleet.DatedMoney{{From: fleet.NewDate(2026, 1, 1), Amount: 85_00}}, CoreDays: fleet.Known(90), LeadWeeks: fleet.Known(2),
	}
	require.NoError(t, db.SetOwnFigures(fleet.Acting(t.Context(), "nils"), set, "currency CAD"))
	got, err := db.OwnFigures(t.Context())
	require.NoError(t, err)
	require.Equal(t, set, got)
	changes, err := db.Changes(t.Context(), 5)
	require.NoError(t, err)
	require.Equal(t, []string{"nils", "figures", "currency CAD"}, []string{changes[0].By, changes[0].Subject, changes[0].What})
}

func TestPriceListsAreDated(t *testing.T) {
	db := yardOf(t, "U")
	line := fleet.PartPrice{Part: "P-1", Kind: fleet.BatteryPart, Name: "Cold one", From: fleet.NewDate(2026, 1, 1), Price: 189_00, CoreDeposit: fleet.Known(fleet.Money(22_00)), FreeMonths: fleet.Known(24)}
	later := line
	later.From, later.Price, later.Name = fleet.NewDate(2026, 7, 1), 199_00, ""
	require.NoError(t, db.SetPartPrices(t.Context(), []fleet.PartPrice{line, later}))
	later.Price = 201_50
	require.NoError(t, db.SetPartPrices(t.Context(), []fleet.PartPrice{later}))
	prices, err := db.PartPrices(t.Context())
	require.NoError(t, err)
	later.Name = "Cold one"
	require.Equal(t, []fleet.PartPrice{later, line}, prices)
	bad := line
	bad.Part, bad.Kind = "P-2", "wheel"
	require.ErrorContains(t, db.SetPartPrices(t.Context(), []fleet.PartPrice{later, bad}), "P-2")
}

// A kept budget is for those who may see all that is in it.
func TestBudgetsKeepToTheirDepots(t *testing.T) {
	db := yardOf(t)
	for _, of := range [][]fleet.DepotID{nil, {"A"}, {"A", "B"}} {
		_, err := db.KeepBudget(t.Context(), fleet.KeptBudget{Name: "b", Depots: of, By: "x", WhatIf: []byte(`{}`), Result: []byte(`{"a": 1}`)})
		require.NoError(t, err)
	}
	for _, c := range []struct {
		of   []fleet.DepotID
		sees int
	}{{nil, 3}, {[]fleet.DepotID{"A", "B", "C"}, 2}, {[]fleet.DepotID{"A"}, 1}, {[]fleet.DepotID{}, 0}} {
		seen, err := db.Budgets(t.Context(), c.of)
		require.NoError(t, err)
		require.Len(t, seen, c.sees, "%v", c.of)
		_, found, err := db.Budget(t.Context(), 1, c.of)
		require.NoError(t, err)
		require.Equal(t, c.of == nil, found)
	}
}
