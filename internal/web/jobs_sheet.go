package web

import (
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// jobPaper is all that job-paper.tmpl prints.
type jobPaper struct {
	pageFrame
	Href  string
	PDF   string
	Head  []string
	Sheet faults.Sheet
	Notes string // address of the notes of the class; empty: the viewer may not change them
}

// causeOf is the cause whose sheet a job has.
func causeOf(j fleet.Job) faults.Cause {
	switch {
	case j.Part == fleet.BatteryPart && j.Work == fleet.WorkSwap:
		return faults.Worn
	case j.Part == fleet.BatteryPart:
		return faults.Flat
	case j.Part == fleet.StarterPart:
		return faults.StarterMotor
	case j.Part == fleet.CablePart && j.Work == fleet.WorkSwap:
		return faults.PositiveCable
	case j.Part == fleet.CablePart:
		return faults.Terminals
	case j.Part == fleet.ChargingPart:
		return faults.Charging
	}
	return faults.Unlisted
}

// jobPaperOf writes a job's sheet with what is on record of the unit, and the fleet's own notes for its class.
func (s *Server) jobPaperOf(c echo.Context) (reports.JobSheet, sheetOfJob, error) {
	at, err := s.jobAsked(c)
	if err != nil {
		return reports.JobSheet{}, at, err
	}
	ctx := c.Request().Context()
	facts, _, _, err := s.recordedFacts(ctx, at.job.Unit)
	if err != nil {
		return reports.JobSheet{}, at, err
	}
	notes, err := s.notesOf(ctx, at.job.Class)
	if err != nil {
		return reports.JobSheet{}, at, err
	}
	paper := reports.JobSheet{Sheet: faults.SheetFor(causeOf(at.job), facts, notes), At: s.now()}
	paper.Head = []string{fmt.Sprintf("Job %d, %s, %s", at.job.ID, depotName(at.depot), at.today)}
	if monday, planned := at.job.Monday.Get(); planned {
		paper.Head = append(paper.Head, "Planned for the week of "+reports.LongDay(monday))
	}
	for _, more := range []string{at.job.Who, numberWords(at.job), at.job.Because} {
		if more != "" {
			paper.Head = append(paper.Head, more)
		}
	}
	return paper, at, nil
}

func (s *Server) jobSheet(c echo.Context) error {
	paper, at, err := s.jobPaperOf(c)
	if err != nil {
		return err
	}
	page := jobPaper{pageFrame: s.frame(c, paper.Sheet.Title), Href: jobHref(at.job.ID), PDF: jobHref(at.job.ID) + "/sheet.pdf", Head: paper.Head, Sheet: paper.Sheet}
	if mayOpen(viewerOf(c).person.Role, "/faults/notes") {
		page.Notes = notesHref(at.job.Class)
	}
	return s.render(c, http.StatusOK, "job-paper.tmpl", page)
}

func (s *Server) jobSheetPDF(c echo.Context) error {
	paper, at, err := s.jobPaperOf(c)
	if err != nil {
		return err
	}
	pages, err := reports.JobSheetPDF(paper)
	return sendFile(c, fmt.Sprintf("job-%d.pdf", at.job.ID), "application/pdf", pages, err)
}
