package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// claimView is all that ledger-claim.tmpl prints: a claim, or the form that opens one.
type claimView struct {
	ledgerFrame
	Wrong    string
	Headline string
	Facts    []fact
	Credit   []string // how the credit is worked out
	Sheet    string   // address of the claim sheet; empty: nothing is claimed yet
	Hidden   []hiddenField
	Action   string
	Button   string
	State    formField
	Day      formField
	Paid     formField
	Note     formField
	Opening  bool
	Settled  bool // paid or refused: nothing more is decided
	Unit     string
}

// partClaimed finds the part that a claim is for, with its unit's history and depot.
func (s *Server) partClaimed(c echo.Context, unit fleet.UnitID, kind fleet.Part, serial string) (reports.ClaimSheet, error) {
	ctx := c.Request().Context()
	sheet := reports.ClaimSheet{}
	if err := s.ownUnitTyped(c, unit); err != nil {
		return sheet, err
	}
	var err error
	if sheet.History, err = s.store.History(ctx, unit); err != nil {
		return sheet, err
	}
	part, found := reports.CoveredBy(sheet.History, kind, serial)
	if !found {
		return sheet, notFoundError{fmt.Errorf("unit %s has no %s %q with a price, a day of fitting and terms of a warranty", unit, kind, serial)}
	}
	sheet.Part = part
	depots, err := s.store.Depots(ctx)
	if err != nil {
		return sheet, err
	}
	for _, d := range depots {
		if d.ID == sheet.History.Unit.Depot {
			sheet.Depot = d
		}
	}
	own, err := s.store.OwnFigures(ctx)
	if err != nil {
		return sheet, err
	}
	sheet.Currency = reports.CurrencyOf(own)
	sheet.Today, err = s.ledgerDay(ctx)
	return sheet, err
}

func (s *Server) claimForm(c echo.Context) error {
	unit, kind, serial := fleet.UnitID(c.QueryParam("unit")), fleet.Part(c.QueryParam("kind")), c.QueryParam("serial")
	sheet, err := s.partClaimed(c, unit, kind, serial)
	if err != nil {
		return err
	}
	return s.showClaim(c, http.StatusOK, sheet, blankForm(url.Values{"on": {sheet.Today.String()}}))
}

// showClaim shows a claim, or where it has no number yet, the form that opens it.
func (s *Server) showClaim(c echo.Context, status int, sheet reports.ClaimSheet, f *form) error {
	part, claim := sheet.Part, sheet.Claim
	title, on := "Claim for "+part.Serial, sheet.Today
	if claim.ID != 0 {
		title, on = fmt.Sprintf("Claim %d", claim.ID), claim.OpenedOn
	}
	frame, err := s.ledgerFrame(c, title)
	if err != nil {
		return err
	}
	page := claimView{ledgerFrame: frame, Wrong: f.summary(), Opening: claim.ID == 0, Credit: reports.CreditWords(part.Cover, on, sheet.Currency), Unit: unitHref(sheet.History.Unit.ID)}
	page.Facts = []fact{
		{"Unit", string(sheet.History.Unit.ID)},
		{"Part", fmt.Sprintf("%s %s, part number %s", part.Kind, part.Serial, part.Part)},
		{"Fitted on", part.Cover.From.String()},
		{"Credit worked out", reports.InCurrency(part.Cover.Credit(on), sheet.Currency)},
	}
	page.Note = f.field(formField{ID: "note", Label: "Note", Hint: "It stands on the claim sheet.", Kind: "text", Complete: "off"})
	if page.Opening {
		page.Headline, page.Action, page.Button = "Open a claim for "+part.Serial, "/ledger/claims", "Open the claim"
		page.Hidden = []hiddenField{{"unit", string(sheet.History.Unit.ID)}, {"kind", string(part.Kind)}, {"serial", part.Serial}}
		page.Day = f.field(formField{ID: "on", Label: "Claimed on", Kind: "date", Complete: "off"})
		return s.render(c, status, "ledger-claim.tmpl", page)
	}
	page.Facts = append(page.Facts, fact{"Claimed", reports.InCurrency(claim.Expected, sheet.Currency)}, fact{"State", claim.State}, fact{"Paid", paidWords(claim.Paid)})
	page.Headline, page.Sheet = fmt.Sprintf("Claim %d is %s", claim.ID, claim.State), claimHref(claim.ID)+"/sheet.pdf"
	page.Settled = len(nextStates(ledger.ClaimState(claim.State))) == 0
	page.Action, page.Button = claimHref(claim.ID), "Keep this"
	page.Hidden = []hiddenField{{"from", claim.State}}
	var states []choice
	for _, next := range nextStates(ledger.ClaimState(claim.State)) {
		states = append(states, choice{Value: string(next), Text: string(next)})
	}
	page.State = f.field(formField{ID: "state", Label: "What has become of it", Kind: "radio", Choices: states})
	page.Day = f.field(formField{ID: "on", Label: "On", Kind: "date", Complete: "off"})
	page.Paid = f.field(formField{ID: "paid", Label: "Paid, net", Hint: "Only where it was paid.", Kind: "text", Complete: "off"})
	return s.render(c, status, "ledger-claim.tmpl", page)
}

// nextStates are those that a claim may come to.
func nextStates(state ledger.ClaimState) []ledger.ClaimState {
	switch state {
	case ledger.ClaimOpen:
		return []ledger.ClaimState{ledger.ClaimSent, ledger.ClaimPaid, ledger.ClaimRefused}
	case ledger.ClaimSent:
		return []ledger.ClaimState{ledger.ClaimPaid, ledger.ClaimRefused}
	}
	return nil
}

