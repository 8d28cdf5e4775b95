package reports

import (
	"cmp"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// PlanHeader is the first line of a plan as CSV.
func PlanHeader() []string {
	return []string{"week", "depot", "unit", "work", "who", "saves", "costs", "locked", "why"}
}

// PlanRows are a plan's visits and tests, by week.
func PlanRows(p plan.Plan) (rows [][]string) {
	for _, d := range p.Depots {
		for _, week := range d.Weeks {
			for _, v := range week.Visits {
				rows = append(rows, []string{
					week.Monday.String(), string(d.Depot), string(v.Unit), VisitWords(v), v.Who, plainMoney(v.Saves), plainMoney(v.Costs), lockedWord(v.Locked), v.Why,
				})
			}
		}
	}
	for _, r := range p.Retests {
		rows = append(rows, []string{r.Monday.String(), string(r.Depot), string(r.Unit), "test again", "", plainMoney(r.Worth), "", lockedWord(r.Locked), r.Why})
	}
	slices.SortStableFunc(rows, func(a, b []string) int { return strings.Compare(a[0], b[0]) })
	return rows
}

func plainMoney(m fleet.Opt[fleet.Money]) string {
	amount, known := m.Get()
	if !known {
		return ""
	}
	return amount.String()
}

func lockedWord(locked bool) string {
	if locked {
		return "locked"
	}
	return ""
}

// Table is every visit and test of the plan as CSV, by week.
func (p *Planned) Table() ([]byte, error) {
	rows := PlanRows(p.Plan)
	for _, row := range rows {
		for i := range row {
			if i != 5 && i != 6 { // money may be below zero
				row[i] = Inert(row[i])
			}
		}
	}
	return csvOf(append([][]string{PlanHeader()}, rows...))
}

// Workbook is the whole plan as an XLSX file: visits, weeks, tests, parts to order, and the units left with the reason.
func (p *Planned) Workbook() ([]byte, error) {
	head := WorkbookHead{Title: "Plan from the week of " + longDate(p.Plan.Monday), Subject: PlanSeason(*p) + " " + PlanSureness(p.Plan.Worth), At: p.Today.Midnight(time.UTC)}
	return Workbook(head, []Sheet{p.visitsSheet(), p.weeksSheet(), p.testsSheet(), p.partsSheet(), p.leftSheet()}, []Definition{
		{"Avoids", "Expected loss that the visit prevents until the end of the season: chance of a failed start times what one costs, less what remains after the work"},
		{"Costs", "Life that is left in the parts thrown away, by their price, and labour where its price is known"},
		{"Saves", "Avoids less costs"},
		{"Locked", "A person has chosen this; the planner keeps it whatever it costs"},
		{"Worth of a test", "Expected value of what it tells, less its cost, over the better of acting now and leaving"},
		{"Would save", "What work would save at its best time if there were room, parts and money"},
	})
}

func (p *Planned) visitsSheet() Sheet {
	var rows [][]any
	for _, d := range p.Plan.Depots {
		for _, w := range d.Weeks {
			for _, v := range w.Visits {
				rows = append(rows, []any{
					w.Monday, d.Depot, v.Unit, VisitWords(v), pieces(numbersOf(v)), v.Who, v.Minutes, known(v.Avoids), known(v.Costs), known(v.Saves), v.ChanceFalls, p.lockedBy(v), v.Why,
				})
			}
		}
	}
	slices.SortStableFunc(rows, func(a, b []any) int { return cmp.Compare(a[0].(fleet.Date), b[0].(fleet.Date)) })
	return Sheet{Name: "Visits", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Week of", Kind: DateKind},
		{Header: "Depot", Width: 12},
		{Header: "Unit"},
		{Header: "Work", Width: 44},
		{Header: "Parts", Width: 24},
		{Header: "Who", Width: 14},
		{Header: "Minutes", Kind: CountKind, Total: true},
		{Header: "Avoids", Kind: MoneyKind, Total: true},
		{Header: "Costs", Kind: MoneyKind, Total: true},
		{Header: "Saves", Kind: MoneyKind, Total: true},
		{Header: "Chance falls by", Kind: PercentKind, Width: 13},
		{Header: "Locked by", Width: 14},
		{Header: "Why", Width: 90},
	}}
}

