package reports

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

// OwedStore is where all that is owed to the fleet is kept.
type OwedStore interface {
	FigureStore
	LatestIssue(ctx context.Context) (fleet.Issue, error)
	ListedAhead(ctx context.Context, issue int64, of []fleet.DepotID) ([]fleet.Listed, error)
	Depots(ctx context.Context) ([]fleet.Depot, error)
	People(ctx context.Context) ([]fleet.Person, error)
	OwnFigures(ctx context.Context) (fleet.OwnFigures, error)
	DepositsOut(ctx context.Context, asked fleet.DepositsAsked) (fleet.DepositsOut, error)
	Covered(ctx context.Context, of []fleet.DepotID, on fleet.Date) (fleet.Bookable, error)
	Claims(ctx context.Context, of []fleet.DepotID) ([]fleet.Claim, error)
}

// CoreDeadline is the last day on which a core can be handed in: so many days after its part came out. Unknown: nobody has said how many.
func CoreDeadline(c fleet.CoreOut, days fleet.Opt[int]) (last fleet.Opt[fleet.Date]) {
	if within, set := days.Get(); set {
		last = fleet.Known(c.OutOn + fleet.Date(within))
	}
	return last
}

// DepositsAsked is which deposits are looked at, with the fleet's days within which a core must be back; most of the cores one by one (unknown:
// all).
func DepositsAsked(of []fleet.DepotID, today fleet.Date, own fleet.OwnFigures, most fleet.Opt[int]) fleet.DepositsAsked {
	asked := fleet.DepositsAsked{Depots: of, On: today, Most: most}
	if within, set := own.CoreDays.Get(); set {
		asked.Late = fleet.Known(today - fleet.Date(within)) // see CoreDeadline
	}
	return asked
}

// Warranties are the parts under warranty at the depots (nil: all) whose credit will fall before the season ends, or that are likely to
// fail, those first for which most is lost by waiting. Without a list the chances are not known, and only the terms count.
func Warranties(ctx context.Context, from OwedStore, of []fleet.DepotID, today fleet.Date) ([]ledger.Warranty, error) {
	rows, err := from.Covered(ctx, of, today)
	if err != nil {
		return nil, err
	}
	depots, err := from.Depots(ctx)
	if err != nil {
		return nil, err
	}
	own, err := from.OwnFigures(ctx)
	if err != nil {
		return nil, err
	}
	ahead, err := aheadOf(ctx, from, of)
	if err != nil {
		return nil, err
	}
	return ledger.Warranties(factsOf(rows, depots, own), ahead, today), nil
}

// CoverShown is how many warranties are kept for pages.
const CoverShown = 60

// CoverEnding are the warranties that matter first: those of which credit is expected to be lost by waiting, or that end soon.
type CoverEnding struct {
	First []ledger.Warranty // CoverShown of them
	More  int
}

// CoverEndingOf is what matters first of the warranties of the depots (nil: all), as it is kept or made anew.
func CoverEndingOf(ctx context.Context, from OwedStore, of []fleet.DepotID, today fleet.Date) (d Dated[CoverEnding], err error) {
	r, err := coverRecipe(ctx, from, of, today)
	if err != nil {
		return d, err
	}
	return figureOf(ctx, &figures{store: from}, r, false)
}

// KeepCover keeps what matters first of the warranties, of the whole fleet, of each depot and of those that somebody sees together, where it
// is not kept already, and tells how many figures it kept.
func KeepCover(ctx context.Context, from OwedStore, today fleet.Date) (kept int, err error) {
	return keepAll(ctx, from, from, func(of []fleet.DepotID) (recipe[CoverEnding], error) { return coverRecipe(ctx, from, of, today) })
}

func coverRecipe(ctx context.Context, from OwedStore, of []fleet.DepotID, today fleet.Date) (r recipe[CoverEnding], err error) {
	mark, err := from.MoneyMark(ctx)
	if err != nil {
		return r, err
	}
	issue, err := from.LatestIssue(ctx)
	if err != nil && !errors.Is(err, fleet.ErrNoIssue) {
		return r, err
	}
	depots, err := from.Depots(ctx)
	if err != nil {
		return r, err
	}
	r = recipe[CoverEnding]{figure: "warranties", of: of, at: mark.At}
	r.madeOf, err = hashOf(struct {
		Today  fleet.Date
		Issue  int64
		Depots []fleet.Depot
		Entry  int64
	}{today, issue.ID, among(depots, of), mark.Entry})
	r.make = func(ctx context.Context) (CoverEnding, int, error) {
		all, err := Warranties(ctx, from, of, today)
		units := len(all)
		const soon = 90 // days; common practice, no source
		all = slices.DeleteFunc(all, func(w ledger.Warranty) bool { return w.Lost <= 0 && w.CoverUntil > today+soon })
		shown := min(CoverShown, len(all))
		return CoverEnding{all[:shown], len(all) - shown}, units, err
	}
	return r, err
}

