package reports

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"math"
	"sync"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/plan"
	"rimeyard/trend"
)

// BudgetStore is where all that budgets are made of is kept, and the budget of the day.
type BudgetStore interface {
	PlanStore
	OwnFigures(ctx context.Context) (fleet.OwnFigures, error)
	PartPrices(ctx context.Context) ([]fleet.PartPrice, error)
	BrokenDown(ctx context.Context, of []fleet.DepotID) (fleet.Bookable, error)
	DayBudget(ctx context.Context, depot fleet.DepotID) (b fleet.DayBudget, found bool, err error)
	KeepDayBudget(ctx context.Context, b fleet.DayBudget) error
}

// WhatIf is how a budget differs from what is expected.
type WhatIf struct {
	Cold      bool   `json:"cold_winter,omitempty"` // one of the coldest in ten
	More      int    `json:"more_swaps,omitempty"`  // visits a week more
	Wait      bool   `json:"wait,omitempty"`        // nothing is swapped by plan
	Buy       string `json:"buy,omitempty"`         // part number bought …
	InPlaceOf string `json:"in_place_of,omitempty"` // … in the place of this
}

// Words says what is different; empty: nothing.
func (w WhatIf) Words() string {
	switch {
	case w.Cold:
		return "if one of the coldest winters in ten comes"
	case w.More > 0:
		return fmt.Sprintf("with %s a week", Count(w.More, "more visit"))
	case w.Wait:
		return "if nothing is swapped by plan and everything is left to fail"
	case w.Buy != "":
		return fmt.Sprintf("if %s is bought in the place of %s", oneLine(w.Buy), oneLine(w.InPlaceOf))
	}
	return ""
}

// BudgetAsked is which budget is wanted.
type BudgetAsked struct {
	Depots []fleet.DepotID // nil: all
	Today  fleet.Date
	Season bool // to the end of the list's season; else as many months as the fleet looks ahead
	WhatIf WhatIf
}

// DefaultHorizon is how many months a fleet looks ahead that has not said.
const DefaultHorizon = 12

// Budgets makes budgets and remembers them for as long as nothing that they are made of changes.
type Budgets struct {
	store BudgetStore
	plans *Plans
	mu    sync.Mutex
	made  map[string]ledger.Budget // by hash of all that it is made of
	rates map[string]ledger.Rates
}

// NewBudgets remembers nothing yet. Plans are those that the budgets' work goes by.
func NewBudgets(store BudgetStore, plans *Plans) *Budgets {
	return &Budgets{store: store, plans: plans, made: map[string]ledger.Budget{}, rates: map[string]ledger.Rates{}}
}

const mostBudgets = 200 // remembered at a time

// budgetFrame is all that a budget is made of but units and rates.
type budgetFrame struct {
	Asked   BudgetAsked
	Issue   int64
	Months  int
	Prices  []fleet.PartPrice
	Labour  fleet.Opt[fleet.Money]
	Code    ledger.Currency
	Planned []ledger.Planned

	planned Planned
}

func (f *budgetFrame) hash() (string, error) {
	text, err := json.Marshal(f)
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:]), err
}

// Of is the budget that is asked for. fleet.ErrNoIssue: no list was issued yet.
func (b *Budgets) Of(ctx context.Context, asked BudgetAsked) (ledger.Budget, Planned, error) {
	f, err := b.frame(ctx, asked)
	if err != nil {
		return ledger.Budget{}, Planned{}, err
	}
	key, err := f.hash()
	if err != nil {
		return ledger.Budget{}, Planned{}, err
	}
	b.mu.Lock()
	made, known := b.made[key]
	b.mu.Unlock()
	if known {
		return made, f.planned, nil
	}
	if made, known, err = b.keptToday(ctx, f, key); err == nil && !known {
		made, err = b.make(ctx, f)
	}
	if err != nil {
		return ledger.Budget{}, Planned{}, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.made) > mostBudgets {
		clear(b.made)
	}
	b.made[key] = made
	return made, f.planned, nil
}

// frame brings together what decides whether a budget is still good.
func (b *Budgets) frame(ctx context.Context, asked BudgetAsked) (f *budgetFrame, err error) {
	f = &budgetFrame{Asked: asked}
	if f.planned, err = b.plans.Of(ctx, asked.Depots, asked.Today); err != nil {
		return f, err
	}
	own, err := b.store.OwnFigures(ctx)
	if err != nil {
		return f, err
	}
	if f.Prices, err = b.store.PartPrices(ctx); err != nil {
		return f, err
	}
	f.Issue, f.Code, f.Labour = f.planned.Issue.ID, CurrencyOf(own), fleet.AmountOn(own.LabourPerHour, asked.Today)
	f.Months = own.HorizonMonths.Or(DefaultHorizon)
	if asked.Season {
		f.Months = max(1, int(ledger.MonthOf(f.planned.Issue.Season.To)-ledger.MonthOf(asked.Today))+1)
	}
	f.Planned = ledger.PlannedBy(f.planned.Plan, f.labour())
	return f, nil
}

