package reports

import (
	"fmt"
	"slices"
	"strings"

	"rimeyard/internal/fleet"

	"github.com/wneessen/go-mail"
)

// tables are the figures of a report. Where it can be, it is also an inWorkbook, or onPaper: its Kind says so to people.
type tables interface{ Table() ([]byte, error) } // CSV

type (
	inWorkbook interface{ Workbook() ([]byte, error) }
	onPaper    interface {
		PDFOn(paper Paper) ([]byte, error)
	}
)

// attachedAs are the media types of attachments (RFC 4180, RFC 8118, and Office Open XML as registered with IANA).
var attachedAs = map[fleet.Attachment]mail.ContentType{
	fleet.AttachCSV:  "text/csv; charset=utf-8",
	fleet.AttachXLSX: "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
	fleet.AttachPDF:  "application/pdf",
}

// of says whose figures the content tells.
func (c Content) of(name string, figures tables) Content {
	c.name, c.figures = name, figures
	return c
}

// attached attaches the figures in these forms.
func (c Content) attached(forms []fleet.Attachment) (Content, error) {
	for _, form := range forms {
		table, err := c.table(form, A4Paper)
		if err != nil {
			return Content{}, err
		}
		c.tables = append(c.tables, file{name: c.name + "." + string(form), kind: attachedAs[form], bytes: table})
	}
	return c, nil
}

// table is the figures as a file.
func (c Content) table(form fleet.Attachment, paper Paper) (table []byte, err error) {
	book, isBook := c.figures.(inWorkbook)
	pages, isPages := c.figures.(onPaper)
	switch {
	case form == fleet.AttachCSV:
		table, err = c.figures.Table()
	case form == fleet.AttachXLSX && isBook:
		table, err = book.Workbook()
	case form == fleet.AttachPDF && isPages:
		table, err = pages.PDFOn(paper)
	default:
		return nil, fmt.Errorf("%s: there is no file of the form %q", c.name, form)
	}
	if err != nil {
		return nil, fmt.Errorf("%s, %s: %w", c.name, form, err)
	}
	return table, nil
}

// The forms in which the letter itself is saved.
const (
	SavedMessage fleet.Attachment = "eml"
	SavedPage    fleet.Attachment = "html" // with its pictures inside
	SavedText    fleet.Attachment = "txt"
)

// Saves lists the forms in which a report of the kind can be written to a file: those of its table, then those of its letter.
func (k Kind) Saves() []fleet.Attachment { return slices.Concat(k.Forms, SavedForms()) }

// SavedForms are the forms in which every letter can be written to a file.
func SavedForms() []fleet.Attachment { return []fleet.Attachment{SavedMessage, SavedPage, SavedText} }

// MaySave tells whether a report of the kind can be written to a file of the form.
func (k Kind) MaySave(form fleet.Attachment) error {
	if slices.Contains(k.Saves(), form) {
		return nil
	}
	return fmt.Errorf("%s cannot be saved as .%s: it comes as %s", k.Name, form, FormNames(k.Saves()))
}

// FormNames lists forms as the ends of file names: .csv, .pdf or .txt.
func FormNames(forms []fleet.Attachment) string {
	names := make([]string, len(forms))
	for i, form := range forms {
		names[i] = "." + string(form)
	}
	last := len(names) - 1
	if last == 0 {
		return names[0]
	}
	return strings.Join(names[:last], ", ") + " or " + names[last]
}

// Saved is the report as a file of the form: its figures, on paper of that size where it is a PDF, or the letter that e is about.
func (c Content) Saved(form fleet.Attachment, paper Paper, e Envelope) ([]byte, error) {
	switch form {
	case SavedText:
		text, _, err := c.withFoot(e)
		return []byte(text), err
	case SavedMessage, SavedPage:
		l, err := c.Letter(e)
		if err != nil || form == SavedMessage {
			return l.Message, err
		}
		return webPage(l.Message)
	}
	return c.table(form, paper)
}