func noteTyped(f *form) string {
	const longest = 300 // characters
	note := strings.Join(strings.Fields(f.get("note")), " ")
	if len([]rune(note)) > longest {
		f.blame("note", fmt.Errorf("the note is longer than %d characters: shorten it", longest))
	}
	return note
}

func (s *Server) openClaim(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	sheet, err := s.partClaimed(c, fleet.UnitID(f.get("unit")), fleet.Part(f.get("kind")), f.get("serial"))
	if err != nil {
		return err
	}
	on, err := dayTyped(f.get("on"), sheet.Today)
	f.blame("on", err)
	claim := fleet.Claim{
		Unit: sheet.History.Unit.ID, Serial: sheet.Part.Serial, Part: sheet.Part.Part, PartKind: sheet.Part.Kind, State: string(ledger.ClaimOpen), Expected: sheet.Part.Cover.Credit(on),
		OpenedOn: on, Note: noteTyped(f), By: viewerOf(c).person.Name,
	}
	if claim.Expected == 0 {
		f.blame("on", fmt.Errorf("there is no cover any more on %s: it ended on %s", on, sheet.Part.Cover.Until()))
	}
	ctx := c.Request().Context()
	if f.sound() {
		claim.ID, err = s.store.OpenClaim(ctx, claim)
		if errors.Is(err, fleet.ErrClaimed) {
			f.blame("on", errors.New("there is a claim for this part already: look among the claims"))
		} else if err != nil {
			return err
		}
	}
	if !f.sound() {
		return s.showClaim(c, http.StatusUnprocessableEntity, sheet, f)
	}
	if err := s.store.NoteChange(ctx, fmt.Sprintf("claim %d", claim.ID), fmt.Sprintf("opened for %s of unit %s, %s", claim.Serial, claim.Unit, claim.Expected)); err != nil {
		return err
	}
	return s.done(c, claimHref(claim.ID), "The claim is open. Print its sheet and send it with the part.")
}

// claimSheetAsked is the claim of the address with its part.
func (s *Server) claimSheetAsked(c echo.Context) (reports.ClaimSheet, error) {
	claim, err := s.claimAsked(c)
	if err != nil {
		return reports.ClaimSheet{}, err
	}
	sheet, err := s.partClaimed(c, claim.Unit, claim.PartKind, claim.Serial)
	sheet.Claim = claim
	return sheet, err
}

func (s *Server) claimPage(c echo.Context) error {
	sheet, err := s.claimSheetAsked(c)
	if err != nil {
		return err
	}
	return s.showClaim(c, http.StatusOK, sheet, blankForm(url.Values{"on": {sheet.Today.String()}, "note": {sheet.Claim.Note}}))
}

func (s *Server) decideClaim(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	sheet, err := s.claimSheetAsked(c)
	if err != nil {
		return err
	}
	claim := sheet.Claim
	next := ledger.ClaimState(f.get("state"))
	if !slices.Contains(nextStates(ledger.ClaimState(claim.State)), next) {
		f.blame("state", fmt.Errorf("a claim that is %s cannot become %q: choose one of those offered", claim.State, next))
	}
	on, err := dayTyped(f.get("on"), sheet.Today)
	f.blame("on", err)
	if err == nil && on < claim.OpenedOn {
		f.blame("on", fmt.Errorf("it was claimed on %s: want a day from then on", claim.OpenedOn))
	}
	claim.State, claim.Note, claim.By = string(next), noteTyped(f), viewerOf(c).person.Name
	switch typed := strings.TrimSpace(f.get("paid")); {
	case next == ledger.ClaimPaid:
		paid, err := fleet.ParseMoney(typed)
		if err == nil && paid < 0 {
			err = errors.New("what was paid is not below zero")
		}
		f.blame("paid", err)
		claim.Paid = fleet.Known(paid)
	case typed != "":
		f.blame("paid", fmt.Errorf("only a claim that was paid has an amount: leave it empty"))
	}
	if next == ledger.ClaimPaid || next == ledger.ClaimRefused {
		claim.DecidedOn = fleet.Known(on)
	}
	if !f.sound() {
		return s.showClaim(c, http.StatusUnprocessableEntity, sheet, f)
	}
	ctx := c.Request().Context()
	done, err := s.store.DecideClaim(ctx, claim, sheet.Claim.State)
	if err != nil {
		return err
	}
	if !done {
		return s.done(c, claimHref(claim.ID), "Somebody has decided this claim meanwhile. Nothing was changed.")
	}
	if err := s.store.NoteChange(ctx, fmt.Sprintf("claim %d", claim.ID), fmt.Sprintf("%s on %s", claim.State, on)); err != nil {
		return err
	}
	if _, err := reports.BookLedger(ctx, s.store, []fleet.UnitID{claim.Unit}, claim.By, sheet.Today); err != nil {
		return err
	}
	return s.done(c, claimHref(claim.ID), fmt.Sprintf("The claim is %s.", claim.State))
}

func (s *Server) claimSheet(c echo.Context) error {
	sheet, err := s.claimSheetAsked(c)
	if err != nil {
		return err
	}
	pages, err := sheet.PDF()
	return sendFile(c, fmt.Sprintf("claim-%d.pdf", sheet.Claim.ID), "application/pdf", pages, err)
}
