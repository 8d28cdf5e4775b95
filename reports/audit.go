package reports

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// AuditName is the audit in commands, schedules and file names.
const AuditName = "audit"

// ErrNoAudit says that no audit is kept yet, or none of the depot asked for.
var ErrNoAudit = errors.New("there is no audit yet: rimeyard serve makes one a day once a season is over, or run rimeyard audit --keep")

// AuditData is what an audit report is composed of.
type AuditData struct {
	Seasons []alerts.AuditResult // newest first
	Depots  []fleet.Depot
	Depot   fleet.DepotID // empty: the whole fleet
	KnownTo fleet.Date    // the last day that was looked at
	Today   fleet.Date
}

// AuditOf reads kept audits, newest season first.
func AuditOf(kept []fleet.KeptAudit, depot fleet.DepotID, today fleet.Date) (AuditData, error) {
	d := AuditData{Depot: depot, Today: today}
	for _, k := range kept {
		var r alerts.AuditResult
		if err := json.Unmarshal(k.Result, &r); err != nil {
			return AuditData{}, fmt.Errorf("read the kept audit of the %s: %w", SeasonTitle(k.Season), err)
		}
		d.Seasons, d.KnownTo = append(d.Seasons, r), k.KnownTo
	}
	return d, nil
}

// AuditReport is all that letter and page print of an audit, ready to show.
type AuditReport struct {
	Subject  string
	Place    string
	Headline string
	KnownTo  string
	Season   AuditSeason   // the newest
	Earlier  []AuditSeason // the letter says only what they came to
	Pictures []Picture
	Figures  string // says where all of them are to be had
	seasons  []alerts.AuditResult
	data     AuditData // what it was made of, for paper and workbook
}

// AuditSeason is one season's list held against what came.
type AuditSeason struct {
	Title  string // "season 2024–25"
	Gist   string // one sentence
	Source string // which list was judged
	Few    string // that the figures are too uncertain; empty where they are not
	Facts  []AuditFact
	Orders []AuditOrder
	Swaps  string // what the money is about
	Bands  []AuditBand
	Parts  []AuditPart
}

// Heading is the title where a line begins.
func (s AuditSeason) Heading() string { return firstUpper(s.Title) }

// AuditFact is a figure with its interval.
type AuditFact struct {
	Name, Value string
	Means       string // what it is, in plain words; empty where the name says it
}

// AuditOrder is how well one order of the units did. Figures come with their 95 % interval.
type AuditOrder struct {
	Name    string
	Pairs   string // of 100 pairs of a unit that failed and one that held, in how many the right one stands higher
	Lead    string // by how much this list does better; empty for this list
	Top     string // of as many top units as failed, the share that did
	Known   string
	Caught  string
	Saved   string
	LeftOut string // units without a price; empty where there is none
	PerSwap string // saved by each swap that has a price
}

// AuditBand compares what was expected of a band's units with what came.
type AuditBand struct {
	Look     Look
	Units    string
	Expected string
	Nights   string // had the nights been known
	Failed   string
	Range    string // how many to expect of such units by those that failed, with 95 % confidence
}

// AuditPart is how often a part was named that turned out to be the cause.
type AuditPart struct{ Part, Failed, Right string }

// ComposeAudit makes the view model of an audit's letter.
func ComposeAudit(d AuditData) (AuditReport, error) {
	place := WinterListData{Depots: d.Depots, Depot: d.Depot}
	if len(d.Seasons) == 0 {
		return AuditReport{}, fmt.Errorf("audit of %s: %w", place.place(), ErrNoAudit)
	}
	newest := d.Seasons[0]
	r := AuditReport{Place: place.place(), KnownTo: DayMonth(d.KnownTo, d.Today), Season: SeasonOfAudit(newest, d.Today), seasons: d.Seasons, data: d}
	for _, s := range d.Seasons[1:] {
		r.Earlier = append(r.Earlier, SeasonOfAudit(s, d.Today))
	}
	r.Headline = r.Season.Gist
	r.Subject = oneLine(fmt.Sprintf("%s: audit of the %s: %s", place.tag(), r.Season.Title, r.Headline))
	for _, draw := range []func(string, alerts.AuditResult, int) (Picture, error){AuditBands, AuditOrders} {
		name := fmt.Sprintf("audit-%d", len(r.Pictures)+1)
		if p, err := draw(name, newest, MailWidth); err == nil {
			r.Pictures = append(r.Pictures, p)
		}
	}
	return r, nil
}

