package reports

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// TonightSource is where the nights are kept, and the depots.
type TonightSource interface {
	NightSource
	Depots(ctx context.Context) ([]fleet.Depot, error)
}

// TonightKind is the report on the coming night.
func TonightKind(from TonightSource) Kind {
	return Kind{
		Name: TonightName, Title: "Tonight", Page: "/tonight", Forms: []fleet.Attachment{fleet.AttachCSV, fleet.AttachPDF},
		Make: func(ctx context.Context, a Asked) (Content, error) {
			depots, err := from.Depots(ctx)
			if err != nil {
				return Content{}, err
			}
			data, err := GatherTonight(ctx, from, among(depots, a.Depots), a.Now)
			if err != nil {
				return Content{}, err
			}
			t, err := ComposeTonight(data)
			if errors.Is(err, ErrNoLow) {
				err = nothingToTellError{err}
			}
			if err != nil {
				return Content{}, err
			}
			c, err := t.Render(a.Attach)
			c.Changed = c.Mark != a.Last.Mark
			return c, err
		},
	}
}

// Render fills the letter. Content.Mark says of which units the news are.
func (t Tonight) Render(attach []fleet.Attachment) (Content, error) {
	c, err := filled(TonightName, t.Headline, t, nil)
	if err != nil {
		return Content{}, err
	}
	c.Mark, c.Changed = t.Mark, true
	return c.of(TonightName, t).attached(attach)
}

// Table is every unit that the night may concern as CSV, likeliest to fail first.
func (t Tonight) Table() ([]byte, error) { return TonightTable(t.data) }

// PDF is the morning checklist, for a clip board: one line to fill in for each unit that somebody should look at.
func (t Tonight) PDF() ([]byte, error) { return t.PDFOn(A4Paper) }

// PDFOn is [Tonight.PDF] for other paper.
func (t Tonight) PDFOn(paper Paper) ([]byte, error) {
	d := NewDocument(DocumentHead{
		Title: "Morning checklist", Paper: paper, At: t.data.Today.Midnight(time.UTC),
		Subtitle: []string{"Morning of " + longDate(t.data.Today+1), "From readings up to " + longDate(t.data.AsOf)},
	})
	d.Lead(t.Headline + ".")
	d.Caution(checklistCaution)
	for _, at := range t.Depots {
		d.Heading(fmt.Sprintf("%s, %s foreseen; came: ________ °C", at.Name, at.Low))
		d.Paragraph(at.Said)
		if len(at.All()) > 0 {
			d.Table(at.checklist())
		}
		d.Note(at.Others)
	}
	return d.Bytes()
}

const checklistCaution = "Chocks under the wheels, brake on, out of gear. Crank no longer than the maker allows, at most fifteen seconds (heavy diesels thirty), then let the starter rest two minutes. " +
	"Never jump or charge a frozen battery. Never bypass a neutral or clutch interlock."

func (d TonightDepot) checklist() PrintedTable {
	t := PrintedTable{Columns: []PrintedColumn{
		{Header: "Unit"}, {Header: "Look out for"}, {Header: "Rest volts before"}, {Header: "At once"}, {Header: "Slow"}, {Header: "No crank"}, {Header: "By"},
	}}
	cell := func(text, under string) PrintedCell { return PrintedCell{Text: text, Under: under} }
	for _, u := range d.All() {
		note := ""
		if len(u.Todo) > 0 {
			note = "Before parking, any one of: " + strings.Join(u.Todo, "; ") + "."
		}
		if u.Freeze != "" {
			note = strings.TrimLeft(note+"\n"+u.Freeze, "\n")
		}
		t.Rows = append(t.Rows, PrintedRow{
			Cells: []PrintedCell{cell(string(u.Unit), ""), cell(string(u.Suspect), u.Chance), cell("_______ V", ""), cell("[  ]", ""), cell("[  ]", ""), cell("[  ]", ""), cell("__________", "")},
			Note:  note,
		})
	}
	return t
}