func (f *budgetFrame) labour() map[fleet.DepotID]fleet.Money {
	rates := map[fleet.DepotID]fleet.Money{}
	if perHour, known := f.Labour.Get(); known {
		for _, d := range f.planned.Depots {
			rates[d.ID] = perHour
		}
	}
	return rates
}

// keptToday reads the budget of the day, which is kept for the whole fleet and for single depots, to the horizon and nothing different.
func (b *Budgets) keptToday(ctx context.Context, f *budgetFrame, key string) (made ledger.Budget, is bool, err error) {
	if f.Asked.Season || f.Asked.WhatIf != (WhatIf{}) || len(f.Asked.Depots) > 1 {
		return made, false, nil
	}
	kept, found, err := b.store.DayBudget(ctx, Asked{Depots: f.Asked.Depots}.Only())
	if err != nil || !found || kept.MadeOf != key {
		return made, false, err
	}
	return made, true, json.Unmarshal(kept.Result, &made)
}

// Keep keeps the budgets of the day: the whole fleet's and each depot's, unless they are kept already, and tells how many it kept.
func (b *Budgets) Keep(ctx context.Context, today fleet.Date) (kept int, err error) {
	depots, err := b.store.Depots(ctx)
	if err != nil {
		return 0, err
	}
	scopes := [][]fleet.DepotID{nil}
	for _, d := range depots {
		scopes = append(scopes, []fleet.DepotID{d.ID})
	}
	for _, of := range scopes {
		f, err := b.frame(ctx, BudgetAsked{Depots: of, Today: today})
		if err != nil {
			return kept, err
		}
		key, err := f.hash()
		if err != nil {
			return kept, err
		}
		if _, is, err := b.keptToday(ctx, f, key); err != nil || is {
			if err != nil {
				return kept, err
			}
			continue
		}
		made, err := b.make(ctx, f)
		if err != nil {
			return kept, err
		}
		result, err := json.Marshal(made)
		if err != nil {
			return kept, fmt.Errorf("write the budget of the day: %w", err)
		}
		if err := b.store.KeepDayBudget(ctx, fleet.DayBudget{Depot: Asked{Depots: of}.Only(), MadeOf: key, Result: result}); err != nil {
			return kept, err
		}
		kept++
	}
	return kept, nil
}

func (b *Budgets) make(ctx context.Context, f *budgetFrame) (ledger.Budget, error) {
	in, err := b.input(ctx, f)
	if err != nil {
		return ledger.Budget{}, err
	}
	switch w := f.Asked.WhatIf; {
	case w.Cold:
		if in, err = ledger.Coldest(in); err != nil {
			return ledger.Budget{}, err
		}
	case w.Wait:
		in = ledger.Waiting(in)
	case w.Buy != "":
		in = ledger.Buying(in, w.Buy, w.InPlaceOf)
	case w.More > 0:
		other, err := planWithMore(ctx, b.store, f.Asked.Depots, f.Asked.Today, w.More)
		if err != nil {
			return ledger.Budget{}, err
		}
		in = ledger.Following(in, other, f.labour())
	}
	return ledger.MakeBudget(in)
}

// planWithMore is the plan if there were so many visits a week more.
func planWithMore(ctx context.Context, from PlanSource, of []fleet.DepotID, today fleet.Date, more int) (plan.Plan, error) {
	f, err := gatherFrame(ctx, from, of, today)
	if err != nil {
		return plan.Plan{}, err
	}
	in := f.input(f.planned, f.choices)
	if in.Units, err = f.units(ctx, from, of); err != nil {
		return plan.Plan{}, err
	}
	return plan.Make(ledger.MoreVisits(in, more))
}

func (b *Budgets) input(ctx context.Context, f *budgetFrame) (ledger.BudgetInput, error) {
	in := ledger.BudgetInput{
		Currency: f.Code, From: f.Asked.Today, Months: f.Months, Prices: pricesOf(f.Prices), Planned: f.Planned, Cures: plan.DefaultRules().Cures,
	}
	listed, err := b.store.Listed(ctx, f.Issue, fleet.ListFilter{Depots: f.Asked.Depots})
	if err != nil {
		return in, err
	}
	depots := map[fleet.DepotID]*fleet.Depot{}
	for i := range f.planned.Depots {
		depots[f.planned.Depots[i].ID] = &f.planned.Depots[i]
	}
	in.Units = make([]ledger.BudgetUnit, len(listed))
	for i := range listed {
		in.Units[i] = budgetUnit(&listed[i], depots[listed[i].Forecast.Depot], f.planned.Issue)
	}
	in.Rates, err = b.ratesFor(ctx, f)
	return in, err
}