func aheadOf(ctx context.Context, from OwedStore, of []fleet.DepotID) ([]ledger.Ahead, error) {
	issue, err := from.LatestIssue(ctx)
	if errors.Is(err, fleet.ErrNoIssue) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	listed, err := from.ListedAhead(ctx, issue.ID, of)
	if err != nil {
		return nil, err
	}
	var ahead []ledger.Ahead
	for _, l := range listed {
		if l.Outlook != nil {
			ahead = append(ahead, ledger.Ahead{Unit: l.Forecast.Unit, Monday: issue.AsOf.Monday(), ChanceByWeek: l.Outlook.ChanceByWeek, Causes: l.Forecast.SuspectProbabilities})
		}
	}
	return ahead, nil
}

// ClaimSums adds up claims by state.
func ClaimSums(claims []fleet.Claim) []ledger.ClaimSum { return ledger.ClaimSums(claimsOf(claims)) }

// CoveredPart is one part of a unit with its terms.
type CoveredPart struct {
	Serial   string
	Part     string
	Kind     fleet.Part
	Position int // of a battery
	Cover    ledger.Cover
	Fitted   fleet.Opt[fleet.Date]
	Out      fleet.Opt[fleet.Date]
}

// CoveredBy finds a part among all that was ever fitted to a unit, the newest fitting of that serial. False: it is not there, or it has no
// price, day of fitting or terms.
func CoveredBy(h fleet.History, kind fleet.Part, serial string) (p CoveredPart, found bool) {
	take := func(c CoveredPart, price fleet.Opt[fleet.Money], free, prorata fleet.Opt[int]) {
		on, dated := c.Fitted.Get()
		paid, priced := price.Get()
		if c.Serial != serial || !dated || !priced || free.Or(0) == 0 && prorata.Or(0) == 0 {
			return
		}
		c.Cover = ledger.Cover{Price: paid, FreeMonths: free.Or(0), ProrataMonths: prorata.Or(0), From: on}
		p, found = c, true
	}
	for _, f := range h.Batteries {
		if kind == fleet.BatteryPart {
			take(CoveredPart{Serial: f.Battery, Part: f.Part, Kind: kind, Position: f.Position, Fitted: f.FittedOn, Out: f.RemovedOn}, f.Price, f.FreeMonths, f.ProrataMonths)
		}
	}
	for _, f := range h.Starters {
		if kind == fleet.StarterPart {
			take(CoveredPart{Serial: f.Starter, Part: f.Part, Kind: kind, Fitted: f.FittedOn, Out: f.RemovedOn}, f.Price, f.FreeMonths, fleet.Opt[int]{})
		}
	}
	return p, found
}

// ClaimSheet is what goes to the seller with a claim.
type ClaimSheet struct {
	Claim    fleet.Claim
	Part     CoveredPart
	History  fleet.History
	Depot    fleet.Depot
	Currency ledger.Currency
	Today    fleet.Date
}

// PDF prints the claim with its working out and all tests of the part.
func (c ClaimSheet) PDF() ([]byte, error) {
	d := NewDocument(DocumentHead{
		Title: fmt.Sprintf("Warranty claim %d", c.Claim.ID), At: c.Today.Midnight(time.UTC),
		Subtitle: []string{"Printed on " + longDate(c.Today), fmt.Sprintf("%s %s, part %s", firstUpper(string(c.Claim.PartKind)), c.Claim.Serial, c.Claim.Part)},
	})
	d.Lead(fmt.Sprintf("We claim %s, net, for this part.", InCurrency(c.Claim.Expected, c.Currency)))
	d.Table(c.facts())
	d.Heading("How the credit is worked out")
	for _, line := range CreditWords(c.Part.Cover, c.Claim.OpenedOn, c.Currency) {
		d.Paragraph(line)
	}
	d.Heading("Tests of the part")
	if tests := c.tests(); len(tests.Rows) > 0 {
		d.Table(tests)
	} else {
		d.Paragraph("No test of this part is recorded.")
	}
	if broken := c.breakdowns(); len(broken.Rows) > 0 {
		d.Heading("Breakdowns of the unit for this part while it was fitted")
		d.Table(broken)
	}
	d.Heading("To be filled in")
	d.Blanks([]string{"Seller's number for the claim", "Handed over on, by", fmt.Sprintf("Credit granted, net, %s", c.Currency), "Signature"})
	d.Note("The terms of the part's own seller go before what is worked out here. " + NetWords)
	return d.Bytes()
}

