package web

import (
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// stockMoneyView is all that ledger-stock.tmpl prints.
type stockMoneyView struct {
	ledgerFrame
	Empty    string
	Headline string
	Lines    []string
	Depots   []choice
	Rows     []stockMoneyRow
	Shelves  bool // the viewer may look at the shelves themselves
}

type stockMoneyRow struct {
	Depot, Part, Kind, Pieces, Price, Value, Lasts, Tied, Service string
	Slow                                                          bool
}

func (s *Server) ledgerStock(c echo.Context) error {
	frame, err := s.ledgerFrame(c, "Stock in money")
	if err != nil {
		return err
	}
	page := stockMoneyView{ledgerFrame: frame, Shelves: mayOpen(viewerOf(c).person.Role, "/stock")}
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	if len(sc.own) == 0 {
		page.Empty = "No depot is yours to see. Ask an administrator to give you one."
		return s.render(c, http.StatusOK, "ledger-stock.tmpl", page)
	}
	values, err := reports.StockMoney(c.Request().Context(), s.store, sc.of, sc.today)
	if err != nil {
		return err
	}
	page.Depots = sc.choices(func(d fleet.DepotID) string { return withDepot("/ledger/stock", d) })
	page.fill(values)
	return s.render(c, http.StatusOK, "ledger-stock.tmpl", page)
}

func (p *stockMoneyView) fill(values []ledger.ShelfValue) {
	worth, tied, slow, unpriced := fleet.Money(0), fleet.Money(0), 0, 0
	for _, v := range values {
		row := stockMoneyRow{
			Depot: string(v.Depot), Part: v.Part, Kind: string(v.Kind), Pieces: fmt.Sprint(v.Pieces), Price: moneyOr(v.Price), Value: moneyOr(v.Value), Lasts: "no demand", Tied: moneyOr(v.Tied),
			Service: "–", Slow: v.Slow,
		}
		if months, known := v.MonthsOn.Get(); known {
			row.Lasts = fmt.Sprintf("%.0f months", months)
		}
		if held, known := v.Held.Get(); known {
			row.Service = percent(held.Service)
		}
		worth, tied = worth+v.Value.Or(0), tied+v.Tied.Or(0)
		if v.Slow {
			slow++
		}
		if !v.Price.IsKnown() && v.Pieces > 0 {
			unpriced++
		}
		p.Rows = append(p.Rows, row)
	}
	p.Headline = reports.InCurrency(worth, p.Currency) + " lie on the shelves"
	p.Lines = []string{fmt.Sprintf("By the price list of the day. Of it %s is beyond a year's demand, which is what was fitted from these shelves in the last year.", reports.Money(tied))}
	if tied == worth && worth > 0 {
		p.Lines[0] = "By the price list of the day. Nothing was fitted from these shelves in the last year, so all of it is beyond a year's demand."
	}
	if slow > 0 {
		p.Lines = append(p.Lines, fmt.Sprintf("Slow, as it lasts longer than a year or nothing came or went for one: %s.", reports.Count(slow, "part")))
	}
	if unpriced > 0 {
		p.Lines = append(p.Lines, fmt.Sprintf("On no price list, and so not in it: %s.", reports.Count(unpriced, "part")))
	}
}

// unbookedShown is how many rows without an entry the page lists.
const unbookedShown = 200

// unbookedView is all that ledger-unbooked.tmpl prints.
type unbookedView struct {
	ledgerFrame
	Headline string
	Depots   []choice
	Rows     []unbookedRow
	More     string
}

type unbookedRow struct{ Row, Unit, Href, Depot, Kind, Why string }

// unbookedRows tell of each row once, whatever entries it has none of.
func unbookedRows(all []ledger.Unbooked) (rows []unbookedRow) {
	at := map[unbookedRow]int{}
	for _, u := range all {
		row := unbookedRow{reports.SourceWords(u.Source), string(u.Unit), unitHref(u.Unit), string(u.Depot), reports.KindWords(u.Kind), u.Why}
		key := row
		key.Kind = ""
		if i, told := at[key]; told {
			rows[i].Kind += ", " + row.Kind
			continue
		}
		at[key] = len(rows)
		rows = append(rows, row)
	}
	return rows
}

func (s *Server) ledgerUnbooked(c echo.Context) error {
	frame, err := s.ledgerFrame(c, "Rows without an entry")
	if err != nil {
		return err
	}
	sc, err := s.scopeAsked(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	found, err := s.store.Unpriced(ctx, sc.of)
	if err != nil {
		return err
	}
	own, err := s.store.OwnFigures(ctx)
	if err != nil {
		return err
	}
	rows := unbookedRows(reports.Unbooked(found, sc.own, own))
	page := unbookedView{ledgerFrame: frame, Headline: reports.Count(len(rows), "row") + " without an entry", Depots: sc.choices(func(d fleet.DepotID) string { return withDepot("/ledger/unbooked", d) })}
	page.Rows = rows[:min(unbookedShown, len(rows))]
	if more := len(rows) - unbookedShown; more > 0 {
		page.More = fmt.Sprintf("%d more are not shown: choose a depot.", more)
	}
	return s.render(c, http.StatusOK, "ledger-unbooked.tmpl", page)
}
