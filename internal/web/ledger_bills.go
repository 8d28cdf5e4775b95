package web

import (
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

// billKinds are what a bill can be for.
var billKinds = []ledger.Kind{ledger.CallOut, ledger.Labour, ledger.OtherCost}

// billsView is all that ledger-bills.tmpl prints.
type billsView struct {
	ledgerFrame
	Headline string
	Wrong    string
	Bills    []billRow
	Sum      string
	OfParts  bool // some bill names one
	Kind     formField
	Depot    formField
	Fields   []formField
}

type billRow struct{ ID, On, Kind, Of, Part, Amount, Note, By string }

func (s *Server) billsPage(c echo.Context) error {
	return s.showBills(c, http.StatusOK, blankForm(url.Values{"kind": {string(ledger.CallOut)}}))
}

func (s *Server) showBills(c echo.Context, status int, f *form) error {
	frame, err := s.ledgerFrame(c, "Bills")
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	bills, err := s.store.Bills(ctx, viewerOf(c).depots())
	if err != nil {
		return err
	}
	own, err := s.visibleDepots(ctx, viewerOf(c))
	if err != nil {
		return err
	}
	today, err := s.ledgerDay(ctx)
	if err != nil {
		return err
	}
	if f.get("on") == "" && f.sound() {
		f.typed.Set("on", today.String())
	}
	page := billsView{ledgerFrame: frame, Headline: reports.Count(len(bills), "bill") + " entered by hand", Wrong: f.summary()}
	sum := fleet.Money(0)
	for _, b := range bills {
		row := billRow{
			ID: strconv.FormatInt(b.ID, 10), On: b.On.String(), Kind: reports.KindWords(ledger.Kind(b.Kind)), Of: "all depots, by their units", Part: b.Part, Amount: reports.Money(b.Amount), Note: b.Note, By: b.By,
		}
		switch {
		case b.Unit != "":
			row.Of = "unit " + string(b.Unit)
		case b.Depot != "":
			row.Of = "depot " + string(b.Depot)
		}
		page.Bills = append(page.Bills, row)
		sum += b.Amount
		page.OfParts = page.OfParts || b.Part != ""
	}
	page.Sum = reports.Money(sum)
	page.ask(f, own, viewerOf(c).depots() == nil)
	return s.render(c, status, "ledger-bills.tmpl", page)
}

func (p *billsView) ask(f *form, own []fleet.Depot, whole bool) {
	var kinds []choice
	for _, k := range billKinds {
		kinds = append(kinds, choice{Value: string(k), Text: reports.KindWords(k)})
	}
	p.Kind = f.field(formField{ID: "kind", Label: "For", Choices: kinds})
	places := []choice{{Text: "that of the unit"}}
	if whole {
		places[0].Text = "that of the unit; without one, all, by their number of units"
	}
	p.Depot = f.field(formField{ID: "depot", Label: "Depot", Choices: append(places, depotChoices(own)...)})
	text := func(id, label, hint string) formField {
		return f.field(formField{ID: id, Label: label, Hint: hint, Kind: "text", Complete: "off"})
	}
	p.Fields = []formField{
		f.field(formField{ID: "on", Label: "Day", Kind: "date", Complete: "off"}), text("amount", "Amount in "+string(p.Currency)+", net", "Below zero: it came back."),
		text("unit", "Unit", "Empty: of no one unit."), text("part", "Part number", ""), text("note", "Note", "Whose bill, its number."),
	}
}

func (s *Server) addBill(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	today, err := s.ledgerDay(ctx)
	if err != nil {
		return err
	}
	b := fleet.Bill{Kind: f.get("kind"), Unit: fleet.UnitID(strings.TrimSpace(f.get("unit"))), Depot: fleet.DepotID(f.get("depot")), Part: strings.TrimSpace(f.get("part")), Note: noteTyped(f), By: v.person.Name}
	b.On, err = dayTyped(f.get("on"), today)
	f.blame("on", err)
	b.Amount, err = fleet.ParseMoney(strings.TrimSpace(f.get("amount")))
	if err == nil && b.Amount == 0 {
		err = errors.New("an amount of nothing needs no bill")
	}
	f.blame("amount", err)
	if !slices.Contains(billKinds, ledger.Kind(b.Kind)) {
		f.blame("kind", fmt.Errorf("kind %q: choose one of the list", b.Kind))
	}
	if err := s.billPlace(c, f, &b); err != nil {
		return err
	}
	if !f.sound() {
		return s.showBills(c, http.StatusUnprocessableEntity, f)
	}
	id, err := s.store.AddBill(ctx, b)
	if err != nil {
		return err
	}
	return s.billChanged(c, fmt.Sprintf("bill %d", id), fmt.Sprintf("entered: %s for %s on %s", b.Amount, reports.KindWords(ledger.Kind(b.Kind)), b.On), "The bill is booked.", today)
}

// billPlace judges for whom a bill is.
func (s *Server) billPlace(c echo.Context, f *form, b *fleet.Bill) error {
	v := viewerOf(c)
	switch {
	case b.Unit != "":
		b.Depot = ""
		err := s.ownUnitTyped(c, b.Unit)
		if missing, ok := errors.AsType[notFoundError](err); ok {
			f.blame("unit", missing)
			return nil
		}
		return err
	case b.Depot != "" && !v.maySee(b.Depot), b.Depot == "" && v.depots() != nil:
		f.blame("depot", errors.New("say for which unit or depot the bill is, of those that you may see"))
	}
	if b.Depot == "" {
		return nil
	}
	depots, err := s.store.Depots(c.Request().Context())
	if err == nil && !slices.ContainsFunc(depots, func(d fleet.Depot) bool { return d.ID == b.Depot }) {
		f.blame("depot", fmt.Errorf("there is no depot %q", b.Depot))
	}
	return err
}

// billChanged notes what was done with a bill and books it.
func (s *Server) billChanged(c echo.Context, subject, what, said string, today fleet.Date) error {
	ctx := c.Request().Context()
	if err := s.store.NoteChange(ctx, subject, what); err != nil {
		return err
	}
	if _, err := reports.BookBills(ctx, s.store, viewerOf(c).person.Name, today); err != nil {
		return err
	}
	return s.done(c, "/ledger/bills", said)
}

func (s *Server) takeBackBill(c echo.Context) error {
	if _, err := typedForm(c); err != nil {
		return err
	}
	id, err := strconv.ParseInt(c.Param("bill"), 10, 64)
	if err != nil {
		return notFoundError{fmt.Errorf("no bill has the number %q", c.Param("bill"))}
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	today, err := s.ledgerDay(ctx)
	if err != nil {
		return err
	}
	gone, err := s.store.TakeBackBill(ctx, id, v.depots(), v.person.Name)
	if err != nil {
		return err
	}
	if !gone {
		return notFoundError{fmt.Errorf("no bill of your depots has the number %d, or it was taken back already", id)}
	}
	return s.billChanged(c, fmt.Sprintf("bill %d", id), "taken back", fmt.Sprintf("Bill %d is taken back: its entry is reversed.", id), today)
}
