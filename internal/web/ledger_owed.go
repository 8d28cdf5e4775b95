package web

import (
	"cmp"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// owedShown is how many rows of a kind the page lists; the table as CSV has them all.
const owedShown = 60

// owedView is all that ledger-owed.tmpl prints.
type owedView struct {
	ledgerFrame
	Empty      string
	Behind     string // that something has changed since warranties were reckoned; empty: nothing has
	Headline   string
	Depots     []choice
	CoresSaid  string
	Cores      []coreRow
	MoreCores  string
	Today      string
	Here       string
	Warranties []warrantyRow
	MoreCover  string
	Claims     []claimRow
	ClaimSums  []claimSumRow
	CSV        string
}

type coreRow struct {
	ID, Unit, Href, Depot, Serial, Part, Kind, Deposit, Out, Deadline string
	FittedOn                                                          string // for the form; empty: unknown
	Overdue                                                           bool
}

type warrantyRow struct {
	Unit, Href, Depot, Serial, Part, Kind, FreeUntil, CoverUntil, Now, End, Before, After, Lost, Claim string
	Claimed                                                                                            bool
}

type claimRow struct {
	ID, Href, Unit, UnitHref, Serial, Part, State, Expected, Paid, Opened, Decided string
}

type claimSumRow struct{ State, Claims, Expected, Paid string }

func (s *Server) owedPage(c echo.Context) error {
	frame, err := s.ledgerFrame(c, "Owed to us")
	if err != nil {
		return err
	}
	page := owedView{ledgerFrame: frame}
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	if len(sc.own) == 0 {
		page.Empty = "No depot is yours to see. Ask an administrator to give you one."
		return s.render(c, http.StatusOK, "ledger-owed.tmpl", page)
	}
	ctx := c.Request().Context()
	own, err := s.store.OwnFigures(ctx)
	if err != nil {
		return err
	}
	out, err := s.store.DepositsOut(ctx, reports.DepositsAsked(sc.of, sc.today, own, fleet.Known(owedShown)))
	if err != nil {
		return err
	}
	claims, err := s.store.Claims(ctx, sc.of)
	if err != nil {
		return err
	}
	covered, err := reports.CoverEndingOf(ctx, s.store, sc.of, sc.today)
	if err != nil {
		return err
	}
	if page.Behind, err = s.behind(c, covered.MadeAt, covered.Behind); err != nil {
		return err
	}
	page.Depots = sc.choices(func(d fleet.DepotID) string { return withDepot("/ledger/owed", d) })
	page.Here, page.CSV, page.Today = withDepot("/ledger/owed", sc.chosen), withDepot("/ledger/owed.csv", sc.chosen), sc.today.String()
	page.cores(out, own.CoreDays, sc.today)
	page.cover(covered.Figure, claims)
	page.claims(claims)
	return s.render(c, http.StatusOK, "ledger-owed.tmpl", page)
}

func (p *owedView) cores(out fleet.DepositsOut, days fleet.Opt[int], today fleet.Date) {
	p.Headline = fmt.Sprintf("%s in deposits could come back", reports.InCurrency(out.Sum, p.Currency))
	p.CoresSaid = fmt.Sprintf("%s of parts that are out could be handed in. For %s that are still fitted, deposits of %s come back when they are taken out.",
		reports.Count(out.Cores, "core"), reports.Count(out.Fitted, "part"), reports.InCurrency(out.FittedSum, p.Currency))
	switch within, set := days.Get(); {
	case !set:
		p.CoresSaid += " Nobody has said within how many days a core must be back, so there are no deadlines: set it under Own figures."
	default:
		p.CoresSaid += fmt.Sprintf(" A core must be back within %s of the day on which its part came out; %d are overdue, with %s.", reports.Count(within, "day"), out.Overdue, reports.Money(out.OverdueSum))
	}
	for i, core := range out.Due {
		row := coreRow{
			ID: fmt.Sprint("core-", i), Unit: string(core.Unit), Href: unitHref(core.Unit), Depot: string(core.Depot), Serial: core.Serial, Part: core.Part, Kind: string(core.Kind),
			Deposit: reports.Money(core.Deposit), Out: core.OutOn.String(), Deadline: "–", FittedOn: textOf(core.FittedOn),
		}
		if last, known := reports.CoreDeadline(core, days).Get(); known {
			row.Deadline, row.Overdue = last.String(), last < today
		}
		p.Cores = append(p.Cores, row)
	}
	if more := out.Cores - len(out.Due); more > 0 {
		p.MoreCores = fmt.Sprintf("%d more are in the table.", more)
	}
}

// cover lists the warranties that matter first.
func (p *owedView) cover(covered reports.CoverEnding, claims []fleet.Claim) {
	claimed := map[string]bool{}
	for _, c := range claims {
		if c.State != string(ledger.ClaimRefused) {
			claimed[string(c.Unit)+"\n"+c.Serial] = true
		}
	}
	for _, w := range covered.First {
		p.Warranties = append(p.Warranties, warrantyRow{
			Unit: string(w.Unit), Href: unitHref(w.Unit), Depot: string(w.Depot), Serial: w.Serial, Part: w.Part, Kind: string(w.Kind), FreeUntil: cmp.Or(textOf(w.FreeUntil), "–"),
			CoverUntil: w.CoverUntil.String(), Now: reports.Money(w.CreditNow), End: reports.Money(w.CreditEnd), Before: percent(w.Before), After: percent(w.After), Lost: reports.Money(w.Lost),
			Claimed: claimed[string(w.Unit)+"\n"+w.Serial],
			Claim:   "/ledger/claims/new?" + url.Values{"unit": {string(w.Unit)}, "kind": {string(w.Kind)}, "serial": {w.Serial}}.Encode(),
		})
	}
	if covered.More > 0 {
		p.MoreCover = fmt.Sprintf("%d more are in the table.", covered.More)
	}
}

func (p *owedView) claims(claims []fleet.Claim) {
	for _, sum := range reports.ClaimSums(claims) {
		p.ClaimSums = append(p.ClaimSums, claimSumRow{string(sum.State), fmt.Sprint(sum.Claims), reports.Money(sum.Expected), reports.Money(sum.Paid)})
	}
	for _, c := range claims[:min(owedShown, len(claims))] {
		p.Claims = append(p.Claims, newClaimRow(c))
	}
}

func newClaimRow(c fleet.Claim) claimRow {
	return claimRow{
		ID: strconv.FormatInt(c.ID, 10), Href: claimHref(c.ID), Unit: string(c.Unit), UnitHref: unitHref(c.Unit), Serial: c.Serial, Part: c.Part, State: c.State,
		Expected: reports.Money(c.Expected), Paid: paidWords(c.Paid), Opened: c.OpenedOn.String(), Decided: cmp.Or(textOf(c.DecidedOn), "–"),
	}
}

func paidWords(paid fleet.Opt[fleet.Money]) string {
	if m, known := paid.Get(); known {
		return reports.Money(m)
	}
	return "–"
}

func claimHref(id int64) string { return "/ledger/claims/" + strconv.FormatInt(id, 10) }

func (s *Server) owedCSV(c echo.Context) error {
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	own, err := s.store.OwnFigures(ctx)
	if err != nil {
		return err
	}
	out, err := s.store.DepositsOut(ctx, reports.DepositsAsked(sc.of, sc.today, own, fleet.Opt[int]{}))
	if err != nil {
		return err
	}
	covered, err := reports.Warranties(ctx, s.store, sc.of, sc.today)
	if err != nil {
		return err
	}
	table, err := reports.OwedTable(out, own.CoreDays, covered)
	return sendFile(c, fmt.Sprintf("owed-%s.csv", sc.today), "text/csv; charset=utf-8; header=present", table, err)
}

// ownUnitTyped is the unit that a form names, which must be the viewer's to see.
func (s *Server) ownUnitTyped(c echo.Context, unit fleet.UnitID) error {
	depot, found, err := s.store.UnitDepot(c.Request().Context(), unit)
	if err != nil {
		return err
	}
	if !found || !viewerOf(c).maySee(depot) {
		return noSuchUnit(unit)
	}
	return nil
}

// dayTyped reads a day of a form that is not ahead.
func dayTyped(typed string, today fleet.Date) (fleet.Date, error) {
	day, err := fleet.ParseDate(strings.TrimSpace(typed))
	if err == nil && day > today {
		err = fmt.Errorf("%s is ahead: want a day up to %s", day, today)
	}
	return day, err
}

// returnCore notes that a core was handed in, and books the deposit that comes back.
func (s *Server) returnCore(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	unit, kind := fleet.UnitID(f.get("unit")), fleet.Part(f.get("kind"))
	if err := s.ownUnitTyped(c, unit); err != nil {
		return err
	}
	ctx := c.Request().Context()
	today, err := s.ledgerDay(ctx)
	if err != nil {
		return err
	}
	on, err := dayTyped(f.get("on"), today)
	if err != nil {
		return badRequestError{err}
	}
	fitted := fleet.Opt[fleet.Date]{}
	if typed := f.get("fitted_on"); typed != "" {
		day, err := fleet.ParseDate(typed)
		if err != nil {
			return badRequestError{err}
		}
		if on < day {
			return badRequestError{fmt.Errorf("%s is before the day of fitting, %s", on, day)}
		}
		fitted = fleet.Known(day)
	}
	if kind != fleet.BatteryPart && kind != fleet.StarterPart {
		return badRequestError{fmt.Errorf("kind %q: want %s or %s", kind, fleet.BatteryPart, fleet.StarterPart)}
	}
	err = s.store.ReturnCore(ctx, kind, f.get("serial"), unit, fitted, on)
	if errors.Is(err, fleet.ErrNoCore) {
		return notFoundError{fmt.Errorf("no %s %q of unit %s is recorded whose core is still out: somebody may have noted it already", kind, f.get("serial"), unit)}
	}
	if err != nil {
		return err
	}
	if err := s.store.NoteChange(ctx, "core of "+f.get("serial"), fmt.Sprintf("handed in on %s, unit %s", on, unit)); err != nil {
		return err
	}
	if _, err := reports.BookLedger(ctx, s.store, []fleet.UnitID{unit}, viewerOf(c).person.Name, today); err != nil {
		return err
	}
	return s.done(c, ledgerBack(f, "/ledger/owed"), fmt.Sprintf("The core of %s was handed in on %s; its deposit is booked.", f.get("serial"), on))
}

// ledgerBack is the page of the ledger that a form came from.
func ledgerBack(f *form, other string) string {
	if back := ownPath(f.get("back")); strings.HasPrefix(back, "/ledger") {
		return back
	}
	return other
}

// claimAsked is the claim that the address names, of a unit that the viewer may see.
func (s *Server) claimAsked(c echo.Context) (fleet.Claim, error) {
	id, err := strconv.ParseInt(c.Param("claim"), 10, 64)
	if err != nil {
		return fleet.Claim{}, notFoundError{fmt.Errorf("no claim has the number %q", c.Param("claim"))}
	}
	claims, err := s.store.Claims(c.Request().Context(), viewerOf(c).depots())
	if err != nil {
		return fleet.Claim{}, err
	}
	i := slices.IndexFunc(claims, func(one fleet.Claim) bool { return one.ID == id })
	if i < 0 {
		return fleet.Claim{}, notFoundError{fmt.Errorf("no claim has the number %d", id)}
	}
	return claims[i], nil
}
