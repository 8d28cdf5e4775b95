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
	"rimeyard/reports"
)

// stockPartPage is all that stock-part.tmpl prints.
type stockPartPage struct {
	pageFrame
	Said    string
	Wrong   string
	Depot   string
	Name    string
	Part    string // empty: it is asked for
	New     bool   // nothing is known of the part: it is counted first
	Back    string
	Row     *stockRow
	Money   bool
	Request string
	Kind    *formField // asked of a part that is not known yet
	Number  *formField // likewise
	Receive []formField
	Count   formField
	Order   []formField
	Off     []formField
	Label   []formField // nil: no battery
	Orders  []openOrderRow
	Moves   []moveRow
}

type openOrderRow struct {
	ID               int64
	Pieces, On, When string
	N                int
	Request          string
}

type moveRow struct{ When, By, Pieces, Why, Price, Note string }

var moveWords = map[fleet.MoveReason]string{
	fleet.MoveCounted: "counted", fleet.MoveBought: "received", fleet.MoveFitted: "fitted", fleet.MoveTakenBack: "taken back", fleet.MoveMoved: "moved", fleet.MoveWrittenOff: "written off",
}

func (s *Server) stockPart(c echo.Context) error {
	return s.showStockPart(c, http.StatusOK, blankForm(url.Values{}), "")
}

// showStockPart shows what moved of the part in the address, and the forms that move it.
func (s *Server) showStockPart(c echo.Context, status int, f *form, wrong string) error {
	ctx, v := c.Request().Context(), viewerOf(c)
	_, asked, depot, err := s.depotAsked(c)
	if err != nil {
		return err
	}
	if depot == "" {
		return badRequestError{errors.New("say at which depot")}
	}
	part := c.QueryParam("part")
	page := stockPartPage{
		pageFrame: s.frame(c, "Stock: "+orNew(part)), Said: s.takeSaid(c), Wrong: wrong, Depot: string(depot), Name: depotName(asked[0]), Part: part, Back: depotHref("/stock", depot),
		Money: seesMoney(v), Request: newRequest(),
	}
	shelves, err := s.shelvesOf(ctx, asked)
	if err != nil {
		return err
	}
	for _, l := range shelves.lines {
		if l.Part == part && part != "" {
			row := shelves.row(l)
			page.Row = &row
		}
	}
	kind, err := s.kindOf(c, part, asked[0])
	if err != nil {
		return err
	}
	page.forms(f, kind, part)
	if err := s.stockRecord(c, &page, depot, part, asked[0]); err != nil {
		return err
	}
	return s.render(c, status, "stock-part.tmpl", page)
}

func orNew(part string) string {
	if part == "" {
		return "another part"
	}
	return part
}

// kindOf is what a part is; empty: it is not known.
func (s *Server) kindOf(c echo.Context, part string, d fleet.Depot) (fleet.Part, error) {
	parts, err := s.store.Parts(c.Request().Context(), fleet.DateOf(s.now(), d.Zone()))
	if err != nil {
		return "", err
	}
	if i := slices.IndexFunc(parts, func(p fleet.PricedPart) bool { return p.Part == part }); i >= 0 {
		return parts[i].Kind, nil
	}
	return "", nil
}

func (page *stockPartPage) forms(f *form, kind fleet.Part, part string) {
	ask := func(id, label, hint string) formField {
		return f.field(formField{ID: id, Label: label, Hint: hint, Kind: "text", Complete: "off"})
	}
	number := func(id, label, hint string) formField {
		return f.field(formField{ID: id, Label: label, Hint: hint, Kind: "decimal"})
	}
	page.New = kind == ""
	if part == "" {
		asked := ask("number", "Part number", "As in fittings and price lists.")
		page.Number = &asked
	}
	if kind == "" {
		which := f.field(formField{ID: "kind", Label: "What it is", Choices: append([]choice{{Value: "", Text: "choose"}}, jobParts()...)})
		page.Kind = &which
	}
	page.Receive = []formField{number("received", "Pieces received", ""), number("price", "Paid per piece, net", "Empty if it is not known.")}
	page.Count = number("counted", "Pieces on the shelf", "What is put by for a job still lies there.")
	page.Order = []formField{number("ordered", "Pieces ordered", ""), ask("expected", "Expected on", "A day like 2026-12-07, or nothing.")}
	page.Off = []formField{number("lost", "Pieces to write off", ""), ask("why", "Why", "")}
	if kind == fleet.BatteryPart {
		page.Label = []formField{f.field(formField{ID: "serial", Label: "Serial, as on the label", Kind: "scan"}), ask("made", "Made on", "A day like 2026-08-01, or nothing."), ask("charged", "Last charged on", "A day, or nothing.")}
	}
}

const movesShown = 30

