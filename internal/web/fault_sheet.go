package web

import (
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
)

// sheetView is all that fault_sheet.tmpl prints: a job sheet to work by.
type sheetView struct {
	pageFrame
	Sheet faults.Sheet
	Head  []string // the finding, and who found it when
	Href  string   // of the search
	PDF   string
	Notes string // address of the class's notes; empty: the viewer may not change them
}

// sheetOf is the job sheet of the search in the path; found is false where it has no finding yet.
func (s *Server) sheetOf(c echo.Context) (f search, page sheetView, found bool, err error) {
	if f, err = s.askedSearch(c); err != nil {
		return f, page, false, err
	}
	kept, err := findingOf(f.kept)
	if err != nil || kept == nil || kept.Kind.Stopped() != "" {
		return f, page, false, err
	}
	zone, err := s.zoneOf(c, f)
	if err != nil {
		return f, page, false, err
	}
	page.Sheet = kept.Sheet
	if f.kept.Open() { // the newest notes are meant
		cause := kept.Cause
		if kept.Kind == faults.Refer {
			cause = faults.Unlisted
		}
		page.Sheet = faults.SheetFor(cause, f.session.Facts, f.session.Notes)
	}
	page.Head = []string{fmt.Sprintf("Found %s by %s", when(f.kept.ChangedAt, zone), f.kept.ChangedBy), kept.Says}
	page.Href = faultHref(f.kept.ID)
	page.PDF = page.Href + "/sheet.pdf"
	return f, page, true, nil
}

// faultSheet shows the job sheet of a finding; without one, what is to be done to find it.
func (s *Server) faultSheet(c echo.Context) error {
	f, page, found, err := s.sheetOf(c)
	if err != nil {
		return err
	}
	if !found {
		return c.Redirect(http.StatusSeeOther, faultHref(f.kept.ID))
	}
	page.pageFrame = s.frame(c, page.Sheet.Title)
	if f.session.Facts.Class != "" && mayOpen(viewerOf(c).person.Role, "/faults/notes") {
		page.Notes = notesHref(f.session.Facts.Class)
	}
	return s.render(c, http.StatusOK, "fault_sheet.tmpl", page)
}
