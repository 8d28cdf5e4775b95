package store_test

import (
	"errors"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func move(pieces int, because fleet.MoveReason, request string) fleet.StockMove {
	return fleet.StockMove{Depot: "A", Part: "B-70", Pieces: pieces, Because: because, At: jobNow, By: "jo", Request: request, Today: jobDay}
}

func TestStockMovesAndIsCounted(t *testing.T) {
	db := yardOf(t, "U")
	require.ErrorContains(t, db.MoveStock(t.Context(), move(3, fleet.MoveBought, "")), "no part is known by the number B-70")
	bought := move(3, fleet.MoveBought, "r1")
	bought.Kind, bought.UnitPrice = fleet.BatteryPart, fleet.Known(fleet.Money(13900))
	for range 2 {
		require.NoError(t, db.MoveStock(t.Context(), bought))
	}
	require.NoError(t, db.MoveStock(t.Context(), move(-1, fleet.MoveWrittenOff, "")))
	require.ErrorContains(t, db.MoveStock(t.Context(), move(-3, fleet.MoveWrittenOff, "")), "on the shelf of A there are only 2 of B-70, so 3 cannot leave it")
	difference, err := db.CountStock(t.Context(), move(5, "", "c1"))
	require.NoError(t, err)
	require.Equal(t, 3, difference)
	difference, err = db.CountStock(t.Context(), move(5, "", ""))
	require.NoError(t, err)
	require.Zero(t, difference)

	order := fleet.PartOrder{Depot: "A", Part: "B-70", Pieces: 4, OrderedOn: jobDay - 9, ExpectedOn: fleet.Known(jobDay), By: "jo", Request: "o1"}
	for range 2 {
		require.NoError(t, db.OrderPart(t.Context(), order))
	}
	orders, err := db.OpenOrders(t.Context(), []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.Len(t, orders, 1)
	lines, err := db.StockLines(t.Context(), nil, jobDay)
	require.NoError(t, err)
	require.Equal(t, []fleet.StockLine{{Depot: "A", Part: "B-70", Kind: fleet.BatteryPart, Counted: true, OnHand: 5, OnOrder: 4, Price: fleet.Known(fleet.Money(13900))}}, lines)

	arrives := move(4, fleet.MoveBought, "a1")
	arrives.Order, arrives.UnitPrice = orders[0].ID, fleet.Known(fleet.Money(14100))
	errs := make([]error, 2)
	var wg sync.WaitGroup
	for i := range errs { // two phones receive the same order
		m := arrives
		m.Request = string(rune('x' + i))
		wg.Go(func() { errs[i] = db.MoveStock(t.Context(), m) })
	}
	wg.Wait()
	require.NotEqual(t, errs[0] == nil, errs[1] == nil, "%v", errs)
	require.ErrorContains(t, errors.Join(errs...), "is not open any more")
	lines, err = db.StockLines(t.Context(), nil, jobDay)
	require.NoError(t, err)
	require.Equal(t, []int{9, 0}, []int{lines[0].OnHand, lines[0].OnOrder})
	require.Equal(t, fleet.Known(9), lines[0].LeadDays)
	require.Equal(t, fleet.Known(fleet.Money(14100)), lines[0].Price)

	order.Request = ""
	require.NoError(t, db.OrderPart(t.Context(), order))
	cancelled, err := db.CancelOrder(t.Context(), "B", orders[0].ID+1, jobDay)
	require.NoError(t, err)
	require.False(t, cancelled, "of another depot")
	orders, err = db.OpenOrders(t.Context(), nil)
	require.NoError(t, err)
	cancelled, err = db.CancelOrder(t.Context(), "A", orders[0].ID, jobDay)
	require.NoError(t, err)
	require.True(t, cancelled)

	moves, err := db.StockMoves(t.Context(), "A", "B-70", 10)
	require.NoError(t, err)
	require.Len(t, moves, 4)
	require.Equal(t, []int{4, 3, -1, 3}, []int{moves[0].Pieces, moves[1].Pieces, moves[2].Pieces, moves[3].Pieces})
}

func TestReservedPiecesAreNotFree(t *testing.T) {
	db := shopOf(t)
	j := openJob(t, db, "U")
	c := stepOf(j, fleet.JobReserved, "")
	c.PartNumber, c.Pieces = "B-70", 1
	j = take(t, db, c)
	lines, err := db.StockLines(t.Context(), nil, jobDay)
	require.NoError(t, err)
	require.Equal(t, 1, lines[0].Reserved)
	require.Equal(t, 1, lines[0].Free())
	take(t, db, fitting(j, "NEW-1", ""))
	lines, err = db.StockLines(t.Context(), nil, jobDay)
	require.NoError(t, err)
	require.Equal(t, []int{1, 0}, []int{lines[0].OnHand, lines[0].Reserved})
	parts, err := db.Parts(t.Context(), jobDay)
	require.NoError(t, err)
	require.Len(t, parts, 1)
	require.Equal(t, fleet.Known(fleet.Money(14000)), parts[0].Price, "what it costs from next year on does not count yet")
	require.Equal(t, fleet.Known(48), parts[0].ProrataMonths)
}

func TestBatteriesOnTheShelf(t *testing.T) {
	db := shopOf(t)
	b := fleet.ShelfBattery{Serial: "NEW-2", Depot: "A", Part: "B-70", CameOn: jobDay, MadeOn: fleet.Known(jobDay - 60)}
	require.NoError(t, db.LabelShelfBattery(t.Context(), b))
	require.ErrorContains(t, db.LabelShelfBattery(t.Context(), fleet.ShelfBattery{Serial: "NEW-3", Depot: "A", Part: "B-70", CameOn: jobDay}), "every piece of B-70 on the shelf of A has its label noted, 2 of 2")
	found, err := db.CareForShelfBattery(t.Context(), "A", "NEW-2", fleet.Opt[fleet.Date]{}, fleet.Known(12.3), jobNow, "jo")
	require.NoError(t, err)
	require.True(t, found)
	found, err = db.CareForShelfBattery(t.Context(), "A", "NEW-1", fleet.Known(jobDay), fleet.Opt[float64]{}, jobNow, "jo")
	require.NoError(t, err)
	require.True(t, found)
	found, err = db.CareForShelfBattery(t.Context(), "B", "NEW-1", fleet.Known(jobDay), fleet.Opt[float64]{}, jobNow, "jo")
	require.NoError(t, err)
	require.False(t, found)
	all, err := db.ShelfBatteries(t.Context(), []fleet.DepotID{"A"})
	require.NoError(t, err)
	require.Len(t, all, 2)
	require.Equal(t, "NEW-2", all[0].Serial)
	require.Equal(t, fleet.Known(12.3), all[0].RestV)
	require.Equal(t, fleet.Known(jobDay), all[0].TestedOn)
	require.Equal(t, fleet.Known(jobDay), all[1].ChargedOn)

	gone, err := db.DropShelfBattery(t.Context(), "A", "NEW-2", move(0, "", ""))
	require.NoError(t, err)
	require.True(t, gone)
	gone, err = db.DropShelfBattery(t.Context(), "A", "NEW-2", move(0, "", ""))
	require.NoError(t, err)
	require.False(t, gone)
	require.Equal(t, 1, onHand(t, db))
	_, err = db.CountStock(t.Context(), move(3, "", ""))
	require.NoError(t, err)
	require.NoError(t, db.LabelShelfBattery(t.Context(), b), "it may come back")
	require.ErrorContains(t, db.LabelShelfBattery(t.Context(), b), "is on a shelf already")
}
