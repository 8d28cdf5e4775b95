package reports

import (
	"fmt"
	"strings"
	"time"

	"rimeyard/alerts"
)

// PDF is the audit for printing on A4.
func (r AuditReport) PDF() ([]byte, error) { return r.PDFOn(A4Paper) }

// PDFOn is [AuditReport.PDF] for other paper.
func (r AuditReport) PDFOn(paper Paper) ([]byte, error) {
	s := r.Season
	d := NewDocument(DocumentHead{
		Title: fmt.Sprintf("Audit of the %s, %s", s.Title, r.Place), Paper: paper, At: r.data.KnownTo.Midnight(time.UTC),
		Subtitle: []string{"All that was in up to " + longDate(r.data.KnownTo) + " was looked at", s.Source},
	})
	d.Lead(firstUpper(r.Headline) + ".")
	if s.Few != "" {
		d.Caution(s.Few)
	}
	d.Heading("Expected and failed")
	facts := PrintedTable{Columns: []PrintedColumn{{Header: "Figure"}, {Header: "Value, with its 95 % range"}}}
	for _, f := range s.Facts {
		facts.Rows = append(facts.Rows, PrintedRow{Cells: []PrintedCell{{Text: f.Name, Under: firstUpper(f.Means)}, {Text: f.Value}}})
	}
	d.Table(facts)
	d.Heading("By band")
	bands := PrintedTable{Columns: []PrintedColumn{
		{Header: "Band"},
		{Header: "Units", Right: true},
		{Header: "Expected by the list", Right: true},
		{Header: "Expected with the nights that came", Right: true},
		{Header: "Failed", Right: true},
		{Header: "95 % range", Right: true},
	}}
	for _, b := range s.Bands {
		cells := append([]PrintedCell{{Text: b.Look.Word, Band: b.Look.Band}}, PrintedTexts(b.Units, b.Expected, b.Nights, b.Failed, b.Range)...)
		bands.Rows = append(bands.Rows, PrintedRow{Cells: cells})
	}
	d.Table(bands)
	s.printOrders(d)
	r.printPictures(d)
	if len(r.Earlier) > 0 {
		d.Heading("Earlier seasons")
		for _, e := range r.Earlier {
			d.Paragraph(firstUpper(e.Title) + ": " + e.Gist + ".")
		}
	}
	d.Space(6)
	d.Note("A pair is a unit that failed and one that held; in the right order the one that failed stands higher. By drawing lots that is so in 50 of 100.")
	return d.Bytes()
}

func (s AuditSeason) printOrders(d *Document) {
	d.Heading("This list beside the rules of thumb")
	t := PrintedTable{Columns: []PrintedColumn{
		{Header: "Order"},
		{Header: "Pairs in the right order, of 100", Right: true},
		{Header: "This list does better by", Right: true},
		{Header: "Of as many top units as failed, did fail", Right: true},
		{Header: "Failures caught", Right: true},
		{Header: "Saved", Right: true},
		{Header: "Saved by each swap", Right: true},
	}}
	for _, o := range s.Orders {
		note := "Has a value for " + o.Known + "."
		if o.LeftOut != "" {
			note += " Left out of the money for want of a price: " + o.LeftOut + "."
		}
		t.Rows = append(t.Rows, PrintedRow{Note: note, Cells: []PrintedCell{
			{Text: firstUpper(o.Name), Strong: true}, figured(o.Pairs), figured(o.Lead), figured(o.Top), {Text: o.Caught}, figured(o.Saved), {Text: o.PerSwap},
		}})
	}
	d.Table(t)
	d.Note(s.Swaps)
	if len(s.Parts) == 0 {
		return
	}
	d.Heading("Was the right part named?")
	parts := PrintedTable{Columns: []PrintedColumn{{Header: "What failed"}, {Header: "Failures", Right: true}, {Header: "Named right", Right: true}}}
	for _, p := range s.Parts {
		parts.Rows = append(parts.Rows, PrintedRow{Cells: PrintedTexts(p.Part, p.Failed, p.Right)})
	}
	d.Table(parts)
}

// figured stands a figure's range under it.
func figured(s string) PrintedCell {
	figure, span := split(strings.TrimSuffix(s, ")"), " (")
	return PrintedCell{Text: figure, Under: unbroken(span)}
}

func (r AuditReport) printPictures(d *Document) {
	var drawn []Picture
	for _, draw := range []func(string, alerts.AuditResult, int) (Picture, error){AuditBands, AuditOrders} {
		if p, err := draw("printed", r.seasons[0], PageWidth); err == nil {
			drawn = append(drawn, p)
		}
	}
	d.Pictures("Pictures", drawn)
}
