package web

import (
	"errors"
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// paysView is all that ledger-pays.tmpl prints.
type paysView struct {
	ledgerFrame
	Empty    string
	Behind   string // that something has changed since it was reckoned; empty: nothing has
	Headline string
	Depots   []choice
	Policies []policyRow
	Lines    []string
	Units    []paysRow
	More     string
	Left     string // how many units are best left alone; empty: none
	CSV      string
	Service  []serviceRow
	Ages     []ageRow
	Audited  string
	Rules    []ruleRow
	NoAudit  string
}

type policyRow struct{ Name, Expected, Range string }

type paysRow struct{ Unit, Href, Depot, Do, Now, Best, Run, Saves, SavesRange string }

type serviceRow struct {
	Part, Chemistry, Fitted, Failed, Life, LifeRange, Price, PerMonth, PerMonthRange, PerStart string
	TooFew                                                                                     bool
}

type ageRow struct{ Part, Age, Range, PerYear, Run, Block string }

type ruleRow struct{ Rule, More, Range, Words string }

func (s *Server) paysPage(c echo.Context) error {
	frame, err := s.ledgerFrame(c, "Does it pay")
	if err != nil {
		return err
	}
	page := paysView{ledgerFrame: frame}
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	data, err := reports.PaysOf(c.Request().Context(), s.store, sc.of, sc.today)
	switch {
	case errors.Is(err, fleet.ErrNoIssue):
		page.Empty = "There is no winter list yet, so nothing can be weighed. Bring in the fleet's files with “rimeyard import”, then judge the units with “rimeyard fit”."
	case err != nil:
		return err
	case len(sc.own) == 0:
		page.Empty = "No depot is yours to see. Ask an administrator to give you one."
	}
	if page.Empty == "" {
		page.Depots, page.CSV = sc.choices(func(d fleet.DepotID) string { return withDepot("/ledger/pays", d) }), withDepot("/ledger/pays.csv", sc.chosen)
		if page.Behind, err = s.behind(c, data.MadeAt, data.Behind); err != nil {
			return err
		}
		page.say(data.Figure)
		page.list(data.Figure, sc.today)
	}
	return s.render(c, http.StatusOK, "ledger-pays.tmpl", page)
}

func (p *paysView) say(d reports.PaysData) {
	f := d.Fleet
	p.Headline = fmt.Sprintf("Working on each unit in its best week saves %s this season", reports.InCurrency(f.Saves, d.Currency))
	switch {
	case len(f.Units)+d.LeftBest == 0:
		p.Headline = "Of no unit enough is known to say whether work on it pays"
	case f.Saves <= 0:
		p.Headline = "No work on any unit pays this season"
	}
	for _, one := range []struct {
		name string
		cost ledger.PolicyCost
	}{{"Work on all now", f.Now}, {"Each in its best week", f.Best}, {"Run to failure", f.Run}} {
		p.Policies = append(p.Policies, policyRow{one.name, reports.Money(one.cost.Expected), reports.Money(one.cost.Mild) + " to " + reports.Money(one.cost.Hard)})
	}
	p.Lines = []string{
		fmt.Sprintf("What the best weeks save lies between %s and %s in eight cases of ten, over winters and luck. It is reckoned as if there were room for all at once; the plan has the weeks that there are.", reports.Money(f.SavesLow), reports.Money(f.SavesTop)),
		"A policy costs its failed starts, its labour where the rate is set, and the life of parts that is thrown away. The range of each is that of eight past winters of ten.",
	}
	if f.Unpriced > 0 {
		p.Lines = append(p.Lines, fmt.Sprintf("Left out for want of a price or of the cost of a failed start: %s.", reports.Count(f.Unpriced, "unit")))
	}
	if f.Unknown > 0 {
		p.Lines = append(p.Lines, fmt.Sprintf("Left out because nothing is known of their chances: %s.", reports.Count(f.Unknown, "unit")))
	}
	p.Audited = d.Audited
	p.NoAudit = "No season that is over has been audited with prices yet, or the audit is of single depots: choose one."
	for _, r := range d.Rules {
		row := ruleRow{Rule: r.Rule, More: reports.Money(r.More), Range: notKnown, Words: notKnown}
		if low, known := r.Low.Get(); known {
			row.Range, row.Words = reports.Money(low)+" to "+moneyOr(r.High), "may be luck"
		}
		switch {
		case r.Clear && r.More > 0:
			row.Words = "more than luck"
		case r.Clear:
			row.Words = "more than luck, for the rule"
		}
		p.Rules = append(p.Rules, row)
	}
}

func (p *paysView) list(d reports.PaysData, today fleet.Date) {
	for _, u := range d.Fleet.Units {
		p.Units = append(p.Units, paysRow{
			Unit: string(u.Unit), Href: unitHref(u.Unit), Depot: string(u.Depot), Do: reports.PolicyWords(u, today), Now: reports.Money(u.Now.Expected), Best: reports.Money(u.Best.Expected),
			Run: reports.Money(u.Run.Expected), Saves: reports.Money(u.Saves), SavesRange: reports.Money(u.SavesMild) + " to " + reports.Money(u.SavesHard),
		})
	}
	if d.MorePay > 0 {
		p.More = fmt.Sprintf("%s more are in the table.", reports.Count(d.MorePay, "unit"))
	}
	if d.LeftBest > 0 {
		p.Left = fmt.Sprintf("%s cost least if they are left until they fail.", reports.CountAs(int64(d.LeftBest), "other unit", "other units"))
		if d.LeftBest == 1 {
			p.Left = "1 other unit costs least if it is left until it fails."
		}
	}
	for _, r := range d.Service {
		row := serviceRow{
			Part: r.Part, Chemistry: string(r.Chemistry), Fitted: fmt.Sprint(r.Fitted), Failed: fmt.Sprint(r.Failed), Life: fmt.Sprintf("%.1f years", r.LifeYears),
			LifeRange: fmt.Sprintf("%.1f to %.1f", r.LifeLow, r.LifeHigh), Price: moneyOr(r.MeanPrice), PerMonth: moneyOr(r.PerMonth), PerStart: notKnown, TooFew: r.TooFew,
		}
		if row.Part == "" {
			row.Part = "all " + row.Chemistry
		}
		if r.Kind == fleet.StarterPart {
			row.Chemistry = "starter"
		}
		if r.Low.IsKnown() {
			row.PerMonthRange = moneyOr(r.Low) + " to " + moneyOr(r.High)
		}
		if v, known := r.PerStart.Get(); known {
			row.PerStart = fmt.Sprintf("%.3f", v)
		}
		p.Service = append(p.Service, row)
	}
	for _, a := range d.Ages {
		p.Ages = append(p.Ages, newAgeRow(a))
	}
}

func newAgeRow(a reports.PartAge) ageRow {
	row := ageRow{Part: a.Part, Age: "never by age", Range: notKnown, PerYear: reports.Money(a.PerYear), Run: reports.Money(a.RunToFailure), Block: "none"}
	years := func(v fleet.Opt[float64], unbounded string) string {
		if y, known := v.Get(); known {
			return fmt.Sprintf("%.1f", y)
		}
		return unbounded
	}
	if a.AgeYears.IsKnown() {
		row.Age = years(a.AgeYears, "") + " years"
	}
	row.Range = years(a.Low, "never") + " to " + years(a.High, "never")
	if a.Block.IsKnown() {
		row.Block = fmt.Sprintf("%s years, %s a year", years(a.Block, ""), reports.Money(a.BlockPerYear))
	}
	return row
}

func (s *Server) paysCSV(c echo.Context) error {
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	data, err := reports.GatherPays(c.Request().Context(), s.store, sc.of, sc.today)
	if err != nil {
		return err
	}
	table, err := data.Table()
	return sendFile(c, fmt.Sprintf("pays-%s.csv", sc.today), "text/csv; charset=utf-8; header=present", table, err)
}