func (c ClaimSheet) facts() PrintedTable {
	t := PrintedTable{Columns: []PrintedColumn{{Header: "What"}, {Header: "Said by the records"}}}
	add := func(name, value string) {
		t.Rows = append(t.Rows, PrintedRow{Cells: PrintedTexts(name, value)})
	}
	add("Unit", fmt.Sprintf("%s, class %s", c.Claim.Unit, c.History.Unit.Class))
	add("Depot", c.Depot.Name)
	add("Serial", c.Claim.Serial)
	add("Part number", c.Claim.Part)
	if rated := c.rated(); rated != "" {
		add("Rated", rated)
	}
	add("Fitted on", longDate(c.Part.Cover.From))
	if out, gone := c.Part.Out.Get(); gone {
		add("Taken out on", longDate(out))
	}
	add("Price paid, net", InCurrency(c.Part.Cover.Price, c.Currency))
	add("Claimed on", longDate(c.Claim.OpenedOn))
	if c.Claim.Note != "" {
		add("Note", c.Claim.Note)
	}
	return t
}

// CreditWords says step by step what a claim on a day gives back.
func CreditWords(c ledger.Cover, on fleet.Date, currency ledger.Currency) []string {
	paid := fmt.Sprintf("Paid %s.", InCurrency(c.Price, currency))
	said := []string{paid + " No time of free replacement."}
	if c.FreeMonths > 0 {
		said[0] = fmt.Sprintf("%s Free replacement for %s from fitting, to %s.", paid, Count(c.FreeMonths, "month"), longDate(c.From.AddMonths(c.FreeMonths)-1))
	}
	if c.ProrataMonths > c.FreeMonths {
		after := "After that pro"
		if c.FreeMonths == 0 {
			after = "Pro"
		}
		said = append(said, fmt.Sprintf("%s rata in a straight line over %s from fitting, to %s.", after, Count(c.ProrataMonths, "month"), longDate(c.Until())))
	}
	months := 0
	for c.From.AddMonths(months+1) <= on {
		months++
	}
	credit := c.Credit(on)
	complete := fmt.Sprintf("On %s %s of service are complete", longDate(on), Count(months, "month"))
	switch months {
	case 0:
		complete = fmt.Sprintf("On %s no month of service is complete", longDate(on))
	case 1:
		complete = fmt.Sprintf("On %s 1 month of service is complete", longDate(on))
	}
	switch {
	case months < c.FreeMonths:
		said = append(said, fmt.Sprintf("%s: the whole price, %s.", complete, InCurrency(credit, currency)))
	case credit > 0:
		said = append(said, fmt.Sprintf("%s: %s × (%d − %d) / %d = %s.", complete, Money(c.Price), c.ProrataMonths, months, c.ProrataMonths, InCurrency(credit, currency)))
	default:
		said = append(said, fmt.Sprintf("On %s the warranty is over.", longDate(on)))
	}
	return said
}

// rated is what the battery is said to give, by which its tests are read.
func (c ClaimSheet) rated() string {
	for _, b := range c.History.Batteries {
		if c.Claim.PartKind == fleet.BatteryPart && b.Battery == c.Part.Serial && b.FittedOn == c.Part.Fitted && b.RatedCCAA > 0 {
			return fmt.Sprintf("%.0f A cold cranking (%s)", b.RatedCCAA, strings.ToUpper(string(b.CCAStandard)))
		}
	}
	return ""
}

// while tells whether a time lies between fitting and removal.
func (c ClaimSheet) while(at time.Time) bool {
	day := fleet.DateOf(at, c.Depot.Zone())
	return day >= c.Part.Cover.From && day <= c.Part.Out.Or(day)
}