func (s *Server) stockRecord(c echo.Context, page *stockPartPage, depot fleet.DepotID, part string, d fleet.Depot) error {
	ctx, today := c.Request().Context(), fleet.DateOf(s.now(), d.Zone())
	orders, err := s.store.OpenOrders(ctx, []fleet.DepotID{depot})
	if err != nil {
		return err
	}
	for _, o := range orders {
		if o.Part == part {
			page.Orders = append(page.Orders, openOrderRow{o.ID, fmt.Sprint(o.Pieces), reports.DayMonth(o.OrderedOn, today), dateOr(o.ExpectedOn, notKnown), o.Pieces, newRequest()})
		}
	}
	moves, err := s.store.StockMoves(ctx, depot, part, movesShown)
	for _, m := range moves {
		row := moveRow{When: when(m.At, d.Zone()), By: m.By, Pieces: fmt.Sprintf("%+d", m.Pieces), Why: moveWords[m.Because], Note: m.Note, Price: "–"}
		if price, known := m.UnitPrice.Get(); known {
			row.Price = reports.Money(price)
		}
		page.Moves = append(page.Moves, row)
	}
	return err
}

// changeStock receives, counts, orders or writes off.
func (s *Server) changeStock(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	depot, part := fleet.DepotID(f.get("depot")), strings.TrimSpace(f.get("part"))
	if part == "" {
		part = noteOf(f, "number")
	}
	c.QueryParams().Set("depot", string(depot))
	c.QueryParams().Set("part", strings.TrimSpace(f.get("part")))
	_, asked, _, err := s.depotAsked(c)
	if err != nil {
		return err
	}
	if depot == "" {
		return badRequestError{errors.New("say at which depot")}
	}
	if part == "" {
		f.blame("number", errors.New("type the part number on the box"))
	}
	m := fleet.StockMove{
		Depot: depot, Part: part, Kind: fleet.Part(f.get("kind")), At: s.now(), By: viewerOf(c).person.Name, Request: requestOf(f), Today: fleet.DateOf(s.now(), asked[0].Zone()),
	}
	if m.Kind != "" && !slices.ContainsFunc(jobParts(), func(k choice) bool { return k.Value == string(m.Kind) }) {
		f.blame("kind", fmt.Errorf("%q: choose one of the list", m.Kind))
	}
	said, err := s.moveAsked(c, f, m)
	if refused, is := errors.AsType[fleet.JobRefusedError](err); is {
		return s.showStockPart(c, http.StatusUnprocessableEntity, f, sentence(refused))
	}
	if err != nil {
		return err
	}
	if !f.sound() {
		return s.showStockPart(c, http.StatusUnprocessableEntity, f, f.summary())
	}
	return s.done(c, stockHref(depot, part), said)
}

// moveAsked does what the form asks for, unless something in it is wrong, and says what was done.
func (s *Server) moveAsked(c echo.Context, f *form, m fleet.StockMove) (said string, err error) {
	ctx := c.Request().Context()
	switch f.get("do") {
	case "receive":
		m.Pieces, m.Because, m.UnitPrice = pieces(f, "received", 1), fleet.MoveBought, typedPrice(f)
		if order := f.get("order"); order != "" {
			if m.Order, err = strconv.ParseInt(order, 10, 64); err != nil {
				f.blame("received", fmt.Errorf("%q is no order", order))
			}
		}
		if !f.sound() {
			return "", nil
		}
		return fmt.Sprintf("%d of %s received.", m.Pieces, m.Part), s.store.MoveStock(ctx, m)
	case "count":
		m.Pieces = pieces(f, "counted", 0)
		if !f.sound() {
			return "", nil
		}
		difference, err := s.store.CountStock(ctx, m)
		return countedWords(m.Pieces, m.Part, difference), err
	case "order":
		o := fleet.PartOrder{Depot: m.Depot, Part: m.Part, Kind: m.Kind, Pieces: pieces(f, "ordered", 1), OrderedOn: m.Today, ExpectedOn: typedDay(f, "expected"), By: m.By, Request: m.Request}
		if !f.sound() {
			return "", nil
		}
		return fmt.Sprintf("%d of %s ordered.", o.Pieces, o.Part), s.store.OrderPart(ctx, o)
	case "cancel":
		id, _ := strconv.ParseInt(f.get("order"), 10, 64)
		found, err := s.store.CancelOrder(ctx, m.Depot, id, m.Today)
		if err == nil && !found {
			return "That order was not open any more.", nil
		}
		return "The order is cancelled.", err
	case "off":
		m.Pieces, m.Because, m.Note = -pieces(f, "lost", 1), fleet.MoveWrittenOff, noteOf(f, "why")
		if m.Note == "" {
			f.blame("why", errors.New("say why it is written off"))
		}
		if !f.sound() {
			return "", nil
		}
		return fmt.Sprintf("%d of %s written off.", -m.Pieces, m.Part), s.store.MoveStock(ctx, m)
	case "label":
		return s.label(c, f, m)
	}
	f.blame("counted", errors.New("choose what is to be done"))
	return "", nil
}

