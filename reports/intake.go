package reports

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// IntakeName is the report on what came in wrong, or no more, in commands, schedules and file names.
const IntakeName = "intake"

// What an intake report looks at and shows.
const (
	IntakeMost = 10_000 // rows kept apart that one table lists
	// importWindow is how long an import may take: of one that was under way when the last letter was written, some files came later.
	importWindow = 24 * time.Hour
	firstLooks   = 7 * 24 * time.Hour // what the first letter looks back at
	mostTroubles = 12
)

// IntakeData is what an intake report is composed of.
type IntakeData struct {
	Since    time.Time      // from which on imports are told of
	Imports  []fleet.Import // with what is wrong with their files; of several depots, so that only readers of all are told
	Kept     []fleet.KeptRow
	KeptRows int                // of which Kept may be a part
	LookAt   time.Time          // when the fleet was looked at last; zero: it was not yet
	Halted   []string           // what came from no unit at all of late, in a word
	Why      []string           // and in a sentence
	Silent   []alerts.Silent    // newest first
	Drifts   []fleet.KeptOddity // of testers, newest first
	Told     map[string]bool    // what of these the last letter told of
	Depots   []fleet.Depot
}

// Imported finds what imports brought that was wrong. Troubles are the imports begun after since that have refused files or kept rows
// apart. KeptApartOf lists rows of those imports: of the depots, or with nil all. Rhythms are those of the whole fleet, as of the look
// at it, and Oddities what it found at the depots; with nil, at all and at several at once.
type Imported interface {
	Troubles(ctx context.Context, since time.Time) ([]fleet.Import, error)
	KeptApartOf(ctx context.Context, imports []int64, depots []fleet.DepotID, limit int) (rows []fleet.KeptRow, all int, err error)
	OdditiesLook(ctx context.Context) (asOf fleet.Opt[fleet.Date], madeAt time.Time, err error)
	Rhythms(ctx context.Context) ([]fleet.Rhythm, error)
	Oddities(ctx context.Context, of []fleet.DepotID) ([]fleet.KeptOddity, error)
	Depots(ctx context.Context) ([]fleet.Depot, error)
}

// IntakeReport is all that the letter prints, ready to show.
type IntakeReport struct {
	Subject     string
	Place       string
	Headline    string
	Since       string
	Kept        []KeptGroup
	MoreKept    string // what is not shown; empty where all is
	Refused     []RefusedFile
	MoreRefused string
	Halted      []string
	Silent      []SilentEntry
	MoreSilent  string
	Drifts      []DriftEntry
	MoreDrifts  string
	Changed     bool // something is new
	rows        []fleet.KeptRow
}

// KeptGroup is rows of one file kept apart for one reason.
type KeptGroup struct{ Rows, File, Column, Reason, Example string }

// RefusedFile was not read at all.
type RefusedFile struct{ File, Source, When, Reason string }

// SilentEntry is a unit that has stopped reporting.
type SilentEntry struct {
	Unit, Depot, Last string
	New               bool // the last letter did not tell of it
}

// DriftEntry is a tester that shows more or less than it did.
type DriftEntry struct {
	Sentence string // with its name, and what to do
	New      bool   // the last letter did not tell of it
}

// intakeMark is what a letter told, for the next to know what is new.
type intakeMark struct {
	Files map[int64]int   `json:"files"` // of each import of the last day, how many of its files
	Told  map[string]bool `json:"told"`  // IntakeData.Told
}

// IntakeKind is the report on rows kept apart and files refused since the last letter, units that stopped reporting and testers that drift.
func IntakeKind(from Imported) Kind {
	return Kind{
		Name: IntakeName, Title: "Intake trouble", Page: "/intake", Forms: []fleet.Attachment{fleet.AttachCSV},
		Make: func(ctx context.Context, a Asked) (Content, error) {
			data, mark, err := gatherIntake(ctx, from, a)
			if err != nil {
				return Content{}, err
			}
			c, err := ComposeIntake(data, a).Render(a.Attach)
			c.Mark = mark
			return c, err
		},
	}
}