func (c ClaimSheet) tests() PrintedTable {
	t := PrintedTable{Columns: []PrintedColumn{
		{Header: "When, depot's time"}, {Header: "At rest, V", Right: true}, {Header: "Tester says, A", Right: true}, {Header: "Set to"}, {Header: "Temperature", Right: true}, {Header: "By"}, {Header: "Note"},
	}}
	noted := false
	figure := func(v fleet.Opt[float64], format string) string {
		if f, known := v.Get(); known {
			return fmt.Sprintf(format, f)
		}
		return "–"
	}
	for _, test := range c.History.Tests {
		if c.Claim.PartKind != fleet.BatteryPart || test.Position != c.Part.Position || test.Battery != "" && test.Battery != c.Part.Serial || !c.while(test.At) {
			continue
		}
		temperature := "–"
		if v, known := test.TemperatureC.Get(); known {
			temperature = Degrees(v)
		}
		t.Rows = append(t.Rows, PrintedRow{Cells: PrintedTexts(
			test.At.In(c.Depot.Zone()).Format("2006-01-02 15:04"), figure(test.RestV, "%.2f"), figure(test.CCAA, "%.0f"), strings.ToUpper(string(test.CCAStandard)), temperature, test.TestedBy, test.Note,
		)})
		noted = noted || test.Note != ""
	}
	if !noted {
		t.Columns = t.Columns[:len(t.Columns)-1]
		for i := range t.Rows {
			t.Rows[i].Cells = t.Rows[i].Cells[:len(t.Columns)]
		}
	}
	return t
}

// breakdowns are those that the part is to blame for. One on the day of its fitting was that of the part that it took the place of.
func (c ClaimSheet) breakdowns() PrintedTable {
	t := PrintedTable{Columns: []PrintedColumn{{Header: "When, depot's time"}, {Header: "Cause"}, {Header: "Hours down", Right: true}}}
	for _, b := range c.History.Breakdowns {
		if b.Cause != c.Claim.PartKind || !c.while(b.At) || fleet.DateOf(b.At, c.Depot.Zone()) == c.Part.Cover.From {
			continue
		}
		hours := "–"
		if h, known := b.HoursDown.Get(); known {
			hours = decimal(h)
		}
		t.Rows = append(t.Rows, PrintedRow{Cells: PrintedTexts(b.At.In(c.Depot.Zone()).Format("2006-01-02 15:04"), string(b.Cause), hours)})
	}
	return t
}

// OwedHeader is the first line of what is owed as CSV.
func OwedHeader() []string {
	return []string{"what", "unit", "depot", "cost_centre", "serial", "part", "part_kind", "amount", "out_on", "deadline", "free_until", "cover_until", "chance_under_cover", "chance_after", "lost_by_waiting"}
}

// OwedTable is every core that could be handed in, and every warranty, as CSV.
func OwedTable(out fleet.DepositsOut, days fleet.Opt[int], covered []ledger.Warranty) ([]byte, error) {
	return csvOf(append([][]string{OwedHeader()}, OwedRows(out, days, covered)...))
}

// OwedRows are every core that could be handed in, and every warranty.
func OwedRows(out fleet.DepositsOut, days fleet.Opt[int], covered []ledger.Warranty) (rows [][]string) {
	day := func(d fleet.Opt[fleet.Date]) string {
		if on, known := d.Get(); known {
			return on.String()
		}
		return ""
	}
	for _, c := range out.Due {
		rows = append(rows, []string{
			"core", Inert(string(c.Unit)), Inert(string(c.Depot)), Inert(c.CostCentre), Inert(c.Serial), Inert(c.Part), string(c.Kind), c.Deposit.String(), c.OutOn.String(),
			day(CoreDeadline(c, days)), "", "", "", "", "",
		})
	}
	for _, w := range covered {
		rows = append(rows, []string{
			"warranty", Inert(string(w.Unit)), Inert(string(w.Depot)), Inert(w.CostCentre), Inert(w.Serial), Inert(w.Part), string(w.Kind), w.CreditNow.String(), "", "", day(w.FreeUntil),
			w.CoverUntil.String(), plain(fleet.Known(w.Before)), plain(fleet.Known(w.After)), w.Lost.String(),
		})
	}
	return rows
}