// countedWords says what a count found against the books.
func countedWords(pieces int, part string, difference int) string {
	said := fmt.Sprintf("%d of %s counted", pieces, part)
	switch {
	case difference > 0:
		return fmt.Sprintf("%s, %d more than in the books.", said, difference)
	case difference < 0:
		return fmt.Sprintf("%s, %d fewer than in the books.", said, -difference)
	}
	return said + ", as in the books."
}

func (s *Server) label(c echo.Context, f *form, m fleet.StockMove) (string, error) {
	b := fleet.ShelfBattery{Serial: noteOf(f, "serial"), Depot: m.Depot, Part: m.Part, CameOn: m.Today, By: m.By, Request: m.Request, MadeOn: typedDay(f, "made"), ChargedOn: typedDay(f, "charged")}
	if b.Serial == "" {
		f.blame("serial", errors.New("type the serial on the label"))
	}
	for name, day := range map[string]fleet.Opt[fleet.Date]{"made": b.MadeOn, "charged": b.ChargedOn} {
		if day.Or(m.Today) > m.Today {
			f.blame(name, fmt.Errorf("%s is still to come: correct it", day.Or(0)))
		}
	}
	if !f.sound() {
		return "", nil
	}
	return fmt.Sprintf("Battery %s is on the shelf by its label.", b.Serial), s.store.LabelShelfBattery(c.Request().Context(), b)
}

func pieces(f *form, name string, least int) int {
	const most = 9999
	n, err := strconv.Atoi(strings.TrimSpace(f.get(name)))
	if err != nil || n < least || n > most {
		f.blame(name, fmt.Errorf("%q is no number of pieces: type %d to %d", f.get(name), least, most))
	}
	return n
}

func typedPrice(f *form) fleet.Opt[fleet.Money] {
	typed := strings.ReplaceAll(strings.TrimSpace(f.get("price")), ",", ".")
	if typed == "" {
		return fleet.Opt[fleet.Money]{}
	}
	price, err := fleet.ParseMoney(typed)
	if err == nil && price < 0 {
		err = errors.New("an amount cannot be below zero")
	}
	f.blame("price", err)
	return fleet.Known(price)
}

func typedDay(f *form, name string) fleet.Opt[fleet.Date] {
	typed := strings.TrimSpace(f.get(name))
	if typed == "" {
		return fleet.Opt[fleet.Date]{}
	}
	day, err := fleet.ParseDate(typed)
	f.blame(name, err)
	return fleet.Known(day)
}

// careForBattery notes that a battery on a shelf was charged, that its rest volts were read, or that it is written off.
func (s *Server) careForBattery(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	depot, serial := fleet.DepotID(f.get("depot")), f.get("serial")
	c.QueryParams().Set("depot", string(depot))
	_, asked, _, err := s.depotAsked(c)
	if err != nil {
		return err
	}
	if depot == "" {
		return badRequestError{errors.New("say at which depot")}
	}
	today := fleet.DateOf(s.now(), asked[0].Zone())
	said := fmt.Sprintf("Battery %s: charged today.", serial)
	var found bool
	switch typed := strings.ReplaceAll(strings.TrimSpace(f.get("rest_v")), ",", "."); f.get("do") {
	case "charged":
		found, err = s.store.CareForShelfBattery(ctx, depot, serial, fleet.Known(today), fleet.Opt[float64]{}, s.now(), v.person.Name)
	case "read":
		restV, bad := strconv.ParseFloat(typed, 64)
		const most = 16 // V, what one battery can show at rest
		if bad != nil || !(restV >= 1 && restV <= most) {
			return badRequestError{fmt.Errorf("rest volts %q: type the volts of the battery, 1 to %d, like 12.6", f.get("rest_v"), most)}
		}
		said = fmt.Sprintf("Battery %s: rests at %.2f V.", serial, restV)
		found, err = s.store.CareForShelfBattery(ctx, depot, serial, fleet.Opt[fleet.Date]{}, fleet.Known(restV), s.now(), v.person.Name)
	case "off":
		said = fmt.Sprintf("Battery %s is written off.", serial)
		found, err = s.store.DropShelfBattery(ctx, depot, serial, fleet.StockMove{At: s.now(), By: v.person.Name, Today: today, Note: "battery " + serial})
	default:
		return badRequestError{fmt.Errorf("%q is nothing that is done to a battery on a shelf", f.get("do"))}
	}
	if err != nil {
		return err
	}
	if !found {
		return notFoundError{fmt.Errorf("there is no battery %q on the shelf of %s", serial, depot)}
	}
	return s.done(c, depotHref("/stock", depot), said)
}
