package web

import (
	"errors"
	"fmt"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// pickingPage is all that plan-picking.tmpl prints.
type pickingPage struct {
	pageFrame
	Empty string
	Week  string
	Lists []reports.PickingList
	Back  string
	PDF   string
	CSV   string
}

// pickingAsked are the picking lists of the depots and the week in the address; without a week, the plan's first.
func (s *Server) pickingAsked(c echo.Context, patience time.Duration) ([]reports.PickingList, planQuery, error) {
	q, err := readPlanQuery(c)
	if err != nil {
		return nil, q, err
	}
	p, _, err := s.planAsked(c, viewerOf(c), q, patience)
	if err != nil {
		return nil, q, err
	}
	q.Week = fleet.Known(q.Week.Or(p.Plan.Monday))
	var lists []reports.PickingList
	for _, d := range p.Plan.Depots {
		l, err := p.Picking(d.Depot, q.Week.Or(0))
		if err != nil {
			return nil, q, err
		}
		lists = append(lists, l)
	}
	return lists, q, nil
}

func (s *Server) planPicking(c echo.Context) error {
	lists, q, err := s.pickingAsked(c, s.patience)
	page := pickingPage{pageFrame: s.frame(c, "Picking list"), Lists: lists, Back: q.href("/plan"), PDF: q.href("/plan/picking.pdf"), CSV: q.href("/plan/picking.csv")}
	switch {
	case errors.Is(err, fleet.ErrNoIssue):
		page.Empty = "There is no winter list yet, so nothing is planned."
	case err != nil:
		return err
	case len(lists) == 0:
		page.Empty = "No depot is yours to see. Ask an administrator to give you one."
	default:
		page.Week = lists[0].Week
	}
	return s.render(c, http.StatusOK, "plan-picking.tmpl", page)
}

func (s *Server) planPickingPDF(c echo.Context) error {
	lists, q, err := s.pickingAsked(c, allPatience)
	if err != nil {
		return err
	}
	if len(lists) == 0 {
		return notFoundError{errors.New("no depot is yours to see, so there is nothing to print")}
	}
	pages, err := reports.PickingPDF(lists)
	return sendFile(c, fmt.Sprintf("picking-%s.pdf", q.Week.Or(0)), "application/pdf", pages, err)
}

func (s *Server) planPickingCSV(c echo.Context) error {
	lists, q, err := s.pickingAsked(c, allPatience)
	if err != nil {
		return err
	}
	table, err := reports.PickingTable(lists)
	return sendFile(c, fmt.Sprintf("picking-%s.csv", q.Week.Or(0)), "text/csv; charset=utf-8; header=present", table, err)
}

func (s *Server) planWorkbook(c echo.Context) error {
	p, err := s.planOfQuery(c)
	if err != nil {
		return err
	}
	book, err := p.Workbook()
	return sendFile(c, fmt.Sprintf("plan-%s.xlsx", p.Plan.Monday), "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", book, err)
}

func (s *Server) planCSV(c echo.Context) error {
	p, err := s.planOfQuery(c)
	if err != nil {
		return err
	}
	table, err := p.Table()
	return sendFile(c, fmt.Sprintf("plan-%s.csv", p.Plan.Monday), "text/csv; charset=utf-8; header=present", table, err)
}

func (s *Server) planOfQuery(c echo.Context) (reports.Planned, error) {
	q, err := readPlanQuery(c)
	if err != nil {
		return reports.Planned{}, err
	}
	p, _, err := s.planAsked(c, viewerOf(c), q, allPatience)
	return p, err
}
