package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// Stock is what lies on the depots' shelves. What moves is added, never changed.
type Stock interface {
	StockLines(ctx context.Context, of []fleet.DepotID, today fleet.Date) ([]fleet.StockLine, error)
	StockMoves(ctx context.Context, depot fleet.DepotID, part string, limit int) ([]fleet.StockMove, error)
	OpenOrders(ctx context.Context, of []fleet.DepotID) ([]fleet.PartOrder, error)
	ShelfBatteries(ctx context.Context, of []fleet.DepotID) ([]fleet.ShelfBattery, error)
	MoveStock(ctx context.Context, m fleet.StockMove) error
	CountStock(ctx context.Context, m fleet.StockMove) (difference int, err error)
	OrderPart(ctx context.Context, o fleet.PartOrder) error
	CancelOrder(ctx context.Context, depot fleet.DepotID, order int64, today fleet.Date) (bool, error)
	LabelShelfBattery(ctx context.Context, b fleet.ShelfBattery) error
	CareForShelfBattery(ctx context.Context, depot fleet.DepotID, serial string, charged fleet.Opt[fleet.Date], restV fleet.Opt[float64], at time.Time, by string) (bool, error)
	DropShelfBattery(ctx context.Context, depot fleet.DepotID, serial string, m fleet.StockMove) (bool, error)
}

func (s *Server) addStock(get, post func(path string, h echo.HandlerFunc)) {
	get("/stock", s.stockPage)
	get("/stock/part", s.stockPart)
	post("/stock/part", s.changeStock)
	post("/stock/battery", s.careForBattery)
}

// stockPage is all that stock.tmpl prints.
type stockPage struct {
	pageFrame
	Empty   string
	Said    string
	Depots  []choice
	Shelves []shelfView
	May     bool
	Money   bool // the viewer sees what things cost
	Jobs    string
}

// shelfView is one depot's shelf.
type shelfView struct {
	Depot, Name string
	Rows        []stockRow
	Batteries   []shelfBatteryRow
	Value       string // of all that has a price
	Unpriced    string // says how many pieces have none; empty: all have
	New         string // address where a part that is not there yet is received
}

type stockRow struct {
	Part, Href, Kind              string
	OnHand, Reserved, Free, Order string
	Level, Why                    string
	Need                          string // says what is to be ordered; empty: nothing
	Value                         string
	Odd                           string // says what does not fit; empty: nothing
}

type shelfBatteryRow struct {
	Serial, Part, Age, Charged, Rest, Next, Why string
	Now                                         bool
	Depot                                       string
	Request                                     string
}

// seesMoney tells whether the viewer is one who reckons: mechanics read pieces, not prices.
func seesMoney(v viewer) bool { return v.person.Role != fleet.Mechanic }

func (s *Server) stockPage(c echo.Context) error {
	own, asked, depot, err := s.depotAsked(c)
	if err != nil {
		return err
	}
	v := viewerOf(c)
	page := stockPage{
		pageFrame: s.frame(c, "Stock"), Said: s.takeSaid(c), Depots: depotLinks("/stock", own, depot), May: mayWork(v), Money: seesMoney(v), Jobs: depotHref("/jobs", depot),
	}
	if len(own) == 0 {
		page.Empty = noDepotIsYours
		return s.render(c, http.StatusOK, "stock.tmpl", page)
	}
	shelves, err := s.shelvesOf(c.Request().Context(), asked)
	if err != nil {
		return err
	}
	for _, d := range asked {
		page.Shelves = append(page.Shelves, shelves.view(d))
	}
	return s.render(c, http.StatusOK, "stock.tmpl", page)
}

// shelves are all that is known of what depots hold and may want.
type shelves struct {
	lines     []fleet.StockLine
	wanted    map[fleet.DepotID]map[string]alerts.Wanted
	batteries []fleet.ShelfBattery
	listed    bool // there is a list by which what is wanted can be told
	now       time.Time
}

func (s *Server) shelvesOf(ctx context.Context, asked []fleet.Depot) (all shelves, err error) {
	of, today := idsOf(asked), fleet.DateOf(s.now(), commonZone(asked))
	all.now = s.now()
	if all.lines, err = s.store.StockLines(ctx, of, today); err != nil {
		return all, err
	}
	if all.batteries, err = s.store.ShelfBatteries(ctx, of); err != nil {
		return all, err
	}
	issue, err := s.store.LatestIssue(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		return all, nil
	}
	if err != nil {
		return all, err
	}
	listed, err := s.store.Listed(ctx, issue.ID, fleet.ListFilter{Depots: of})
	if err != nil {
		return all, err
	}
	jobs, err := s.store.Jobs(ctx, of, "")
	if err != nil {
		return all, err
	}
	choices, err := s.store.PlanChoices(ctx, of)
	if err != nil {
		return all, err
	}
	prices, leads := map[string]fleet.Money{}, map[string]int{}
	for _, l := range all.lines {
		if price, known := l.Price.Get(); known {
			prices[l.Part] = price
		}
		if days, known := l.LeadDays.Get(); known {
			leads[l.Part] = days
		}
	}
	all.wanted, all.listed = alerts.StockWanted(listed, jobs, choices, prices, leads, issue.AsOf, today), true
	return all, nil
}

