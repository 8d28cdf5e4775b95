package reports

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/plan"
)

// BookStore is where the ledger is kept, and what it is booked from.
type BookStore interface {
	Depots(ctx context.Context) ([]fleet.Depot, error)
	OwnFigures(ctx context.Context) (fleet.OwnFigures, error)
	Book(ctx context.Context, of []fleet.UnitID, by string, post func(rows fleet.Bookable) []fleet.LedgerEntry) (added int64, err error)
}

// DefaultCurrency is that of a fleet that has set none.
const DefaultCurrency ledger.Currency = "EUR"

// CurrencyOf is the fleet's currency.
func CurrencyOf(own fleet.OwnFigures) ledger.Currency {
	if own.Currency == "" {
		return DefaultCurrency
	}
	return ledger.Currency(own.Currency)
}

// BookLedger brings the ledger into agreement with the rows of the units (nil: of all, and the bills) as they are now, and tells how many
// entries that took. Nothing is booked for days after today.
func BookLedger(ctx context.Context, store BookStore, of []fleet.UnitID, by string, today fleet.Date) (added int64, err error) {
	depots, err := store.Depots(ctx)
	if err != nil {
		return 0, err
	}
	own, err := store.OwnFigures(ctx)
	if err != nil {
		return 0, err
	}
	return store.Book(ctx, of, by, func(rows fleet.Bookable) []fleet.LedgerEntry {
		facts := factsOf(rows, depots, own)
		should, _ := ledger.Entries(facts)
		return ledgerRows(ledger.Post(entriesOf(rows.Standing), should, monthsOf(rows.Closed), today))
	})
}

// BookBills brings the ledger into agreement with the bills alone.
func BookBills(ctx context.Context, store BookStore, by string, today fleet.Date) (added int64, err error) {
	return BookLedger(ctx, store, []fleet.UnitID{}, by, today)
}

// Unbooked are the rows of units that have no entry, and why.
func Unbooked(rows fleet.Bookable, depots []fleet.Depot, own fleet.OwnFigures) []ledger.Unbooked {
	_, without := ledger.Entries(factsOf(rows, depots, own))
	return without
}

func factsOf(rows fleet.Bookable, depots []fleet.Depot, own fleet.OwnFigures) ledger.Facts {
	f := ledger.Facts{
		Currency: CurrencyOf(own), Depots: depots, Units: rows.Units, Batteries: rows.Batteries, Starters: rows.Starters, Breakdowns: rows.Breakdowns,
		DownPerHour: ratesOf(own.DownPerHour), LabourPerHour: ratesOf(own.LabourPerHour),
	}
	for _, c := range rows.Claims {
		f.Claims = append(f.Claims, claimOf(c))
	}
	f.Work = workOf(rows, depots)
	for _, b := range rows.Bills {
		f.Bills = append(f.Bills, ledger.Bill{Key: fmt.Sprint(b.ID), On: b.On, Kind: ledger.Kind(b.Kind), Unit: b.Unit, Depot: b.Depot, Part: b.Part, Amount: b.Amount, Shares: b.Shares})
	}
	return f
}

// workOf is the labour of jobs that are done, with the minutes that they took, or else those that such work usually takes.
func workOf(rows fleet.Bookable, depots []fleet.Depot) (work []ledger.Work) {
	rules, zones := plan.DefaultRules(), map[fleet.UnitID]*time.Location{}
	for _, u := range rows.Units {
		for _, d := range depots {
			if d.ID == u.Depot {
				zones[u.ID] = d.Zone()
			}
		}
	}
	for _, w := range rows.Work {
		zone := zones[w.Unit]
		if zone == nil {
			zone = time.UTC
		}
		work = append(work, ledger.Work{
			Key: fmt.Sprintf("%d.%d", w.Job, w.Step), Unit: w.Unit, On: fleet.DateOf(w.At, zone), Part: w.Part, Minutes: cmp.Or(w.Minutes, rules.SetUpMinutes+rules.Minutes[w.Part]),
		})
	}
	return work
}

func ratesOf(dated []fleet.DatedMoney) []ledger.HourlyRate {
	rates := make([]ledger.HourlyRate, len(dated))
	for i, d := range dated {
		rates[i] = ledger.HourlyRate{From: d.From, PerHour: d.Amount}
	}
	return rates
}

func claimOf(c fleet.Claim) ledger.Claim {
	return ledger.Claim{
		ID: c.ID, Unit: c.Unit, Serial: c.Serial, Part: c.Part, PartKind: c.PartKind, State: ledger.ClaimState(c.State), Expected: c.Expected, Paid: c.Paid,
		OpenedOn: c.OpenedOn, DecidedOn: c.DecidedOn, Note: c.Note, By: c.By,
	}
}

func claimsOf(claims []fleet.Claim) []ledger.Claim {
	out := make([]ledger.Claim, len(claims))
	for i, c := range claims {
		out[i] = claimOf(c)
	}
	return out
}

func monthsOf(closed []fleet.ClosedMonth) []ledger.Month {
	months := make([]ledger.Month, len(closed))
	for i, c := range closed {
		months[i] = ledger.MonthOf(c.Month)
	}
	return months
}

func entriesOf(rows []fleet.LedgerEntry) []ledger.Entry {
	entries := make([]ledger.Entry, len(rows))
	for i, e := range rows {
		entries[i] = EntryOf(e)
	}
	return entries
}

// EntryOf is an entry as package ledger reckons with it.
func EntryOf(e fleet.LedgerEntry) ledger.Entry {
	return ledger.Entry{
		ID: e.ID, Value: e.Value, Booked: e.Booked, Kind: ledger.Kind(e.Kind), CostCentre: e.CostCentre, Depot: e.Depot, Class: e.Class, Unit: e.Unit, Part: e.Part,
		PartKind: e.PartKind, Amount: e.Amount, Currency: ledger.Currency(e.Currency), Minutes: e.Minutes, Source: e.Source, Reverses: e.Reverses,
	}
}

func ledgerRows(entries []ledger.Entry) []fleet.LedgerEntry {
	rows := make([]fleet.LedgerEntry, len(entries))
	for i, e := range entries {
		rows[i] = fleet.LedgerEntry{
			ID: e.ID, Value: e.Value, Booked: e.Booked, Kind: string(e.Kind), CostCentre: e.CostCentre, Depot: e.Depot, Class: e.Class, Unit: e.Unit, Part: e.Part,
			PartKind: e.PartKind, Amount: e.Amount, Currency: string(e.Currency), Minutes: e.Minutes, Source: e.Source, Reverses: e.Reverses,
		}
	}
	return rows
}

// MayClose tells why a month cannot be closed; nil: it can.
func MayClose(month ledger.Month, closed []fleet.ClosedMonth, today fleet.Date) error {
	return ledger.MayClose(month, monthsOf(closed), today)
}

// NextToClose is the first month that is still open of those that have entries, or else of the last; the day is today.
func NextToClose(closed []fleet.ClosedMonth, today fleet.Date) ledger.Month {
	last := ledger.MonthOf(today) - 1
	if len(closed) == 0 {
		return last
	}
	return min(last, slices.Max(monthsOf(closed))+1)
}