// SeasonOfAudit puts one season's audit into words.
func SeasonOfAudit(r alerts.AuditResult, today fleet.Date) AuditSeason {
	s := AuditSeason{Title: SeasonTitle(r.Season), Gist: gist(r), Facts: auditFacts(r)}
	s.Source = fmt.Sprintf("No list was issued when the season began. Judged is one made afterwards from what was known on %s, by method %s.",
		DayMonth(r.AsOf, today), oneLine(r.Method))
	if day, issued := r.IssuedOn.Get(); issued {
		s.Source = fmt.Sprintf("Judged is the list of %s as it was issued on %s, by method %s.", DayMonth(r.AsOf, today), DayMonth(day, today), oneLine(r.Method))
	}
	if r.TooFew {
		s.Few = fmt.Sprintf("Only %s: too few to judge the list by. Read the ranges, not the figures.", Count(r.Failed, "failure"))
	}
	s.Swaps = "The list asked for no swap, so there is nothing it could have saved."
	if r.Swaps > 0 {
		s.Swaps = fmt.Sprintf("Saved is what swapping the first %s of each order before the season would have saved, as many as the list asked for: "+
			"cost of the failures caught less the price of the swaps. A unit without a price is left out on both sides, so compare what each swap saved.", Count(r.Swaps, "unit"))
	}
	for _, k := range append([]alerts.Ranking{r.Forecast}, r.Rules...) {
		s.Orders = append(s.Orders, auditOrder(r, k))
	}
	for _, g := range r.Bands {
		n := float64(g.Units)
		band := AuditBand{
			Look: LookOf(fleet.Band(g.Name)), Units: fmt.Sprint(g.Units), Expected: decimal(g.Expected), Nights: unsaid,
			Failed: fmt.Sprint(g.Failed), Range: fmt.Sprintf("%s to %s", decimal(g.Low*n), decimal(g.High*n)),
		}
		if with, known := g.ExpectedNights.Get(); known {
			band.Nights = decimal(with)
		}
		s.Bands = append(s.Bands, band)
	}
	for _, c := range r.Parts.ByCause {
		if c.Failed > 0 {
			s.Parts = append(s.Parts, AuditPart{string(c.Cause), fmt.Sprint(c.Failed), fmt.Sprint(c.Right)})
		}
	}
	return s
}

// SeasonTitle names a season by its years.
func SeasonTitle(s fleet.Season) string {
	from, _, _ := s.From.YMD()
	to, _, _ := s.To.YMD()
	if from == to {
		return fmt.Sprintf("season %d", from)
	}
	return fmt.Sprintf("season %d–%02d", from, to%100)
}

func gist(r alerts.AuditResult) string {
	s := fmt.Sprintf("%d of %s failed, %s expected", r.Failed, Count(r.Scored, "unit"), decimal(r.Expected))
	auc, known := r.Forecast.AUC.Get()
	switch {
	case r.TooFew:
		return s + ": too few to judge by"
	case !known:
		return s
	}
	best := r.Rules[0]
	for _, rule := range r.Rules[1:] {
		if rule.AUC.Or(0) > best.AUC.Or(0) {
			best = rule
		}
	}
	return s + fmt.Sprintf("; the right unit stood higher in %.0f of 100 pairs, by the best rule of thumb in %.0f", 100*auc, 100*best.AUC.Or(0.5))
}

func failedWords(n int) string {
	if n == 0 {
		return "none failed"
	}
	return fmt.Sprintf("%d failed", n)
}

func auditFacts(r alerts.AuditResult) []AuditFact {
	facts := []AuditFact{
		{"Failed", fmt.Sprintf("%d of %s", r.Failed, Count(r.Scored, "unit")), ""},
		{"Expected by the list", decimal(r.Expected) + around(r.Expected, r.ExpectedSD), rangeMeans(r)},
	}
	if n := r.Nights; n.Units > 0 {
		value := decimal(n.Expected) + around(n.Expected, n.ExpectedSD)
		if n.Units < r.Scored {
			value += fmt.Sprintf(", of %s; %s", Count(n.Units, "unit"), failedWords(n.Failed))
		}
		means := "what it would have said had the winter been known, so what is left is not the weather's"
		if r.IssuedOn.IsKnown() {
			means += "; by today's method, from what was known then"
		}
		facts = append(facts, AuditFact{"Expected with the nights that came", value, means})
	} else {
		facts = append(facts, AuditFact{"Expected with the nights that came", unsaid, "too few nights of the season have a temperature"})
	}
	if r.TakenOut > 0 {
		facts = append(facts, AuditFact{"Had a part taken out in time", Count(r.TakenOut, "unit"), "counted neither as failed nor as held"})
	}
	if r.Parts.FoundGood > 0 {
		facts = append(facts, AuditFact{"Part found good on the bench", Count(r.Parts.FoundGood, "failure"), "their cause is not known, so they are not in the next two"})
	}
	facts = append(facts,
		AuditFact{"Right part named", ofAll(r.Parts.Right, r.Parts.Failed, r.Parts.RightShare, "failure"), ""},
		AuditFact{"Right part named, of those caught", ofAll(r.Parts.CaughtRight, r.Parts.Caught, r.Parts.CaughtShare, "failure"), "caught: among as many top units as failed"})
	s := r.Scores
	if brier, known := s.Brier.Get(); known {
		facts = append(facts,
			AuditFact{"Error of the chances (Brier score)", thousandths(brier) + between(s.BrierInterval, 1, thousandths), "mean square of chance less outcome: 0 is best; it is made of the next three"},
			AuditFact{"Off the mark (reliability)", thousandths(s.Reliability) + between(s.ReliabilityInterval, 1, thousandths), "how far chances lie from what came: 0 is best"},
			AuditFact{"Told apart (resolution)", thousandths(s.Resolution) + between(s.ResolutionInterval, 1, thousandths), "how far groups differ: more is better"},
			AuditFact{"In the season itself (uncertainty)", thousandths(s.Uncertainty) + between(s.UncertaintyInterval, 1, thousandths), "what one would err by knowing nothing of the units"},
			AuditFact{"Calibration error", thousandths(s.CalibrationError.Or(0)), "mean distance of chance and share that failed, over ten groups"})
	}
	return facts
}