// gatherIntake leaves out of what imports brought what the last letter has told.
func gatherIntake(ctx context.Context, from Imported, a Asked) (d IntakeData, mark string, err error) {
	d.Since = a.Now.Add(-firstLooks)
	var told intakeMark
	if a.Last.Mark != "" {
		if err := json.Unmarshal([]byte(a.Last.Mark), &told); err != nil {
			return d, "", fmt.Errorf("read what the last letter told: %w", err)
		}
		d.Since, d.Told = a.Last.At, told.Told
	}
	imports, err := from.Troubles(ctx, d.Since.Add(-importWindow))
	if err != nil {
		return d, "", err
	}
	knows := intakeMark{map[int64]int{}, map[string]bool{}}
	var numbers []int64
	for _, i := range imports {
		if i.StartedAt.After(a.Now.Add(-importWindow)) {
			knows.Files[i.ID] = len(i.Files)
		}
		if _, known := told.Files[i.ID]; i.StartedAt.Before(d.Since) && a.Last.Mark == "" || known && told.Files[i.ID] == len(i.Files) {
			continue
		}
		numbers = append(numbers, i.ID)
		if a.Depots == nil {
			d.Imports = append(d.Imports, i)
		}
	}
	if d.Kept, d.KeptRows, err = from.KeptApartOf(ctx, numbers, a.Depots, IntakeMost); err != nil {
		return d, "", err
	}
	if err = d.look(ctx, from, a); err != nil {
		return d, "", err
	}
	for _, what := range d.Halted {
		knows.Told[what] = true
	}
	for _, u := range d.Silent {
		knows.Told[silentKey(u)] = true
	}
	for _, o := range d.Drifts {
		knows.Told[driftKey(o)] = true
	}
	if d.Depots, err = from.Depots(ctx); err != nil {
		return d, "", err
	}
	b, err := json.Marshal(knows) // maps are written in the order of their keys
	return d, string(b), err
}

// look finds what the look at the fleet says of the depots asked for.
func (d *IntakeData) look(ctx context.Context, from Imported, a Asked) (err error) {
	if _, d.LookAt, err = from.OdditiesLook(ctx); err != nil {
		return err
	}
	rhythms, err := from.Rhythms(ctx)
	if err != nil {
		return err
	}
	d.Halted, d.Why = Halted(rhythms, d.LookAt)
	d.Silent, _ = alerts.StoppedReporting(rhythms, d.LookAt)
	d.Silent = slices.DeleteFunc(d.Silent, func(u alerts.Silent) bool { return a.Depots != nil && !slices.Contains(a.Depots, u.Depot) })
	d.Drifts, err = from.Oddities(ctx, a.Depots)
	d.Drifts = slices.DeleteFunc(d.Drifts, func(o fleet.KeptOddity) bool { return o.Kind != string(alerts.TesterDrifts) })
	return err
}

func silentKey(u alerts.Silent) string   { return fmt.Sprintf("%s of %s", u.Kind, u.Unit) }
func driftKey(o fleet.KeptOddity) string { return "tester " + o.Tester }

// Halted says what came from no unit at all of late, in a word and in a sentence.
func Halted(rhythms []fleet.Rhythm, at time.Time) (what, why []string) {
	newest := alerts.NewestReadings(rhythms)
	for _, k := range []struct {
		kind fleet.Kind
		word string
	}{{fleet.CranksKind, "cranks"}, {fleet.TestsKind, "battery tests"}} {
		if last, any := newest[k.kind]; any && alerts.Halted(k.kind, last, at) {
			what = append(what, k.word)
			why = append(why, fmt.Sprintf("No %s came of late from any unit, the newest is of %s UTC: see whether they are still brought. Until then, units are held against that day.", k.word, last.UTC().Format("2006-01-02 15:04")))
		}
	}
	return what, why
}

