package reports

import (
	"fmt"
	"time"

	"rimeyard/faults"
)

// JobSheet is a job sheet to be printed: what is done in which order, and where to sign.
type JobSheet struct {
	Head  []string // lines below the title: which job, where, when, who
	Sheet faults.Sheet
	At    time.Time // when it was made
}

// JobSheetPDF prints the sheet.
func JobSheetPDF(j JobSheet) ([]byte, error) {
	d := NewDocument(DocumentHead{Title: j.Sheet.Title, Subtitle: append([]string{j.Sheet.Unit}, j.Head...), At: j.At})
	d.Caution(j.Sheet.Cautions...)
	d.Heading("Have at hand")
	d.Checklist(j.Sheet.Have)
	d.Heading("Steps")
	for i, s := range j.Sheet.Steps {
		for _, c := range s.Cautions {
			d.Lead("! " + c) // before what is done, as it is read
		}
		d.Paragraph(fmt.Sprintf("%d. %s", i+1, s.Do))
		for _, b := range s.Blanks {
			d.Paragraph("    " + b)
		}
		if s.Sign {
			d.Blanks([]string{"done by", "at"})
		}
	}
	d.Note(j.Sheet.Rules)
	return d.Bytes()
}