func rangeMeans(r alerts.AuditResult) string {
	if r.WintersInSD == 0 {
		return "the sum of its chances; one winter for all makes the true range wider"
	}
	return "the sum of its chances; the range reckons with luck and with one winter coming for all units"
}

var orderNames = map[string]string{
	"forecast": "this list", "battery_age": "oldest battery first", "last_test_pct": "lowest last test first",
	"lowest_cranking_v": "lowest cranking volts first",
}

func orderName(rule string) string {
	if name, known := orderNames[rule]; known {
		return name
	}
	return rule
}

func auditOrder(r alerts.AuditResult, k alerts.Ranking) AuditOrder {
	o := AuditOrder{
		Name: orderName(k.Rule), Pairs: unsaid, Top: unsaid, Saved: unsaid, Caught: unsaid, PerSwap: unsaid,
		Known: fmt.Sprintf("%d of %s", k.Known, Count(r.Scored, "unit")),
	}
	whole := func(v float64) string { return fmt.Sprintf("%.0f", v) }
	if auc, known := k.AUC.Get(); known {
		o.Pairs = whole(100*auc) + between(k.AUCInterval, 100, whole)
	}
	if lead, known := k.Lead.Get(); known {
		o.Lead = signed(100*lead) + between(k.LeadInterval, 100, signed)
	}
	if p, known := k.Precision.Get(); known {
		o.Top = whole(100*p) + "\u00a0%" + between(k.PrecisionInterval, 100, whole)
	}
	if r.Swaps > 0 {
		o.Caught = fmt.Sprintf("%s of %d", wholeOrTenth(k.Saving.Caught), r.Swaps)
	}
	if saved, known := k.Saving.Saved.Get(); known {
		o.Saved, o.PerSwap = Money(saved), Money(k.Saving.PerSwap.Or(0))
		if span, known := k.Saving.Interval.Get(); known {
			o.Saved += fmt.Sprintf(" (%s to %s)", Money(span.Low), Money(span.High))
		}
	}
	if k.Saving.Unpriced > 0 {
		o.LeftOut = wholeOrTenth(k.Saving.Unpriced)
	}
	return o
}

func wholeOrTenth(v float64) string {
	if v == math.Trunc(v) {
		return fmt.Sprintf("%.0f", v)
	}
	return decimal(v)
}

func signed(v float64) string {
	s := decimal(v)
	if v >= 0.05 {
		return "+" + s
	}
	return s
}

func thousandths(v float64) string { return fmt.Sprintf("%.3f", v) }

// between writes an interval behind its figure: " (72 to 86)".
func between(span fleet.Opt[alerts.Span], times float64, write func(float64) string) string {
	s, known := span.Get()
	if !known {
		return ""
	}
	return fmt.Sprintf(" (%s to %s)", write(times*s.Low), write(times*s.High))
}

// around is the range of 95 % of a normal spread.
func around(mean, sd float64) string {
	const normal95 = 1.959963984540054
	return fmt.Sprintf(" (%s to %s)", decimal(max(0, mean-normal95*sd)), decimal(mean+normal95*sd))
}

func ofAll(right, all int, share fleet.Opt[alerts.Span], noun string) string {
	s, known := share.Get()
	if !known {
		return unsaid
	}
	return fmt.Sprintf("%d of %s, %.0f\u00a0%% (%.0f to %.0f)", right, Count(all, noun), 100*float64(right)/float64(all), 100*s.Low, 100*s.High)
}

// Table is all figures of all seasons, one a row.
func (r AuditReport) Table() ([]byte, error) {
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	out.UseCRLF = true // RFC 4180
	rows := [][]string{append([]string{"as_of", "source"}, alerts.AuditColumns()...)}
	for _, s := range r.seasons {
		for _, row := range s.Rows() {
			rows = append(rows, slices.Concat([]string{s.AsOf.String(), s.Source}, row))
		}
	}
	err := out.WriteAll(rows)
	return b.Bytes(), err
}

// Render draws the pictures, fills the templates and attaches the table in the forms asked for.
func (r AuditReport) Render(attach []fleet.Attachment) (Content, error) {
	r.Figures = "All figures of all seasons are on the page of the audit."
	if len(attach) > 0 {
		r.Figures = "All figures of all seasons are in the attached table."
	}
	c, err := filled(AuditName, r.Subject, r, r.Pictures)
	if err != nil {
		return Content{}, err
	}
	table, err := r.Table()
	if err != nil {
		return Content{}, fmt.Errorf("audit, table: %w", err)
	}
	c.Mark, c.Changed = markOf(table), true
	return c.of(AuditName, r).attached(attach)
}