// ComposeIntake makes the view model. That nothing is wrong is a report too.
func ComposeIntake(d IntakeData, a Asked) IntakeReport {
	r := IntakeReport{Place: placeOf(a.Depots, d.Depots), rows: d.Kept}
	since := d.Since.In(a.Zone)
	r.Since = fmt.Sprintf("Of what came in since %s, %s.", DayMonth(fleet.DateOf(d.Since, a.Zone), a.Today), since.Format("15:04 MST"))
	if d.LookAt.IsZero() {
		r.Since += " The whole fleet was not looked at yet, so which units report is not known. “rimeyard serve” does so once a day."
	} else {
		r.Since += fmt.Sprintf(" The whole fleet was looked at last on %s, %s.", DayMonth(fleet.DateOf(d.LookAt, a.Zone), a.Today), d.LookAt.In(a.Zone).Format("15:04 MST"))
	}
	groups := keptGroups(d.Kept)
	r.Kept, r.MoreKept = groups[:min(mostTroubles, len(groups))], moreOf(len(groups)-mostTroubles, "more kind")
	refused := 0
	for _, i := range d.Imports {
		for _, f := range i.Files {
			if f.Refused == "" {
				continue
			}
			if refused++; refused <= mostTroubles {
				r.Refused = append(r.Refused, RefusedFile{
					shortened(oneLine(f.File), 60), shortened(oneLine(i.Source), 40), DayMonth(fleet.DateOf(i.StartedAt, a.Zone), a.Today), oneLine(f.Refused),
				})
			}
		}
	}
	r.MoreRefused = moreOf(refused-mostTroubles, "more file")
	silent, fresh := r.addSilent(d, a)
	drifts := r.addDrifts(d, a)
	r.Halted = d.Why
	r.Changed = d.KeptRows+refused+fresh+drifts > 0 || slices.ContainsFunc(d.Halted, func(what string) bool { return !d.Told[what] })
	r.Headline = d.headline(refused, silent, fresh, drifts, a.Last.Mark != "")
	r.Subject, r.Headline = oneLine(tagOf(a.Depots)+": "+r.Headline), firstUpper(r.Headline)
	return r
}

// addSilent lists units that stopped reporting, those first of which the last letter did not tell, and counts them.
func (r *IntakeReport) addSilent(d IntakeData, a Asked) (units, unknown int) {
	at, fresh := map[fleet.UnitID]int{}, map[fleet.UnitID]bool{}
	var list []SilentEntry
	for _, u := range d.Silent {
		i, known := at[u.Unit]
		if !known {
			i = len(list)
			at[u.Unit] = i
			list = append(list, SilentEntry{Unit: oneLine(string(u.Unit))})
			if a.Only() == "" {
				list[i].Depot = oneLine(string(u.Depot))
			}
		}
		what := map[fleet.Kind]string{fleet.CranksKind: "start", fleet.TestsKind: "test"}[u.Kind]
		list[i].Last = strings.TrimPrefix(fmt.Sprintf("%s; last %s on %s, %s ago", list[i].Last, what,
			DayMonth(fleet.DateOf(u.Last, a.Zone), a.Today), Count(int(a.Now.Sub(u.Last)/(24*time.Hour)), "day")), "; ")
		if !d.Told[silentKey(u)] {
			fresh[u.Unit], list[i].New = true, a.Last.Mark != "" // in the first letter all are
		}
	}
	slices.SortStableFunc(list, func(a, b SilentEntry) int { return newFirst(a.New, b.New) })
	r.Silent, r.MoreSilent = list[:min(mostTroubles, len(list))], moreOf(len(list)-mostTroubles, "more unit")
	return len(list), len(fresh)
}

// addDrifts lists testers that drift, and counts those of which the last letter did not tell.
func (r *IntakeReport) addDrifts(d IntakeData, a Asked) (unknown int) {
	for _, o := range d.Drifts {
		e := DriftEntry{Sentence: oneLine(o.Sentence)}
		if !d.Told[driftKey(o)] {
			unknown++
			e.New = a.Last.Mark != ""
		}
		r.Drifts = append(r.Drifts, e)
	}
	slices.SortStableFunc(r.Drifts, func(a, b DriftEntry) int { return newFirst(a.New, b.New) })
	r.MoreDrifts = moreOf(len(r.Drifts)-mostTroubles, "more tester")
	r.Drifts = r.Drifts[:min(mostTroubles, len(r.Drifts))]
	return unknown
}

