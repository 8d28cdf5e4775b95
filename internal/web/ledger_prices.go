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
	"rimeyard/reports"
)

// pricesView is all that ledger-prices.tmpl prints.
type pricesView struct {
	ledgerFrame
	Headline string
	Wrong    string
	Lines    []pricedRow
	Unlisted []unlistedRow
	Fields   []formField
	Kind     formField
	Paste    formField
	CSV      string
}

type pricedRow struct{ Part, Kind, Name, From, Price, Deposit, Free, Prorata, State string }

type unlistedRow struct{ Part, Kind, Fitted, Last, LastOn string }

func (s *Server) pricesPage(c echo.Context) error {
	values := url.Values{"kind": {string(fleet.BatteryPart)}}
	if part := c.QueryParam("part"); part != "" {
		values.Set("part", part)
	}
	return s.showPrices(c, http.StatusOK, blankForm(values))
}

func (s *Server) showPrices(c echo.Context, status int, f *form) error {
	frame, err := s.ledgerFrame(c, "Prices")
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	prices, err := s.store.PartPrices(ctx)
	if err != nil {
		return err
	}
	used, err := s.store.PartsInUse(ctx)
	if err != nil {
		return err
	}
	today, err := s.ledgerDay(ctx)
	if err != nil {
		return err
	}
	page := pricesView{ledgerFrame: frame, Wrong: f.summary(), CSV: "/ledger/prices.csv"}
	listed := map[string]bool{}
	for _, p := range prices {
		page.Lines = append(page.Lines, newPricedRow(p, today, listed[p.Part]))
		listed[p.Part] = listed[p.Part] || p.From <= today
	}
	for _, u := range used {
		if !listed[u.Part] && u.Fitted > 0 {
			page.Unlisted = append(page.Unlisted, unlistedRow{u.Part, string(u.Kind), fmt.Sprint(u.Fitted), moneyOr(u.LastPrice), textOf(u.LastOn)})
		}
	}
	page.Headline = fmt.Sprintf("%s on the price lists", reports.Count(len(listed), "part"))
	page.ask(f, today)
	return s.render(c, status, "ledger-prices.tmpl", page)
}

// newPricedRow tells whether a line is in force, ahead, or behind one that is.
func newPricedRow(p fleet.PartPrice, today fleet.Date, newer bool) pricedRow {
	row := pricedRow{
		Part: p.Part, Kind: string(p.Kind), Name: p.Name, From: p.From.String(), Price: reports.Money(p.Price), Deposit: moneyOrDash(p.CoreDeposit), Free: "–", Prorata: "–", State: "in force",
	}
	if n, known := p.FreeMonths.Get(); known {
		row.Free = fmt.Sprint(n)
	}
	if n, known := p.ProrataMonths.Get(); known {
		row.Prorata = fmt.Sprint(n)
	}
	switch {
	case p.From > today:
		row.State = "ahead"
	case newer:
		row.State = "past"
	}
	return row
}

func (p *pricesView) ask(f *form, today fleet.Date) {
	if f.get("from") == "" && f.sound() {
		f.typed.Set("from", today.String())
	}
	suspects := fleet.Suspects()
	var kinds []choice
	for _, k := range append(suspects[:], fleet.OtherPart) {
		kinds = append(kinds, choice{Value: string(k), Text: string(k)})
	}
	text := func(id, label, hint string) formField {
		return f.field(formField{ID: id, Label: label, Hint: hint, Kind: "text", Complete: "off"})
	}
	p.Fields = []formField{
		text("part", "Part number", "As in the fittings."), text("name", "Name", ""), f.field(formField{ID: "from", Label: "From", Hint: "The price holds from this day on.", Kind: "date", Complete: "off"}),
		text("price", "Price, net", ""), text("core_deposit", "Core deposit", "Empty: none is known."), text("free_months", "Free replacement, months", ""),
		text("prorata_months", "Pro rata up to month", "Counted from fitting; empty: none."),
	}
	p.Kind = f.field(formField{ID: "kind", Label: "Kind", Choices: kinds})
	p.Paste = f.field(formField{ID: "lines", Label: "Lines as CSV", Hint: "With the header " + strings.Join(reports.PricesHeader(), ", ") + ". All are taken, or none."})
}

func (s *Server) setPrice(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	line, err := reports.ReadPrice(func(name string) string { return strings.TrimSpace(f.get(name)) })
	if wrong, ok := errors.AsType[reports.PriceError](err); ok {
		f.blame(wrong.Field, wrong)
		return s.showPrices(c, http.StatusUnprocessableEntity, f)
	}
	if err != nil {
		return err
	}
	return s.keepPrices(c, []fleet.PartPrice{line}, fmt.Sprintf("%s costs %s from %s on.", line.Part, reports.Money(line.Price), line.From))
}

// takePrices takes lines that were pasted.
func (s *Server) takePrices(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	lines, err := reports.ReadPrices(strings.NewReader(f.get("lines")))
	if err == nil && len(lines) == 0 {
		err = errors.New("there is a header and no line below it")
	}
	if err != nil {
		f.blame("lines", err)
		return s.showPrices(c, http.StatusUnprocessableEntity, f)
	}
	return s.keepPrices(c, lines, fmt.Sprintf("%s of the price lists taken.", reports.Count(len(lines), "line")))
}

func (s *Server) keepPrices(c echo.Context, lines []fleet.PartPrice, said string) error {
	ctx := c.Request().Context()
	if err := s.store.SetPartPrices(ctx, lines); err != nil {
		return err
	}
	parts := make([]string, len(lines))
	for i, p := range lines {
		parts[i] = p.Part
	}
	const named = 5
	parts = slices.Compact(parts)
	what := strings.Join(parts[:min(named, len(parts))], ", ")
	if more := len(parts) - named; more > 0 {
		what += fmt.Sprintf(" and %d more", more)
	}
	if err := s.store.NoteChange(ctx, "price lists", what); err != nil {
		return err
	}
	return s.done(c, "/ledger/prices", said)
}

func (s *Server) pricesCSV(c echo.Context) error {
	prices, err := s.store.PartPrices(c.Request().Context())
	if err != nil {
		return err
	}
	table, err := reports.PricesTable(prices)
	return sendFile(c, "prices.csv", "text/csv; charset=utf-8; header=present", table, err)
}
