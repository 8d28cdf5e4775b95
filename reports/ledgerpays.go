package reports

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/plan"
)

// PaysStore is where all that says whether swaps pay is kept.
type PaysStore interface {
	PlanSource
	FigureStore
	ListedAhead(ctx context.Context, issue int64, of []fleet.DepotID) ([]fleet.Listed, error)
	PartPrices(ctx context.Context) ([]fleet.PartPrice, error)
	MoneyRows(ctx context.Context, of []fleet.DepotID) (fleet.Bookable, error)
	Audits(ctx context.Context, depot fleet.DepotID) ([]fleet.KeptAudit, error)
}

// PaysData says whether swaps pay, when to replace parts, and what they cost by the time that they serve.
type PaysData struct {
	Currency ledger.Currency
	Monday   fleet.Date // of the first week that can still be planned
	Season   fleet.Season
	Fleet    ledger.FleetPays
	MorePay  int // units on which work saves something, and that are not in Fleet.Units, as where the figure is kept
	LeftBest int // units that cost least if they are left alone, likewise
	Service  []ledger.ServiceCost
	Ages     []PartAge
	// Audited is the last season that was audited and is over; empty: none was.
	Audited string
	Saved   fleet.Money // by the list of that season
	Rules   []ledger.AgainstRule
}

// PaysShown is how many units are kept with what swaps pay, of those on which work saves something the ones that save most.
const PaysShown = 60

// PaysOf is what swaps pay at the depots (nil: all), with the units that save most, as it is kept or made anew.
func PaysOf(ctx context.Context, from PaysStore, of []fleet.DepotID, today fleet.Date) (d Dated[PaysData], err error) {
	r, err := paysRecipe(ctx, from, of, today)
	if err != nil {
		return d, err
	}
	return figureOf(ctx, &figures{store: from}, r, false)
}

// KeepPays keeps what swaps pay, of the whole fleet, of each depot and of those that somebody sees together, where it is not kept already,
// and tells how many figures it kept.
func KeepPays(ctx context.Context, from PaysStore, today fleet.Date) (kept int, err error) {
	return keepAll(ctx, from, from, func(of []fleet.DepotID) (recipe[PaysData], error) { return paysRecipe(ctx, from, of, today) })
}

func paysRecipe(ctx context.Context, from PaysStore, of []fleet.DepotID, today fleet.Date) (r recipe[PaysData], err error) {
	mark, err := from.MoneyMark(ctx)
	if err != nil {
		return r, err
	}
	f, err := gatherFrame(ctx, from, of, today)
	if err != nil {
		return r, err
	}
	prices, err := from.PartPrices(ctx)
	if err != nil {
		return r, err
	}
	r = recipe[PaysData]{figure: "pays", of: of, at: mark.At}
	mark.At = time.Time{}
	r.madeOf, err = hashOf(struct {
		Today  fleet.Date
		Issue  fleet.Issue
		Depots []fleet.Depot
		Own    fleet.OwnFigures
		Prices []fleet.PartPrice
		Mark   fleet.MoneyMark
	}{today, f.issue, f.depots, f.own, prices, mark})
	r.make = func(ctx context.Context) (PaysData, int, error) {
		d, err := GatherPays(ctx, from, of, today)
		units := len(d.Fleet.Units) + d.Fleet.Unknown + d.Fleet.Unpriced
		pay := slices.IndexFunc(d.Fleet.Units, func(u ledger.UnitPays) bool { return u.Saves <= 0 }) // what saves most stands first
		if pay < 0 {
			pay = len(d.Fleet.Units)
		}
		d.LeftBest, d.MorePay = len(d.Fleet.Units)-pay, max(0, pay-PaysShown)
		d.Fleet.Units = d.Fleet.Units[:min(pay, PaysShown)]
		return d, units, err
	}
	return r, err
}

// PartAge is the best age for one part number.
type PartAge struct {
	Part             string
	Kind             fleet.Part
	Planned, Failure fleet.Money // what a planned swap costs and what a failure in service does, both with the part
	ledger.BestAge
}

// GatherPays brings together whether swaps pay at the depots (nil: all). fleet.ErrNoIssue: no list was issued yet.
func GatherPays(ctx context.Context, from PaysStore, of []fleet.DepotID, today fleet.Date) (PaysData, error) {
	f, err := gatherFrame(ctx, from, of, today)
	if err != nil {
		return PaysData{}, err
	}
	own := f.own
	data := PaysData{Currency: CurrencyOf(own), Monday: f.monday, Season: f.issue.Season}
	listed, err := from.ListedAhead(ctx, f.issue.ID, of)
	if err != nil {
		return data, err
	}
	centres := map[fleet.DepotID]string{}
	for _, d := range f.depots {
		centres[d.ID] = d.CostCentre
	}
	labour := fleet.AmountOn(own.LabourPerHour, today)
	skip := int(f.monday-f.issue.AsOf.Monday()) / 7
	units := make([]ledger.PaysUnit, len(listed))
	for i, l := range listed {
		units[i] = ledger.PaysUnit{Unit: planUnit(l, skip), CostCentre: centres[l.Forecast.Depot], LabourPerHour: labour}
		if l.Outlook != nil {
			units[i].ByWinter = l.Outlook.ByWinter
		}
	}
	data.Fleet = ledger.Pays(f.monday, units, plan.DefaultRules())
	if err := data.parts(ctx, from, of, own, today, f.depots); err != nil {
		return data, err
	}
	return data, data.audit(ctx, from, Asked{Depots: of}, today)
}