func (p *Planned) lockedBy(v plan.Visit) string {
	if !v.Locked {
		return ""
	}
	return cmp.Or(p.Choices[v.Unit].By, "somebody")
}

func (p *Planned) weeksSheet() Sheet {
	var rows [][]any
	for _, d := range p.Plan.Depots {
		for _, w := range d.Weeks {
			rows = append(rows, []any{w.Monday, d.Depot, len(w.Visits), known(w.Capacity), w.Minutes, w.Tests})
		}
	}
	return Sheet{Name: "Weeks", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Week of", Kind: DateKind},
		{Header: "Depot", Width: 12},
		{Header: "Visits", Kind: CountKind, Total: true},
		{Header: "Room for", Kind: CountKind, Total: true},
		{Header: "Minutes", Kind: CountKind, Total: true},
		{Header: "Tests", Kind: CountKind, Total: true},
	}}
}

func (p *Planned) testsSheet() Sheet {
	var rows [][]any
	for _, t := range p.Plan.Retests {
		rows = append(rows, []any{t.Monday, t.Depot, t.Unit, known(t.Worth), t.ActIf, t.Why})
	}
	return Sheet{Name: "Tests", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Week of", Kind: DateKind},
		{Header: "Depot", Width: 12},
		{Header: "Unit"},
		{Header: "Worth of a test", Kind: MoneyKind, Total: true},
		{Header: "Chance that it says: act", Kind: PercentKind, Width: 13},
		{Header: "Why", Width: 90},
	}}
}

func (p *Planned) partsSheet() Sheet {
	var rows [][]any
	for _, m := range p.Plan.MissingParts {
		rows = append(rows, []any{m.Depot, m.PartNumber, m.Pieces, m.NeededBy, known(m.OrderBy)})
	}
	return Sheet{Name: "Parts to order", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Depot", Width: 12},
		{Header: "Part", Width: 20},
		{Header: "Pieces", Kind: CountKind, Total: true},
		{Header: "Needed in the week of", Kind: DateKind, Width: 14},
		{Header: "Order by", Kind: DateKind},
	}}
}

func (p *Planned) leftSheet() Sheet {
	rows := make([][]any, len(p.Plan.Left))
	for i, l := range p.Plan.Left {
		rows[i] = []any{l.Depot, l.Unit, ReasonWords(l.Reason), known(l.WouldSave), l.ChanceStays, l.Why}
	}
	return Sheet{Name: "Left", Rows: RowsOf(rows), Columns: []SheetColumn{
		{Header: "Depot", Width: 12},
		{Header: "Unit"},
		{Header: "Reason", Width: 28},
		{Header: "Would save", Kind: MoneyKind, Total: true},
		{Header: "Chance of a failed start", Kind: PercentKind, Width: 13},
		{Header: "Why", Width: 90},
	}}
}

// Reasons are why units are left, those first that somebody can do something about.
func Reasons() [7]plan.Reason {
	return [7]plan.Reason{plan.NoSlot, plan.NoStock, plan.NoBudget, plan.LeftLocked, plan.NothingFit, plan.NotKnown, plan.NotWorth}
}

// ReasonWords says why units are left.
func ReasonWords(r plan.Reason) string {
	return map[plan.Reason]string{
		plan.NotWorth: "no work saves more than it costs", plan.NoSlot: "no room in the weeks in which it pays", plan.NoStock: "the parts are not there in time",
		plan.NoBudget: "the money saves more on others", plan.NothingFit: "the fault must be found first", plan.NotKnown: "nothing is known: read it first",
		plan.LeftLocked: "somebody has said so",
	}[r]
}