func (all shelves) view(d fleet.Depot) shelfView {
	view := shelfView{Depot: string(d.ID), Name: depotName(d), New: stockHref(d.ID, "")}
	var value fleet.Money
	unpriced := 0
	seen := map[string]bool{}
	for _, l := range all.lines {
		if l.Depot != d.ID {
			continue
		}
		seen[l.Part] = true
		view.Rows = append(view.Rows, all.row(l))
		price, known := l.Price.Get()
		if onHand := max(0, l.OnHand); known {
			value += price * fleet.Money(onHand)
		} else {
			unpriced += onHand
		}
	}
	view.Value = reports.Money(value)
	if unpriced > 0 {
		view.Unpriced = unpricedWords(unpriced)
	}
	for _, number := range wantedUncounted(all.wanted[d.ID], seen) {
		view.Rows = append(view.Rows, all.row(fleet.StockLine{Depot: d.ID, Part: number}))
	}
	today := fleet.DateOf(all.now, d.Zone())
	for _, b := range all.batteries {
		if b.Depot == d.ID {
			view.Batteries = append(view.Batteries, newShelfBatteryRow(b, today))
		}
	}
	return view
}

func unpricedWords(pieces int) string {
	if pieces == 1 {
		return "1 piece has no price and is not in it."
	}
	return reports.Count(pieces, "piece") + " have no price and are not in it."
}

// wantedUncounted are parts that the depot may want and does not count, where it may want a piece for planned work.
func wantedUncounted(wanted map[string]alerts.Wanted, seen map[string]bool) (numbers []string) {
	for number, w := range wanted {
		if w.Certain > 0 && !seen[number] {
			numbers = append(numbers, number)
		}
	}
	slices.Sort(numbers)
	return numbers
}

func (all shelves) row(l fleet.StockLine) stockRow {
	row := stockRow{
		Part: l.Part, Href: stockHref(l.Depot, l.Part), Kind: string(l.Kind), OnHand: fmt.Sprint(l.OnHand), Reserved: fmt.Sprint(l.Reserved), Free: fmt.Sprint(l.Free()),
		Order: fmt.Sprint(l.OnOrder), Level: notKnown, Value: notKnown,
	}
	if price, known := l.Price.Get(); known {
		row.Value = reports.Money(price * fleet.Money(max(0, l.OnHand)))
	}
	if l.OnHand < 0 {
		row.Odd = "More was fitted than was there: count this shelf."
	}
	if !l.Counted {
		row.OnHand, row.Free, row.Value = "not counted", "–", "–"
	}
	if l.Kind != "" && l.Kind != fleet.BatteryPart && l.Kind != fleet.StarterPart {
		row.Level, row.Why = "–", "Forecasts tell of batteries and starters only."
		return row
	}
	if !all.listed {
		row.Why = "There is no winter list yet that would tell what may fail."
		return row
	}
	lead := l.LeadDays.Or(alerts.UsualLeadDays)
	wanted := all.wanted[l.Depot][l.Part]
	level := alerts.ReorderLevel(wanted)
	row.Level, row.Why = fmt.Sprint(level.Pieces), sentence(errors.New(level.Why(wanted, lead)))
	if missing := level.Pieces - l.Free() - l.OnOrder; missing > 0 && l.Counted {
		row.Need = fmt.Sprintf("Order %d", missing)
	}
	return row
}

func newShelfBatteryRow(b fleet.ShelfBattery, today fleet.Date) shelfBatteryRow {
	charge := alerts.ShelfBatteryCharge(b, today)
	row := shelfBatteryRow{
		Serial: b.Serial, Part: b.Part, Depot: string(b.Depot), Age: notKnown, Charged: dateOr(b.ChargedOn, "not noted"), Rest: "not read", Now: charge.Now, Why: charge.Why,
		Next: dateOr(charge.Due, notKnown), Request: newRequest(),
	}
	if made, known := b.MadeOn.Get(); known {
		row.Age = monthsWords(made, today)
	}
	if v, known := b.RestV.Get(); known {
		row.Rest = fmt.Sprintf("%.2f V, %s", v, dateOr(b.TestedOn, notKnown))
	}
	return row
}

// monthsWords says how many whole months lie between two days.
func monthsWords(from, to fleet.Date) string {
	n := 0
	for from.AddMonths(n+1) <= to {
		n++
	}
	if n == 0 {
		return "under a month"
	}
	return reports.Count(n, "month")
}

// stockHref is where a part at a depot is received, counted, ordered and written off.
func stockHref(depot fleet.DepotID, part string) string {
	return "/stock/part?" + url.Values{"depot": {string(depot)}, "part": {part}}.Encode()
}
