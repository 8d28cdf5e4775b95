package reports

import (
	"context"
	"fmt"
	"sync"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/plan"
	"rimeyard/trend"
)

// BudgetStore is where all that budgets are made of is kept, and the budgets that were made.
type BudgetStore interface {
	PlanStore
	FigureStore
	ListedAhead(ctx context.Context, issue int64, of []fleet.DepotID) ([]fleet.Listed, error)
	PartPrices(ctx context.Context) ([]fleet.PartPrice, error)
	MoneyRows(ctx context.Context, of []fleet.DepotID) (fleet.Bookable, error)
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
	Fresh  bool // one that lacks nothing, however long it takes
}

// figure names the budget among all that are kept of the same depots.
func (a BudgetAsked) figure() string {
	name := "budget"
	if a.Season {
		name += " to the end of the season"
	}
	switch w := a.WhatIf; {
	case w.Cold:
		name += ", cold"
	case w.Wait:
		name += ", wait"
	case w.More > 0:
		name += fmt.Sprintf(", %d more", w.More)
	case w.Buy != "":
		name += fmt.Sprintf(", %q for %q", w.Buy, w.InPlaceOf)
	}
	return name
}

// MoreSwaps is how many visits a week more are offered to try.
const MoreSwaps = 5

// Offered are the budgets that pages offer without anything being typed, which the daily work keeps.
func Offered() (all []BudgetAsked) {
	for _, season := range []bool{false, true} {
		for _, w := range []WhatIf{{}, {Cold: true}, {More: MoreSwaps}, {Wait: true}} {
			all = append(all, BudgetAsked{Season: season, WhatIf: w})
		}
	}
	return all
}

// DefaultHorizon is how many months a fleet looks ahead that has not said.
const DefaultHorizon = 12

// Budgets makes budgets, and keeps each for as long as nothing that it is made of changes.
type Budgets struct {
	store BudgetStore
	plans *Plans
	figures
}

// NewBudgets makes budgets of what is in a store. Plans are those that the budgets' work goes by.
func NewBudgets(store BudgetStore, plans *Plans) *Budgets {
	return &Budgets{store: store, plans: plans, figures: figures{store: store}}
}

// budgeting is what the budgets of some depots have in common.
type budgeting struct {
	from   *Budgets
	of     []fleet.DepotID
	today  fleet.Date
	plan   planFrame
	prices []fleet.PartPrice
	mark   fleet.MoneyMark
	read   func(ctx context.Context) (ledger.BudgetInput, error) // what takes long to bring together, once
	more   map[int][]ledger.Planned                              // by visits a week more, as far as they were planned
}

// Of is the budget that is asked for, as it is kept or made anew. fleet.ErrNoIssue: no list was issued yet.
func (b *Budgets) Of(ctx context.Context, asked BudgetAsked) (d Dated[ledger.Budget], err error) {
	g, err := b.gather(ctx, asked.Depots, asked.Today)
	if err != nil {
		return d, err
	}
	r, err := g.recipe(asked)
	if err != nil {
		return d, err
	}
	return figureOf(ctx, &b.figures, r, asked.Fresh)
}

// Make makes the budget that is asked for and keeps nothing, as for a list that is not kept either.
func (b *Budgets) Make(ctx context.Context, asked BudgetAsked) (ledger.Budget, error) {
	g, err := b.gather(ctx, asked.Depots, asked.Today)
	if err != nil {
		return ledger.Budget{}, err
	}
	return g.make(ctx, asked)
}

// gather brings together what decides whether budgets are still good, and no more.
func (b *Budgets) gather(ctx context.Context, of []fleet.DepotID, today fleet.Date) (g *budgeting, err error) {
	g = &budgeting{from: b, of: of, today: today, more: map[int][]ledger.Planned{}}
	if g.mark, err = b.store.MoneyMark(ctx); err != nil {
		return g, err
	}
	if g.plan, err = gatherFrame(ctx, b.store, of, today); err != nil {
		return g, err
	}
	if g.prices, err = b.store.PartPrices(ctx); err != nil {
		return g, err
	}
	var once sync.Once
	var in ledger.BudgetInput
	var failed error
	g.read = func(ctx context.Context) (ledger.BudgetInput, error) {
		once.Do(func() { in, failed = g.input(ctx) })
		return in, failed
	}
	return g, nil
}

// months is how far a budget reaches.
func (g *budgeting) months(asked BudgetAsked) int {
	if asked.Season {
		return max(1, int(ledger.MonthOf(g.plan.issue.Season.To)-ledger.MonthOf(g.today))+1)
	}
	return g.plan.own.HorizonMonths.Or(DefaultHorizon)
}

func (g *budgeting) labour() fleet.Opt[fleet.Money] {
	return fleet.AmountOn(g.plan.own.LabourPerHour, g.today)
}

// recipe tells one budget from others of the same depots, and from itself once anything has changed.
func (g *budgeting) recipe(asked BudgetAsked) (r recipe[ledger.Budget], err error) {
	made := struct {
		Today      fleet.Date
		Issue      fleet.Issue
		Months     int
		Prices     []fleet.PartPrice
		Labour     fleet.Opt[fleet.Money]
		Currency   ledger.Currency
		Depots     []fleet.Depot
		Plans      []string
		Breakdowns int64
	}{
		Today: g.today, Issue: g.plan.issue, Months: g.months(asked), Prices: g.prices, Labour: g.labour(), Currency: CurrencyOf(g.plan.own), Depots: g.plan.depots,
		Breakdowns: g.mark.Breakdowns,
	}
	for i := range g.plan.planned {
		made.Plans = append(made.Plans, g.plan.hash(i))
	}
	r = recipe[ledger.Budget]{figure: asked.figure(), of: g.of, at: g.mark.At}
	if r.madeOf, err = hashOf(made); err != nil {
		return r, fmt.Errorf("tell what a budget is made of: %w", err)
	}
	r.make = func(ctx context.Context) (ledger.Budget, int, error) {
		made, err := g.make(ctx, asked)
		return made, made.Units, err
	}
	return r, nil
}

