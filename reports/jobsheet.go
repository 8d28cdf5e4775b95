package reports

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"rimeyard/faults"
)

// JobSheet is a job sheet to be printed: what is done in which order, and where to sign.
type JobSheet struct {
	Head  []string // lines below the title: which job, where, when, who
	Sheet faults.Sheet
	At    time.Time // when it was made
}

// Points: what keeps the cautions of a step with it and apart from the one before, and the room above a blank for a pen in a glove.
const betweenSteps, toWrite = 7, 5

// stepHeight is about how high the cautions and the words of a step are, in points.
func stepHeight(s faults.SheetStep) float64 {
	const lineChars, linePt, around = 85, 16, 6
	height := 0.0
	for _, text := range append([]string{s.Do}, s.Cautions...) {
		height += around + linePt*float64(1+utf8.RuneCountInString(text)/lineChars)
	}
	return height
}

// JobSheetPDF prints the sheet.
func JobSheetPDF(j JobSheet) ([]byte, error) {
	d := NewDocument(DocumentHead{Title: j.Sheet.Title, Subtitle: append([]string{j.Sheet.Unit}, j.Head...), At: j.At})
	d.Caution(j.Sheet.Cautions...)
	d.Heading("Have at hand")
	d.Checklist(j.Sheet.Have)
	d.Heading("Steps")
	for i, s := range j.Sheet.Steps {
		d.Space(betweenSteps)
		d.need(stepHeight(s)) // so that no caution stands on another page than its step
		for _, c := range s.Cautions {
			d.Paragraph("! " + c) // before what is done, as it is read
		}
		d.Lead(fmt.Sprintf("%d. %s", i+1, s.Do))
		for _, b := range s.Blanks {
			d.Space(toWrite)
			d.Paragraph("    " + strings.ReplaceAll(b, "____", "________"))
		}
		if s.Sign {
			d.Blanks([]string{"done by", "at"})
		}
	}
	d.Note(j.Sheet.Rules)
	return d.Bytes()
}