// budgetUnit takes from a line of the list what a budget needs.
func budgetUnit(l *fleet.Listed, d *fleet.Depot, issue fleet.Issue) ledger.BudgetUnit {
	u := ledger.BudgetUnit{ID: l.Forecast.Unit, Depot: l.Forecast.Depot, Class: l.Unit.Class, Causes: l.Forecast.SuspectProbabilities, NoStartCost: l.Unit.NoStartCost}
	from := issue.AsOf
	if d != nil {
		u.CostCentre = d.CostCentre
		from = max(from, trend.SeasonOf(issue.AsOf, *d).From)
	}
	u.FirstMonth = ledger.MonthOf(from)
	if o := l.Outlook; o != nil {
		u.ByWinter, u.NoStartCost, u.Fitted, u.AgeYears, u.SwapCosts = o.ByWinter, o.NoStartCost, o.Fitted, o.AgeYears, o.SwapCosts
	}
	return u
}

// ratesYears is how far back breakdowns are counted for months that no outlook reaches.
const ratesYears = 3

func (b *Budgets) ratesFor(ctx context.Context, f *budgetFrame) (ledger.Rates, error) {
	key := fmt.Sprintf("%d %t %q", f.Issue, f.Asked.Depots == nil, f.Asked.Depots)
	b.mu.Lock()
	rates, known := b.rates[key]
	b.mu.Unlock()
	if known {
		return rates, nil
	}
	rows, err := b.store.BrokenDown(ctx, f.Asked.Depots)
	if err != nil {
		return rates, err
	}
	today := f.Asked.Today
	from := today
	for _, row := range rows.Breakdowns { // before the first that is recorded nobody may have written them down
		from = min(from, fleet.DateOf(row.At, f.planned.zone()))
	}
	facts := ledger.Facts{Depots: f.planned.Depots, Units: rows.Units, Breakdowns: rows.Breakdowns}
	if from = max(from, today.AddMonths(-12*ratesYears)); from < today {
		rates = ledger.LearnRates(facts, f.planned.Issue.Season, from, today-1)
	}
	rates.Lives = map[fleet.Part]trend.Weibull{}
	for _, part := range []fleet.Part{fleet.BatteryPart, fleet.StarterPart} {
		usual := ledger.UsualLife(part)
		rates.Lives[part] = trend.Weibull{Shape: math.Exp(usual.LogShape), Scale: math.Exp(usual.LogScale)}
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	if len(b.rates) > mostBudgets {
		clear(b.rates)
	}
	b.rates[key] = rates
	return rates, nil
}

func pricesOf(lines []fleet.PartPrice) []ledger.Price {
	prices := make([]ledger.Price, len(lines))
	for i, p := range lines {
		prices[i] = ledger.Price{Part: p.Part, From: p.From, Price: p.Price, CoreDeposit: p.CoreDeposit, FreeMonths: p.FreeMonths, ProrataMonths: p.ProrataMonths}
	}
	return prices
}

// LedgerSumsStore adds up what was booked.
type LedgerSumsStore interface {
	LedgerSums(ctx context.Context, f fleet.LedgerFilter) ([]fleet.LedgerSum, error)
}

// CompareBudget holds a budget that was kept against what was booked since, and the newest against what is ahead.
func CompareBudget(ctx context.Context, from LedgerSumsStore, of []fleet.DepotID, kept, newest ledger.Budget) ([]ledger.Compared, error) {
	f := fleet.LedgerFilter{Depots: of, From: fleet.Known(kept.From), To: fleet.Known(newest.From - 1), Currency: string(kept.Currency)}
	if newest.From <= kept.From {
		return ledger.Against(kept, newest, nil), nil
	}
	sums, err := from.LedgerSums(ctx, f)
	if err != nil {
		return nil, err
	}
	entries := make([]ledger.Entry, len(sums))
	for i, s := range sums { // what is summed has no day of its own within its month; any that counts will do
		entries[i] = ledger.Entry{Booked: max(s.Month, kept.From), Kind: ledger.Kind(s.Kind), CostCentre: s.CostCentre, Amount: s.Amount, Currency: ledger.Currency(s.Currency)}
	}
	return ledger.Against(kept, newest, entries), nil
}