// parts reckons what each part costs by the time that it serves, and the best age to replace it.
func (p *PaysData) parts(ctx context.Context, from PaysStore, of []fleet.DepotID, own fleet.OwnFigures, today fleet.Date, depots []fleet.Depot) error {
	rows, err := from.MoneyRows(ctx, of)
	if err != nil {
		return err
	}
	facts := factsOf(rows, depots, own)
	failure := map[fleet.Part]fleet.Money{}
	for _, kind := range []fleet.Part{fleet.BatteryPart, fleet.StarterPart} {
		if usual, known := ledger.UsualBreakdown(facts, kind).Get(); known {
			failure[kind] = usual
		}
	}
	p.Service = ledger.ServiceCosts(facts, fleet.Opt[fleet.Date]{}, failure, today)
	lines, err := from.PartPrices(ctx)
	p.Ages = partAges(facts, pricesOf(lines), failure, fleet.AmountOn(own.LabourPerHour, today), today)
	return err
}

// audit takes from the audit of the last season that is over what its list saved beside the rules used before.
func (p *PaysData) audit(ctx context.Context, from PaysStore, a Asked, today fleet.Date) error {
	if len(a.Depots) > 1 {
		return nil // an audit is of one depot, or of all
	}
	kept, err := from.Audits(ctx, a.Only())
	if err != nil {
		return err
	}
	data, err := AuditOf(kept, a.Only(), today)
	if errors.Is(err, ErrNoAudit) {
		return nil
	}
	if err != nil {
		return err
	}
	for _, r := range data.Seasons {
		if _, priced := r.Forecast.Saving.Saved.Get(); !r.SeasonOver || !priced {
			continue
		}
		p.Audited, p.Saved = SeasonTitle(r.Season), r.Forecast.Saving.Saved.Or(0)
		var rules []ledger.AuditMoney
		for _, rule := range r.Rules {
			if rule.Saving.Saved.IsKnown() {
				rules = append(rules, auditMoney(orderName(rule.Rule), rule.Saving))
			}
		}
		p.Rules = ledger.AgainstRules(p.Saved, rules)
		return nil
	}
	return nil
}

func auditMoney(name string, s alerts.Saving) ledger.AuditMoney {
	m := ledger.AuditMoney{Name: name, Saved: s.Saved.Or(0)}
	if span, known := s.MoreInterval.Get(); known {
		m.Low, m.High = fleet.Known(span.Low), fleet.Known(span.High)
	}
	return m
}

// PolicyWords says in words what is cheapest for a unit.
func PolicyWords(u ledger.UnitPays, near fleet.Date) string {
	switch u.Cheapest {
	case ledger.SwapNow:
		return "work on it now"
	case ledger.SwapBest:
		monday, _ := u.Best.Monday.Get()
		return "work on it in the week of " + DayMonth(monday, near)
	}
	if len(u.Parts) == 0 {
		return "leave it: no work pays"
	}
	return "leave it until it fails"
}

// PaysHeader is the first line of the units as CSV.
func PaysHeader() []string {
	return []string{"unit", "depot", "cost_centre", "parts", "cheapest", "best_week", "now", "now_p10", "now_p90", "best", "best_p10", "best_p90", "run_to_failure", "run_p10", "run_p90", "saves", "saves_p10", "saves_p90"}
}

// PaysRow is a unit's line.
func PaysRow(u ledger.UnitPays) []string {
	parts := make([]string, len(u.Parts))
	for i, p := range u.Parts {
		parts[i] = string(p)
	}
	week := ""
	if monday, known := u.Best.Monday.Get(); known {
		week = monday.String()
	}
	row := []string{Inert(string(u.Unit)), Inert(string(u.Depot)), Inert(u.CostCentre), strings.Join(parts, " "), string(u.Cheapest), week}
	for _, p := range []ledger.PolicyCost{u.Now, u.Best, u.Run} {
		row = append(row, p.Expected.String(), p.Mild.String(), p.Hard.String())
	}
	return append(row, u.Saves.String(), u.SavesMild.String(), u.SavesHard.String())
}

// Table is every unit as CSV, what saves most first.
func (p *PaysData) Table() ([]byte, error) {
	rows := [][]string{PaysHeader()}
	for _, u := range p.Fleet.Units {
		rows = append(rows, PaysRow(u))
	}
	return csvOf(rows)
}
