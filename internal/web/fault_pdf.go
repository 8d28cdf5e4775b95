package web

import (
	"fmt"
	"net/http"

	"github.com/labstack/echo/v4"

	"rimeyard/reports"
)

// faultSheetPDF is the job sheet of a finding to be printed.
func (s *Server) faultSheetPDF(c echo.Context) error {
	f, page, found, err := s.sheetOf(c)
	if err != nil {
		return err
	}
	if !found {
		return c.Redirect(http.StatusSeeOther, faultHref(f.kept.ID))
	}
	pages, err := reports.JobSheetPDF(reports.JobSheet{Head: page.Head, Sheet: page.Sheet, At: s.now()})
	return sendFile(c, fmt.Sprintf("job-sheet-%d.pdf", f.kept.ID), "application/pdf", pages, err)
}
