package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// auditPage is all that audit.tmpl prints.
type auditPage struct {
	pageFrame
	Empty   string // why there is no audit, and what to do; then the rest is not shown
	Place   string
	KnownTo string
	Season  reports.AuditSeason
	Depots  []choice // whose audit may be shown; Value is the address
	Seasons []choice // likewise
	Bands   *auditPicture
	Orders  *auditPicture
	CSV     string
}

// auditPicture is a drawing and its address; nil where there is nothing to draw.
type auditPicture struct {
	Title, Src, Narrow, Alt, Figures string
	Width, Height                    int
}

// auditQuery is what the address of the audit says.
type auditQuery struct {
	Depot fleet.DepotID // empty: the whole fleet
	From  string        // the season's first day; empty: the newest season
}

func (q auditQuery) href(path string) string {
	values := url.Values{}
	if q.Depot != "" {
		values.Set("depot", string(q.Depot))
	}
	if q.From != "" {
		values.Set("season", q.From)
	}
	if len(values) == 0 {
		return path
	}
	return path + "?" + values.Encode()
}

// readAuditQuery parses the address and holds the depot against the viewer's rights. Whoever may not see the whole fleet gets the
// first of their depots where none is asked for.
func readAuditQuery(c echo.Context, depots []fleet.Depot) (auditQuery, error) {
	q := auditQuery{Depot: fleet.DepotID(c.QueryParam("depot")), From: c.QueryParam("season")}
	if q.Depot != "" && !slices.ContainsFunc(depots, func(d fleet.Depot) bool { return d.ID == q.Depot }) {
		return q, notFoundError{fmt.Errorf("there is no depot %q that you may see", q.Depot)}
	}
	if q.Depot == "" && viewerOf(c).depots() != nil && len(depots) > 0 {
		q.Depot = depots[0].ID
	}
	if q.From != "" {
		if _, err := fleet.ParseDate(q.From); err != nil {
			return q, badRequestError{fmt.Errorf("season: %w: want its first day", err)}
		}
	}
	return q, nil
}

// auditShown is the audit that the address asks for.
type auditShown struct {
	query  auditQuery
	depots []fleet.Depot // that the viewer may see
	whole  bool          // they are all there are
	data   reports.AuditData
	at     int // the season asked for among data's
}

func (a auditShown) season() alerts.AuditResult { return a.data.Seasons[a.at] }

// auditOf reads the kept audit. reports.ErrNoAudit: there is none of the place asked for, though there may be of others.
func (s *Server) auditOf(c echo.Context) (auditShown, error) {
	ctx := c.Request().Context()
	depots, err := s.visibleDepots(ctx, viewerOf(c))
	if err != nil {
		return auditShown{}, err
	}
	a := auditShown{depots: depots, whole: viewerOf(c).depots() == nil}
	if a.query, err = readAuditQuery(c, depots); err != nil {
		return a, err
	}
	if len(depots) == 0 {
		return a, reports.ErrNoAudit
	}
	a.data, err = s.readAudit(ctx, a.query.Depot, fleet.DateOf(s.now(), depots[0].Zone()))
	if err != nil {
		return a, err
	}
	a.data.Depots = depots
	if a.query.From == "" {
		return a, nil
	}
	a.at = slices.IndexFunc(a.data.Seasons, func(r alerts.AuditResult) bool { return r.Season.From.String() == a.query.From })
	if a.at < 0 {
		return a, notFoundError{fmt.Errorf("no season that began on %s has been audited", a.query.From)}
	}
	return a, nil
}

func (s *Server) readAudit(ctx context.Context, depot fleet.DepotID, today fleet.Date) (reports.AuditData, error) {
	kept, err := s.store.Audits(ctx, depot)
	if err != nil {
		return reports.AuditData{}, err
	}
	if len(kept) == 0 {
		return reports.AuditData{}, reports.ErrNoAudit
	}
	return reports.AuditOf(kept, depot, today)
}

