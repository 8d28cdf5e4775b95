package reports

import (
	"context"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

// StockMoneyStore is where shelves and prices are kept.
type StockMoneyStore interface {
	ShelfUse(ctx context.Context, of []fleet.DepotID, on fleet.Date) ([]fleet.ShelfUse, error)
	PartPrices(ctx context.Context) ([]fleet.PartPrice, error)
	OwnFigures(ctx context.Context) (fleet.OwnFigures, error)
}

// StockMoney is what lies on the shelves of the depots (nil: all) by the price list of the day, what is worth most first. Demand is what was
// fitted in the year before.
func StockMoney(ctx context.Context, from StockMoneyStore, of []fleet.DepotID, today fleet.Date) ([]ledger.ShelfValue, error) {
	shelves, err := from.ShelfUse(ctx, of, today)
	if err != nil {
		return nil, err
	}
	prices, err := from.PartPrices(ctx)
	if err != nil {
		return nil, err
	}
	own, err := from.OwnFigures(ctx)
	if err != nil {
		return nil, err
	}
	const monthsPerYear, weeksPerMonth = 12, 365.25 / 12 / 7
	on := make([]ledger.OnShelf, len(shelves))
	for i, s := range shelves {
		on[i] = ledger.OnShelf{
			Depot: s.Depot, Part: s.Part, Kind: s.Kind, Pieces: s.OnHand, PerMonth: float64(s.FittedInYear) / monthsPerYear, LastIn: s.LastIn, LastOut: s.LastOut,
			LeadMonths: float64(own.LeadWeeks.Or(leadWeeks)) / weeksPerMonth,
		}
	}
	return ledger.ShelfValues(on, pricesOf(prices), today), nil
}
