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

	"rimeyard/internal/fleet"
)

// IntakeName is the report on what came in wrong, or no more, in commands, schedules and file names.
const IntakeName = "intake"

// What an intake report looks at and shows.
const (
	SilentAfter     = 14 * 24 * time.Hour // a unit that cranked before and has not for so long has stopped reporting
	SilentForgotten = 90 * 24 * time.Hour // after which it is no news any more
	IntakeMost      = 10_000              // rows kept apart that one table lists
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
	Silent   []fleet.SilentUnit // newest first
	Depots   []fleet.Depot
}

// Imported finds what imports brought that was wrong. Troubles are the imports begun after since that have refused files or kept rows
// apart. KeptApartOf lists rows of those imports: of the depots, or with nil all. SilentUnits are those that cranked last between
// from and to.
type Imported interface {
	Troubles(ctx context.Context, since time.Time) ([]fleet.Import, error)
	KeptApartOf(ctx context.Context, imports []int64, depots []fleet.DepotID, limit int) (rows []fleet.KeptRow, all int, err error)
	SilentUnits(ctx context.Context, depots []fleet.DepotID, from, to time.Time) ([]fleet.SilentUnit, error)
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
	Silent      []SilentEntry
	MoreSilent  string
	Changed     bool // something is new
	rows        []fleet.KeptRow
}

// KeptGroup is rows of one file kept apart for one reason.
type KeptGroup struct{ Rows, File, Column, Reason, Example string }

// RefusedFile was not read at all.
type RefusedFile struct{ File, Source, When, Reason string }

// SilentEntry is a unit that has stopped reporting.
type SilentEntry struct {
	Unit, Depot, Last, Age string
	New                    bool // it had not when the last letter was written
}

// IntakeKind is the report on rows kept apart, files refused and units that stopped reporting since the last letter.
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

// gatherIntake leaves out what the last letter has told. The mark says of the imports of the last day how many of their files it knew.
func gatherIntake(ctx context.Context, from Imported, a Asked) (d IntakeData, mark string, err error) {
	d.Since = a.Now.Add(-firstLooks)
	told := map[int64]int{}
	if a.Last.Mark != "" {
		if err := json.Unmarshal([]byte(a.Last.Mark), &told); err != nil {
			return d, "", fmt.Errorf("read what the last letter told: %w", err)
		}
		d.Since = a.Last.At
	}
	imports, err := from.Troubles(ctx, d.Since.Add(-importWindow))
	if err != nil {
		return d, "", err
	}
	knows := map[int64]int{}
	var numbers []int64
	for _, i := range imports {
		if i.StartedAt.After(a.Now.Add(-importWindow)) {
			knows[i.ID] = len(i.Files)
		}
		if _, known := told[i.ID]; i.StartedAt.Before(d.Since) && a.Last.Mark == "" || known && told[i.ID] == len(i.Files) {
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
	if d.Silent, err = from.SilentUnits(ctx, a.Depots, a.Now.Add(-SilentForgotten), a.Now.Add(-SilentAfter)); err != nil {
		return d, "", err
	}
	if d.Depots, err = from.Depots(ctx); err != nil {
		return d, "", err
	}
	b, err := json.Marshal(knows) // maps are written in the order of their keys
	return d, string(b), err
}

// ComposeIntake makes the view model. That nothing is wrong is a report too.
func ComposeIntake(d IntakeData, a Asked) IntakeReport {
	r := IntakeReport{Place: placeOf(a.Depots, d.Depots), rows: d.Kept}
	since := d.Since.In(a.Zone)
	r.Since = fmt.Sprintf("Of what came in since %s, %s.", DayMonth(fleet.DateOf(d.Since, a.Zone), a.Today), since.Format("15:04"))
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
	fresh := r.addSilent(d.Silent, a)
	r.Changed = d.KeptRows+refused+fresh > 0
	r.Headline = intakeHeadline(d.KeptRows, refused, len(d.Silent), fresh, a.Last.Mark != "")
	r.Subject = oneLine(tagOf(a.Depots) + ": " + r.Headline)
	return r
}

// addSilent lists units that stopped reporting and counts those that had not when the last letter was written.
func (r *IntakeReport) addSilent(silent []fleet.SilentUnit, a Asked) (fresh int) {
	for i, u := range silent {
		e := SilentEntry{Unit: oneLine(string(u.Unit)), Last: DayMonth(fleet.DateOf(u.LastAt, a.Zone), a.Today)}
		e.Age = Count(int(a.Now.Sub(u.LastAt)/(24*time.Hour)), "day")
		e.New = u.LastAt.Add(SilentAfter).After(a.Last.At)
		if e.New {
			fresh++
			e.New = a.Last.Mark != "" // in the first letter all are
		}
		if a.Only() == "" {
			e.Depot = oneLine(string(u.Depot))
		}
		if i < mostTroubles {
			r.Silent = append(r.Silent, e)
		}
	}
	r.MoreSilent = moreOf(len(silent)-mostTroubles, "more unit")
	return fresh
}

func moreOf(n int, noun string) string {
	if n <= 0 {
		return ""
	}
	return "And " + Count(n, noun) + "."
}

func intakeHeadline(kept, refused, silent, fresh int, before bool) string {
	var news []string
	if kept > 0 {
		news = append(news, Count(kept, "row")+" kept apart")
	}
	if refused > 0 {
		news = append(news, Count(refused, "file")+" refused")
	}
	if silent > 0 {
		s := Count(silent, "unit") + " stopped reporting"
		if before && fresh > 0 {
			s += fmt.Sprintf(", %d of them new", fresh)
		} else if before {
			s += ", none of them new"
		}
		news = append(news, s)
	}
	if len(news) == 0 {
		return "all that came in was taken, and all units report"
	}
	return strings.Join(news, ", ")
}

// keptGroups puts rows together by file, column and reason, in the order of the first of each.
func keptGroups(rows []fleet.KeptRow) []KeptGroup {
	type key struct{ file, column, reason string }
	var groups []KeptGroup
	at, n := map[key]int{}, map[key]int{}
	for _, k := range rows {
		one := key{k.File, k.Column, k.Reason}
		i, known := at[one]
		if !known {
			i = len(groups)
			at[one] = i
			g := KeptGroup{File: shortened(oneLine(k.File), 60), Column: oneLine(k.Column), Reason: oneLine(k.Reason)}
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
	if len(r.rows) > 0 && slices.Contains(attach, fleet.AttachCSV) {
		table, err := r.Table()
		if err != nil {
			return Content{}, fmt.Errorf("intake, table: %w", err)
		}
		c = c.with("kept-apart", fleet.AttachCSV, table)
	}
	return c, nil
}