func (s *Server) audit(c echo.Context) error {
	page := auditPage{pageFrame: s.frame(c, "Audit")}
	a, err := s.auditOf(c)
	switch {
	case errors.Is(err, reports.ErrNoAudit):
		page.Empty = noAuditWords(a)
		page.offer(a)
		return s.render(c, http.StatusOK, "audit.tmpl", page)
	case err != nil:
		return err
	}
	report, err := reports.ComposeAudit(a.data)
	if err != nil {
		return err
	}
	page.Place, page.KnownTo = report.Place, report.KnownTo
	page.Season = reports.SeasonOfAudit(a.season(), a.data.Today)
	page.CSV = auditQuery{Depot: a.query.Depot}.href("/audit.csv")
	page.offer(a)
	if page.Bands, err = a.picture(reports.AuditBands, "/audit/bands.svg"); err != nil {
		return err
	}
	if page.Orders, err = a.picture(reports.AuditOrders, "/audit/orders.svg"); err != nil {
		return err
	}
	return s.render(c, http.StatusOK, "audit.tmpl", page)
}

func noAuditWords(a auditShown) string {
	if len(a.depots) == 0 {
		return "No depot is yours to see. Ask an administrator to give you one."
	}
	return "There is no audit yet. It is made once a day, as soon as a season is over for which three months of readings lead up; “rimeyard audit --keep” makes one at once."
}

// offer lists the other places and seasons.
func (p *auditPage) offer(a auditShown) {
	if a.whole && len(a.depots) > 1 {
		p.Depots = append(p.Depots, choice{"/audit", "the whole fleet", a.query.Depot == ""})
	}
	if len(a.depots) > 1 {
		for _, d := range a.depots {
			p.Depots = append(p.Depots, choice{auditQuery{Depot: d.ID}.href("/audit"), string(d.ID), a.query.Depot == d.ID})
		}
	}
	for i, r := range a.data.Seasons {
		to := auditQuery{Depot: a.query.Depot, From: r.Season.From.String()}
		p.Seasons = append(p.Seasons, choice{to.href("/audit"), reports.SeasonTitle(r.Season), i == a.at})
	}
}

// picture draws once to know the size and what to say of it.
func (a auditShown) picture(draw auditDrawing, path string) (*auditPicture, error) {
	p, err := draw("audit", a.season(), reports.PageWidth)
	if errors.Is(err, reports.ErrNothingToDraw) {
		return nil, nil // the tables say what there is
	}
	if err != nil {
		return nil, err
	}
	figures, err := figuresOf(p)
	src := a.query.href(path)
	return &auditPicture{p.Title, src, asNarrow(src), p.Description, figures, p.Width, p.Height}, err
}

type auditDrawing func(name string, r alerts.AuditResult, width int) (reports.Picture, error)

// auditChart answers with one of the audit's pictures.
func (s *Server) auditChart(name string, draw auditDrawing) echo.HandlerFunc {
	return func(c echo.Context) error {
		a, err := s.auditOf(c)
		if errors.Is(err, reports.ErrNoAudit) {
			return notFoundError{reports.ErrNoAudit}
		}
		if err != nil {
			return err
		}
		picture, err := draw(name, a.season(), pictureWidth(c))
		if err != nil {
			return notFoundError{fmt.Errorf("of the %s there is nothing to draw", reports.SeasonTitle(a.season().Season))}
		}
		return sendPicture(c, picture, nil)
	}
}

// auditCSV lists all figures of all seasons, for a spreadsheet.
func (s *Server) auditCSV(c echo.Context) error {
	a, err := s.auditOf(c)
	if errors.Is(err, reports.ErrNoAudit) {
		return notFoundError{reports.ErrNoAudit}
	}
	if err != nil {
		return err
	}
	report, err := reports.ComposeAudit(a.data)
	if err != nil {
		return err
	}
	table, err := report.Table()
	if err != nil {
		return err
	}
	startDownload(c.Response(), "audit.csv")
	_, err = c.Response().Write(table)
	return err
}
