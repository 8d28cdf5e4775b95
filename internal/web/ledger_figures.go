package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// figuresView is all that ledger-figures.tmpl prints.
type figuresView struct {
	ledgerFrame
	Wrong  string
	First  bool // nobody has set the currency yet
	Fields []formField
	Labour []fact // rates by the day from which they hold
	Down   []fact
}

// wholeFigure is one of the fleet's own figures that is a whole number.
type wholeFigure struct {
	id, label, hint string
	least, most     int
	of              func(*fleet.OwnFigures) *fleet.Opt[int]
}

var wholeFigures = []wholeFigure{
	{"core_days", "Days until a core must be back", "From the day on which its part came out. Empty: there is no deadline.", 1, 3650, func(f *fleet.OwnFigures) *fleet.Opt[int] { return &f.CoreDays }},
	{"lead_weeks", "Weeks until an ordered part is there", "The plan reckons with it.", 0, 52, func(f *fleet.OwnFigures) *fleet.Opt[int] { return &f.LeadWeeks }},
	{"horizon_months", "Months that budgets look ahead", "Empty: twelve.", 1, 36, func(f *fleet.OwnFigures) *fleet.Opt[int] { return &f.HorizonMonths }},
}

func (s *Server) figuresPage(c echo.Context) error {
	own, err := s.store.OwnFigures(c.Request().Context())
	if err != nil {
		return err
	}
	today, err := s.ledgerDay(c.Request().Context())
	if err != nil {
		return err
	}
	values := url.Values{"currency": {string(reports.CurrencyOf(own))}, "from": {today.String()}}
	for _, w := range wholeFigures {
		if n, known := w.of(&own).Get(); known {
			values.Set(w.id, strconv.Itoa(n))
		}
	}
	for id, dated := range map[string][]fleet.DatedMoney{"labour_per_hour": own.LabourPerHour, "down_per_hour": own.DownPerHour} {
		if m, known := fleet.AmountOn(dated, today).Get(); known {
			values.Set(id, m.String())
		}
	}
	return s.showFigures(c, http.StatusOK, own, blankForm(values))
}

func (s *Server) showFigures(c echo.Context, status int, own fleet.OwnFigures, f *form) error {
	frame, err := s.ledgerFrame(c, "Own figures")
	if err != nil {
		return err
	}
	page := figuresView{ledgerFrame: frame, Wrong: f.summary(), First: own.Currency == ""}
	field := func(id, label, hint, kind string) {
		page.Fields = append(page.Fields, f.field(formField{ID: id, Label: label, Hint: hint, Kind: kind, Complete: "off"}))
	}
	field("currency", "Currency", "Its code by ISO 4217, like EUR or CAD. All amounts of the fleet are in it.", "text")
	field("labour_per_hour", "An hour of labour costs", "Net. Empty: labour is counted without money.", "text")
	field("down_per_hour", "An hour that a unit stands still costs", "Empty: hours down are counted without money.", "text")
	field("from", "These two hold from", "What was booked for days before stays as it is.", "date")
	for _, w := range wholeFigures {
		field(w.id, w.label, w.hint, "text")
	}
	for _, d := range own.LabourPerHour {
		page.Labour = append(page.Labour, fact{"from " + d.From.String(), reports.Money(d.Amount)})
	}
	for _, d := range own.DownPerHour {
		page.Down = append(page.Down, fact{"from " + d.From.String(), reports.Money(d.Amount)})
	}
	return s.render(c, status, "ledger-figures.tmpl", page)
}

func (s *Server) setFigures(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	if err := ofAllDepots(c); err != nil {
		return err
	}
	ctx := c.Request().Context()
	before, err := s.store.OwnFigures(ctx)
	if err != nil {
		return err
	}
	own, err := s.readFigures(c, f, before)
	if err != nil {
		return err
	}
	if !f.sound() {
		return s.showFigures(c, http.StatusUnprocessableEntity, before, f)
	}
	if err := s.store.SetOwnFigures(ctx, own, figureChanges(before, own)); err != nil {
		return err
	}
	return s.done(c, "/ledger/figures", "Kept. What it changes is booked with the next work of the day, or at once under Closing.")
}

func (s *Server) readFigures(c echo.Context, f *form, own fleet.OwnFigures) (fleet.OwnFigures, error) {
	code, err := ledger.ParseCurrency(strings.ToUpper(strings.TrimSpace(f.get("currency"))))
	f.blame("currency", err)
	if code != reports.CurrencyOf(own) {
		closed, err := s.store.ClosedMonths(c.Request().Context())
		if err != nil {
			return own, err
		}
		if len(closed) > 0 {
			f.blame("currency", fmt.Errorf("months are closed in %s, so the currency stays", reports.CurrencyOf(own)))
		}
	}
	own.Currency = string(code)
	from, err := fleet.ParseDate(strings.TrimSpace(f.get("from")))
	f.blame("from", err)
	for id, dated := range map[string]*[]fleet.DatedMoney{"labour_per_hour": &own.LabourPerHour, "down_per_hour": &own.DownPerHour} {
		typed := strings.TrimSpace(f.get(id))
		if typed == "" {
			if len(*dated) > 0 {
				f.blame(id, errors.New("it was set once: type 0 to count without money from that day on"))
			}
			continue
		}
		m, err := fleet.ParseMoney(typed)
		if err == nil && m < 0 {
			err = errors.New("want an amount that is not below zero")
		}
		f.blame(id, err)
		if was, known := fleet.AmountOn(*dated, from).Get(); !known || was != m {
			*dated = fleet.WithAmount(*dated, from, m)
		}
	}
	for _, w := range wholeFigures {
		typed := strings.TrimSpace(f.get(w.id))
		*w.of(&own) = fleet.Opt[int]{}
		if typed == "" {
			continue
		}
		n, err := strconv.Atoi(typed)
		if err != nil || n < w.least || n > w.most {
			f.blame(w.id, fmt.Errorf("%q: want a whole number from %d to %d", typed, w.least, w.most))
		}
		*w.of(&own) = fleet.Known(n)
	}
	return own, nil
}

// figureChanges says in words what was changed.
func figureChanges(before, after fleet.OwnFigures) string {
	var said []string
	if before.Currency != after.Currency {
		said = append(said, "currency "+after.Currency)
	}
	for _, d := range []struct {
		name string
		now  []fleet.DatedMoney
		was  int
	}{{"labour", after.LabourPerHour, len(before.LabourPerHour)}, {"hours down", after.DownPerHour, len(before.DownPerHour)}} {
		if n := len(d.now); n != d.was {
			said = append(said, fmt.Sprintf("%s set to %s", d.name, d.now[n-1].Amount))
		}
	}
	for _, w := range wholeFigures {
		was, is := *w.of(&before), *w.of(&after)
		if was != is {
			said = append(said, fmt.Sprintf("%s: %s", lowerFirst(w.label), wholeOr(is)))
		}
	}
	if len(said) == 0 {
		return "kept as they were"
	}
	return strings.Join(said, "; ")
}

func wholeOr(n fleet.Opt[int]) string {
	if v, known := n.Get(); known {
		return strconv.Itoa(v)
	}
	return "not set"
}