// Keep keeps the budgets that pages offer, of the whole fleet, of each depot and of those that somebody sees together, where they are not
// kept already, and tells how many it kept.
func (b *Budgets) Keep(ctx context.Context, today fleet.Date) (kept int, err error) {
	scopes, err := scopesOf(ctx, b.store)
	if err != nil {
		return 0, err
	}
	for _, of := range scopes {
		g, err := b.gather(ctx, of, today)
		if err != nil {
			return kept, err
		}
		n, err := g.keep(ctx)
		if kept += n; err != nil {
			return kept, err
		}
	}
	return kept, nil
}

func (g *budgeting) keep(ctx context.Context) (kept int, err error) {
	for _, asked := range Offered() {
		r, err := g.recipe(asked)
		if err != nil {
			return kept, err
		}
		done, err := keepFigure(ctx, g.from.store, r)
		if err != nil {
			return kept, err
		}
		if done {
			kept++
		}
	}
	return kept, nil
}

func (g *budgeting) make(ctx context.Context, asked BudgetAsked) (ledger.Budget, error) {
	in, err := g.read(ctx)
	if err != nil {
		return ledger.Budget{}, err
	}
	in.Months = g.months(asked)
	switch w := asked.WhatIf; {
	case w.Cold:
		if in, err = ledger.Coldest(in); err != nil {
			return ledger.Budget{}, err
		}
	case w.Wait:
		in = ledger.Waiting(in)
	case w.Buy != "":
		in = ledger.Buying(in, w.Buy, w.InPlaceOf)
	case w.More > 0:
		if in.Planned, err = g.plannedWithMore(ctx, w.More); err != nil {
			return ledger.Budget{}, err
		}
	}
	return ledger.MakeBudget(in)
}

// plannedWithMore is what would be planned if there were so many visits a week more.
func (g *budgeting) plannedWithMore(ctx context.Context, more int) (planned []ledger.Planned, err error) {
	if planned, known := g.more[more]; known {
		return planned, nil
	}
	in := g.plan.input(g.plan.planned, g.plan.choices)
	if in.Units, err = g.plan.units(ctx, g.from.store, g.of); err != nil {
		return nil, err
	}
	other, err := plan.Make(ledger.MoreVisits(in, more))
	if err != nil {
		return nil, err
	}
	g.more[more] = ledger.PlannedBy(other, g.labourByDepot())
	return g.more[more], nil
}

func (g *budgeting) labourByDepot() map[fleet.DepotID]fleet.Money {
	rates := map[fleet.DepotID]fleet.Money{}
	if perHour, known := g.labour().Get(); known {
		for _, d := range g.plan.depots {
			rates[d.ID] = perHour
		}
	}
	return rates
}

// input brings together what takes long.
func (g *budgeting) input(ctx context.Context) (in ledger.BudgetInput, err error) {
	planned, err := g.from.plans.Of(ctx, g.of, g.today)
	if err != nil {
		return in, err
	}
	in = ledger.BudgetInput{
		Currency: CurrencyOf(g.plan.own), From: g.today, Prices: pricesOf(g.prices), Planned: ledger.PlannedBy(planned.Plan, g.labourByDepot()), Cures: plan.DefaultRules().Cures,
	}
	listed, err := g.from.store.ListedAhead(ctx, g.plan.issue.ID, g.of)
	if err != nil {
		return in, err
	}
	depots := map[fleet.DepotID]*fleet.Depot{}
	for i := range g.plan.depots {
		depots[g.plan.depots[i].ID] = &g.plan.depots[i]
	}
	in.Units = make([]ledger.BudgetUnit, len(listed))
	for i := range listed {
		in.Units[i] = budgetUnit(&listed[i], depots[listed[i].Forecast.Depot], g.plan.issue)
	}
	in.Rates, err = g.rates(ctx)
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
		if o.Night.Quiet > 0 {
			u.Quiet = fleet.Known(o.Night.Quiet)
		}
		u.ByWinter, u.NoStartCost, u.Fitted, u.AgeYears, u.SwapCosts = o.ByWinter, o.NoStartCost, o.Fitted, o.AgeYears, o.SwapCosts
	}
	return u
}

// ratesYears is how far back breakdowns are counted for months that no outlook reaches.
const ratesYears = 3

func (g *budgeting) rates(ctx context.Context) (rates ledger.Rates, err error) {
	rows, err := g.from.store.MoneyRows(ctx, g.of)
	if err != nil {
		return rates, err
	}
	zone := time.UTC
	if len(g.plan.depots) > 0 {
		zone = g.plan.depots[0].Zone()
	}
	from := g.today
	for _, row := range rows.Breakdowns { // before the first that is recorded nobody may have written them down
		from = min(from, fleet.DateOf(row.At, zone))
	}
	facts := ledger.Facts{Depots: g.plan.depots, Units: rows.Units, Breakdowns: rows.Breakdowns, Batteries: rows.Batteries, Starters: rows.Starters}
	if from = max(from, g.today.AddMonths(-12*ratesYears)); from < g.today {
		rates = ledger.LearnRates(facts, g.plan.issue.Season, from, g.today-1)
	}
	rates.Lives = ledger.LearnLives(facts, g.today)
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