func newFirst(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

func moreOf(n int, noun string) string {
	if n <= 0 {
		return ""
	}
	return "And " + Count(n, noun) + "."
}

func (d IntakeData) headline(refused, silent, fresh, freshDrifts int, before bool) string {
	var news []string
	add := func(what string, all, fresh int) {
		if before {
			what += freshWords(fresh, all)
		}
		news = append(news, what)
	}
	for _, what := range d.Halted {
		news = append(news, "no "+what+" of late")
	}
	if d.KeptRows > 0 {
		news = append(news, Count(d.KeptRows, "row")+" kept apart")
	}
	if refused > 0 {
		news = append(news, Count(refused, "file")+" refused")
	}
	if silent > 0 {
		add(Count(silent, "unit")+" stopped reporting", silent, fresh)
	}
	switch n := len(d.Drifts); {
	case n == 1:
		add("1 tester drifts", n, freshDrifts)
	case n > 1:
		add(Count(n, "tester")+" drift", n, freshDrifts)
	}
	switch {
	case len(news) == 0 && d.LookAt.IsZero():
		return "all that came in was taken"
	case len(news) == 0:
		return "all that came in was taken, and all units report"
	}
	return strings.Join(news, ", ")
}

// freshWords says how many of all are new since the last letter.
func freshWords(fresh, all int) string {
	switch {
	case all == 1 && fresh == 1:
		return " (new)"
	case all == 1:
		return " (not new)"
	case fresh == 0:
		return " (none of them new)"
	case fresh == all:
		return " (all of them new)"
	}
	return fmt.Sprintf(" (%d of them new)", fresh)
}

// keptGroups puts rows together by file, column and reason, in the order of the first of each.
func keptGroups(rows []fleet.KeptRow) []KeptGroup {
	type key struct{ file, column, reason string }
	var groups []KeptGroup
	at, n := map[key]int{}, map[key]int{}
	for _, k := range rows {
		reason := oneLine(k.Reason)
		if rest, named := strings.CutPrefix(reason, oneLine(k.Value)+" "); named && k.Value != "" {
			reason = "the value " + rest // so that rows which differ in their value alone are told of once
		}
		one := key{k.File, k.Column, reason}
		i, known := at[one]
		if !known {
			i = len(groups)
			at[one] = i
			g := KeptGroup{File: shortened(oneLine(k.File), 60), Column: oneLine(k.Column), Reason: reason}
			g.Example = fmt.Sprintf("such as line %d", k.Line)
			if k.Unit != "" {
				g.Example += ", unit " + shortened(oneLine(k.Unit), 40)
			}
			if k.Value != "" {
				g.Example += fmt.Sprintf(": “%s”", shortened(oneLine(k.Value), 40))
			}
			groups = append(groups, g)
		}
		n[one]++
		groups[i].Rows = Count(n[one], "row")
	}
	return groups
}

// Table lists the rows kept apart as CSV, as they can be had from the page.
func (r IntakeReport) Table() ([]byte, error) {
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	out.UseCRLF = true // RFC 4180
	rows := [][]string{{"file", "line", "kind", "unit", "depot", "column", "value", "reason"}}
	for _, k := range r.rows {
		rows = append(rows, []string{
			Inert(k.File), strconv.FormatInt(k.Line, 10), string(k.Kind), Inert(k.Unit), Inert(string(k.Depot)), Inert(k.Column), Inert(k.Value), Inert(k.Reason),
		})
	}
	err := out.WriteAll(rows)
	return b.Bytes(), err
}

// Render fills the templates and attaches the rows kept apart in the forms asked for, if there are any.
func (r IntakeReport) Render(attach []fleet.Attachment) (Content, error) {
	c, err := filled(IntakeName, r.Subject, r, nil)
	if err != nil {
		return Content{}, err
	}
	c.Changed = r.Changed
	c = c.of("kept-apart", r)
	if len(r.rows) == 0 {
		return c, nil
	}
	return c.attached(attach)
}
