package web

import (
	"encoding/hex"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
	"rimeyard/reports"
)

// What the board shows before it folds.
const (
	weeksShown  = 8
	depotsShown = 6 // with cards; of more, only how full their weeks are, until one is chosen
)

// boardDepot is one depot's row of weeks.
type boardDepot struct {
	ID      string
	Name    string
	Href    string // the depot alone
	Saves   string
	OneMore string
	Folded  bool // its visits are not shown
	Limited bool // its weeks have a limit, which can be changed
	Weeks   []boardWeek
	Later   []boardWeek
}

// boardWeek is one depot's week.
type boardWeek struct {
	Monday string // as programs write it
	Title  string
	Href   string // the week in full
	Slots  string
	Usual  string // how many visits are usual; empty: not known
	Room   string // what may be typed over
	Over   bool   // locked choices take more than there is
	Cards  []boardCard
	Tests  []boardCard // folded: they take no place of a visit
	Folded bool        // neither are shown here
}

// All are the week's visits and tests.
func (w boardWeek) All() []boardCard { return slices.Concat(w.Cards, w.Tests) }

// TestsSaid is how many tests there are.
func (w boardWeek) TestsSaid() string {
	if len(w.Tests) == 1 {
		return "1 to test again"
	}
	return fmt.Sprintf("%d to test again", len(w.Tests))
}

// boardCard is one unit in a week.
type boardCard struct {
	ID     string // of the element
	Unit   string
	Href   string // where it is decided
	Move   string // where a card that was dragged is sent
	Do     string // visit or retest
	Parts  string // "battery, cables"
	Words  string // the same in full
	Worth  string
	Who    string
	Locked string // who chose it, and when; empty: the planner
	Note   string
	Why    string
	Seen   string // state of the unit when the page was made
}

// planCell is a week with what its template needs beside it.
type planCell struct {
	Depot boardDepot
	Week  boardWeek
	Page  planPage
}

func newPlanCell(depot boardDepot, week boardWeek, page planPage) planCell {
	return planCell{depot, week, page}
}

// cardsShown are cards with what their template needs beside them.
type cardsShown struct {
	Cards []boardCard
	Page  planPage
}

// Visits are the cell's visits, ready for their template.
func (c planCell) Visits() cardsShown { return cardsShown{c.Week.Cards, c.Page} }

// Tests are the cell's tests.
func (c planCell) Tests() cardsShown { return cardsShown{c.Week.Tests, c.Page} }

type boardMaker struct {
	p         reports.Planned
	q         planQuery
	mayChange bool
	zone      *time.Location // of the depot that is being drawn
	here      string
}

func (b *boardMaker) board() (board []boardDepot) {
	for _, d := range b.p.Plan.Depots {
		row := boardDepot{
			ID: string(d.Depot), Name: b.p.Name(d.Depot), Href: planQuery{Depot: d.Depot}.href("/plan"), OneMore: reports.OneMoreWords(d),
		}
		depot, _ := b.p.Depot(d.Depot)
		b.zone = depot.Zone()
		row.Limited, row.Folded = depot.SwapsPerWeek.IsKnown(), b.folded()
		if saved, known := d.Saved.Get(); known {
			row.Saves = fmt.Sprintf("Saves %s by the end of the season.", reports.Money(saved))
		}
		for i, w := range d.Weeks {
			if monday, one := b.q.Week.Get(); one && monday != w.Monday {
				continue
			}
			week := b.week(d.Depot, w, depot.SwapsPerWeek)
			if i < weeksShown || b.q.Week.IsKnown() {
				row.Weeks = append(row.Weeks, week)
			} else {
				row.Later = append(row.Later, week)
			}
		}
		board = append(board, row)
	}
	return board
}

// folded tells whether there are too many depots to show their visits.
func (b *boardMaker) folded() bool {
	return len(b.p.Plan.Depots) > depotsShown && !b.q.Week.IsKnown()
}

func (b *boardMaker) week(depot fleet.DepotID, w plan.Week, usual fleet.Opt[int]) boardWeek {
	at := planQuery{depot, fleet.Known(w.Monday)}
	out := boardWeek{
		Monday: w.Monday.String(), Title: reports.DayMonth(w.Monday, w.Monday), Href: at.href("/plan"), Slots: reports.SlotWords(w), Over: w.Over,
		Folded: b.folded(),
	}
	if n, known := usual.Get(); known {
		out.Usual = fmt.Sprint(n)
	}
	if n, known := w.Capacity.Get(); known {
		out.Room = fmt.Sprint(n)
	}
	if out.Folded {
		return out
	}
	for _, v := range w.Visits {
		out.Cards = append(out.Cards, b.visitCard(v, w.Monday))
	}
	for _, t := range b.p.Plan.Retests {
		if t.Depot == depot && t.Monday == w.Monday {
			out.Tests = append(out.Tests, b.testCard(t))
		}
	}
	return out
}

func (b *boardMaker) card(unit fleet.UnitID, do plan.Do, monday fleet.Date, locked bool) boardCard {
	c := boardCard{ID: cardID(unit), Unit: string(unit), Href: planUnitHref(unit, b.here), Move: planUnitHref(unit, ""), Do: string(do), Seen: seenState(b.p.Choices, unit, fleet.Known(monday))}
	if chosen, known := b.p.Choices[unit]; locked && known {
		c.Locked, c.Note = whenChosen(chosen, b.zone), chosen.Note
	}
	return c
}

func (b *boardMaker) visitCard(v plan.Visit, monday fleet.Date) boardCard {
	c := b.card(v.Unit, plan.DoVisit, monday, v.Locked)
	parts := make([]string, len(v.Works))
	for i, w := range v.Works {
		parts[i] = partWords[w.Part]
	}
	c.Parts, c.Words, c.Worth, c.Who = strings.Join(parts, ", "), reports.VisitWords(v), reports.VisitWorth(v), v.Who
	c.Why = sentence(errors.New(v.Why))
	return c
}

func (b *boardMaker) testCard(t plan.Retest) boardCard {
	c := b.card(t.Unit, plan.DoRetest, t.Monday, t.Locked)
	c.Parts, c.Words, c.Why = "test again", "test again before anything is swapped", sentence(errors.New(t.Why))
	if m, known := t.Worth.Get(); known {
		c.Worth = "worth " + reports.Money(m)
	}
	return c
}

var partWords = map[fleet.Part]string{
	fleet.BatteryPart: "battery", fleet.StarterPart: "starter", fleet.CablePart: "cables", fleet.ChargingPart: "charging", fleet.ControlPart: "control",
}

// cardID is the unit as the name of an element, whatever is in its number.
func cardID(unit fleet.UnitID) string { return "u" + hex.EncodeToString([]byte(unit)) }

// planUnitHref is where a unit's place in the plan is decided; back is the page to come back to.
func planUnitHref(unit fleet.UnitID, back string) string {
	href := "/plan/units/" + url.PathEscape(string(unit))
	if back == "" || back == "/plan" {
		return href
	}
	return href + "?" + url.Values{"back": {back}}.Encode()
}
