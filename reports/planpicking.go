package reports

import (
	"bytes"
	"cmp"
	"encoding/csv"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// ErrNoWeek says that a plan has no such depot or week.
var ErrNoWeek = errors.New("the plan has no such week")

// PickingList is what one depot takes from the shelf in one week, and does with it.
type PickingList struct {
	Depot    fleet.DepotID
	Name     string
	Monday   fleet.Date
	Week     string // "30 November 2026"
	Takes    []Take // by part number
	Units    []PickedUnit
	Tests    []fleet.UnitID
	Missing  []string // what is not on the shelf
	Cautions []string
}

// Take is one part number to take from the shelf.
type Take struct {
	Number string
	Kind   fleet.Part
	Pieces int
	Units  []fleet.UnitID
	OnHand string // empty: not counted
	Short  int    // pieces that are not there
}

// PickedUnit is one unit's work.
type PickedUnit struct {
	Unit    fleet.UnitID
	Who     string
	Works   []string // each to be ticked
	Numbers []string // part numbers, one entry per piece
	Minutes int
	Note    string // of whoever locked the visit
	visit   plan.Visit
}

// pickingCautions: leads, 29 CFR 1910.178(g) for the brake, and army and makers' manuals for the rest; see testdata/reference/14_safety.csv.
var pickingCautions = []string{
	"Brake on, wheels chocked, out of gear, key out. Eye protection and gloves on; rings, watches and bracelets off.",
	"Negative lead off first and on last. No tool across the terminals; no flame, spark or cigarette near a battery.",
	"Never charge or jump a frozen battery: thaw it first and look for cracks. Vent caps in place while charging.",
	"Bypass no neutral or clutch interlock. The maker's instructions and the rules of your yard come before this list.",
}

// Picking is the picking list of a depot in the week of a Monday. ErrNoWeek: the plan has none.
func (p *Planned) Picking(depot fleet.DepotID, monday fleet.Date) (PickingList, error) {
	l := PickingList{Depot: depot, Name: p.Name(depot), Monday: monday, Week: longDate(monday), Cautions: pickingCautions}
	d := slices.IndexFunc(p.Plan.Depots, func(d plan.DepotPlan) bool { return d.Depot == depot })
	week := int(monday-p.Plan.Monday) / 7
	if d < 0 || monday < p.Plan.Monday || week >= p.Plan.WeekCount || monday.Monday() != monday {
		return l, fmt.Errorf("%w: %s in the week of %s", ErrNoWeek, depot, monday)
	}
	shelf, counted := p.shelf(depot)
	takes := map[string]*Take{}
	for w := range p.Plan.Depots[d].Weeks[:week+1] {
		for _, v := range p.Plan.Depots[d].Weeks[w].Visits {
			if w < week { // took from the shelf before
				for _, number := range numbersOf(v) {
					shelf[number]--
				}
				continue
			}
			l.Units = append(l.Units, p.pickedUnit(v))
			for _, work := range v.Works {
				for _, number := range work.PartNumbers {
					if takes[number] == nil {
						takes[number] = &Take{Number: number, Kind: work.Part}
					}
					t := takes[number]
					if t.Pieces++; !slices.Contains(t.Units, v.Unit) {
						t.Units = append(t.Units, v.Unit)
					}
				}
			}
		}
	}
	for _, number := range slices.Sorted(maps.Keys(takes)) {
		t := takes[number]
		if counted {
			t.OnHand, t.Short = strconv.Itoa(max(0, shelf[number])), max(0, t.Pieces-max(0, shelf[number]))
		}
		if t.Short > 0 {
			l.Missing = append(l.Missing, fmt.Sprintf("%s: %d needed, %s on the shelf", number, t.Pieces, t.OnHand))
		}
		l.Takes = append(l.Takes, *t)
	}
	for _, t := range p.Plan.Retests {
		if t.Depot == depot && t.Monday == monday {
			l.Tests = append(l.Tests, t.Unit)
		}
	}
	return l, nil
}

func (p *Planned) shelf(depot fleet.DepotID) (onHand map[string]int, counted bool) {
	onHand = map[string]int{}
	for _, s := range p.Shelves {
		if s.Depot == depot {
			onHand[s.Part], counted = s.OnHand, true
		}
	}
	return onHand, counted
}

func numbersOf(v plan.Visit) (numbers []string) {
	for _, w := range v.Works {
		numbers = append(numbers, w.PartNumbers...)
	}
	return numbers
}

func (p *Planned) pickedUnit(v plan.Visit) PickedUnit {
	u := PickedUnit{Unit: v.Unit, Who: v.Who, Numbers: numbersOf(v), Minutes: v.Minutes, visit: v}
	for _, w := range v.Works {
		words := firstUpper(WorkWords(w))
		if w.Kind == plan.SwapPart {
			words += ": " + cmp.Or(pieces(w.PartNumbers), "part number not known, read it off the one fitted")
		}
		u.Works = append(u.Works, words)
	}
	if v.Locked {
		u.Note = p.Choices[v.Unit].Note
	}
	return u
}

// pieces counts equal numbers: 2 × P-70.
func pieces(numbers []string) string {
	var said []string
	for _, n := range distinct(numbers) {
		said = append(said, fmt.Sprintf("%d × %s", times(numbers, n), n))
	}
	return strings.Join(said, ", ")
}

func distinct(numbers []string) []string {
	return slices.Compact(slices.Sorted(slices.Values(numbers)))
}

func times(numbers []string, number string) (n int) {
	for _, one := range numbers {
		if one == number {
			n++
		}
	}
	return n
}

var pickingHeader = []string{"week", "depot", "unit", "who", "work", "part_number", "pieces", "on_hand", "missing"}

// PickingTable is lists as CSV: a row for each work and part number.
func PickingTable(lists []PickingList) ([]byte, error) {
	rows := [][]string{pickingHeader}
	for _, l := range lists {
		rows = append(rows, l.rows()...)
	}
	return csvOf(rows)
}

func (l PickingList) rows() (rows [][]string) {
	onHand, short := map[string]string{}, map[string]int{}
	for _, t := range l.Takes {
		onHand[t.Number], short[t.Number] = t.OnHand, t.Short
	}
	for _, u := range l.Units {
		for _, w := range u.visit.Works {
			row := []string{l.Monday.String(), Inert(string(l.Depot)), Inert(string(u.Unit)), Inert(u.Who), WorkWords(w), "", "", "", ""}
			if len(w.PartNumbers) == 0 {
				rows = append(rows, row)
			}
			for _, n := range distinct(w.PartNumbers) {
				with := slices.Clone(row)
				with[5], with[6], with[7] = Inert(n), strconv.Itoa(times(w.PartNumbers, n)), onHand[n]
				if short[n] > 0 {
					with[8] = strconv.Itoa(short[n])
				}
				rows = append(rows, with)
			}
		}
	}
	for _, unit := range l.Tests {
		rows = append(rows, []string{l.Monday.String(), Inert(string(l.Depot)), Inert(string(unit)), "", "test again", "", "", "", ""})
	}
	return rows
}

// csvOf writes rows as RFC 4180 has it.
func csvOf(rows [][]string) ([]byte, error) {
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	out.UseCRLF = true
	err := out.WriteAll(rows)
	return b.Bytes(), err
}

// PickingPDF prints lists one after the other, each beginning a page.
func PickingPDF(lists []PickingList) ([]byte, error) { return pickingPDF(lists, A4Paper) }

func pickingPDF(lists []PickingList, paper Paper) ([]byte, error) {
	if len(lists) == 0 {
		return nil, ErrNothingToTell
	}
	head := DocumentHead{Title: "Picking list", Paper: paper, Subtitle: []string{"Week of " + lists[0].Week}, At: lists[0].Monday.Midnight(time.UTC)}
	if len(lists) == 1 {
		head.Title += ", " + lists[0].Name
	}
	d := NewDocument(head)
	for i, l := range lists {
		if i > 0 {
			d.NewPage()
		}
		l.print(d, len(lists) > 1)
	}
	return d.Bytes()
}

func (l PickingList) print(d *Document, named bool) {
	if named {
		d.Heading(l.Name)
	}
	d.Caution(l.Cautions...)
	d.Heading("Take from the shelf")
	if len(l.Takes) == 0 {
		d.Paragraph("No part is needed, or no part number is known.")
	} else {
		t := PrintedTable{Columns: []PrintedColumn{{Header: "Part"}, {Header: "Kind"}, {Header: "Pieces", Right: true}, {Header: "On hand", Right: true}, {Header: "For"}, {Header: "Taken"}}}
		for _, take := range l.Takes {
			onHand := PrintedCell{Text: cmp.Or(take.OnHand, "–")}
			if take.Short > 0 {
				onHand.Under = fmt.Sprintf("%d missing", take.Short)
			}
			t.Rows = append(t.Rows, PrintedRow{Cells: []PrintedCell{
				{Text: take.Number, Strong: true}, {Text: string(take.Kind)}, {Text: strconv.Itoa(take.Pieces)}, onHand, {Text: joined(take.Units)}, {Text: "[  ]"},
			}})
		}
		d.Table(t)
	}
	if len(l.Units) == 0 {
		d.Paragraph("No visit is planned in this week.")
	}
	for _, u := range l.Units {
		title := string(u.Unit)
		if u.Who != "" {
			title += ", " + u.Who
		}
		d.Heading(title)
		d.Checklist(u.Works)
		if u.Note != "" {
			d.Note("Note: " + u.Note)
		}
		d.Blanks([]string{"Done on", "Signed"})
	}
	if len(l.Tests) > 0 {
		d.Heading("Test again, swap nothing yet")
		tests := make([]string, len(l.Tests))
		for i, unit := range l.Tests {
			tests[i] = string(unit) + ": rest volts ______ V, amperes ______ A, at ______ °C"
		}
		d.Checklist(tests)
	}
}
