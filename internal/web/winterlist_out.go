package web

import (
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// chunk is how many units are read at a time: a list of 50 000 units need not be in memory whole.
const chunk = 2000

// eachForecast goes through a list by chunks. An issue never changes, so that chunks neither overlap nor leave gaps.
func (s *Server) eachForecast(ctx context.Context, issue int64, filter fleet.ListFilter, do func([]fleet.Forecast) error) error {
	filter.Limit = chunk
	for filter.Offset = 0; ; filter.Offset += chunk {
		units, err := s.store.Forecasts(ctx, issue, filter)
		if err != nil {
			return err
		}
		if err := do(units); err != nil {
			return err
		}
		if len(units) < chunk {
			return nil
		}
	}
}

// winterListCSV gives the whole of what the page's filter lets through.
func (s *Server) winterListCSV(c echo.Context) error {
	q, err := readListQuery(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	issue, err := s.store.LatestIssue(ctx)
	if err != nil {
		return err
	}
	res := c.Response()
	out := csv.NewWriter(res)
	out.UseCRLF = true // RFC 4180
	started := false
	filter := q.filter(viewerOf(c))
	anew, err := s.store.AnewOf(ctx, issue.ID, filter.Depots)
	if err != nil {
		return err
	}
	err = s.eachForecast(ctx, issue.ID, filter, func(units []fleet.Forecast) error {
		if !started { // only now: an error before is still answered as one
			started = true
			startDownload(res, fmt.Sprintf("winter-list-%s.csv", issue.AsOf))
			if err := out.Write(reports.TableHeader()); err != nil {
				return err
			}
		}
		for _, f := range units {
			if err := out.Write(reports.TableRow(f, issue.AsOf, anew)); err != nil {
				return err
			}
		}
		out.Flush()
		return out.Error()
	})
	if err != nil {
		return fmt.Errorf("write the winter list as CSV: %w", err)
	}
	return nil
}

func startDownload(res *echo.Response, file string) {
	res.Header().Set(echo.HeaderContentType, "text/csv; charset=utf-8; header=present")
	res.Header().Set(echo.HeaderContentDisposition, fmt.Sprintf(`attachment; filename="%s"`, file))
	res.WriteHeader(http.StatusOK)
}

// apiWinterList gives the ranked list in the public JSON, of the depots that the asker may see.
func (s *Server) apiWinterList(c echo.Context) error {
	q, err := readListQuery(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	issue, err := s.store.LatestIssue(ctx)
	if err != nil {
		return err
	}
	season, err := json.Marshal(issue.Season)
	if err != nil {
		return fmt.Errorf("write the winter list: %w", err)
	}
	res := c.Response()
	separator := ""
	err = s.eachForecast(ctx, issue.ID, q.filter(viewerOf(c)), func(units []fleet.Forecast) error {
		if !res.Committed {
			res.Header().Set(echo.HeaderContentType, echo.MIMEApplicationJSON)
			res.WriteHeader(http.StatusOK)
			if _, err := fmt.Fprintf(res, `{"as_of":"%s","season":%s,"units":[`, issue.AsOf, season); err != nil {
				return err
			}
		}
		for _, f := range units {
			row, err := json.Marshal(f)
			if err != nil {
				return err
			}
			if _, err := fmt.Fprintf(res, "%s\n%s", separator, row); err != nil {
				return err
			}
			separator = ","
		}
		return nil
	})
	if err == nil {
		_, err = io.WriteString(res, "]}\n")
	}
	if err != nil {
		return fmt.Errorf("write the winter list: %w", err)
	}
	return nil
}

// winterListReport composes what the page's filter lets through, whole, for files to print and to reckon with.
func (s *Server) winterListReport(c echo.Context) (reports.WinterList, fleet.Issue, error) {
	q, err := readListQuery(c)
	if err != nil {
		return reports.WinterList{}, fleet.Issue{}, err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	issue, err := s.store.LatestIssue(ctx)
	if err != nil {
		return reports.WinterList{}, issue, err
	}
	depots, err := s.visibleDepots(ctx, v)
	if err != nil {
		return reports.WinterList{}, issue, err
	}
	data := reports.WinterListData{
		List: fleet.RankedList{AsOf: issue.AsOf, Season: issue.Season}, Depots: depots, Depot: q.Depot,
		PastMinimaC: map[fleet.DepotID][]float64{}, Today: fleet.DateOf(s.now(), time.UTC),
	}
	if q.Depot == "" && v.depots() != nil {
		data.Some = v.depots()
	}
	if data.List.Units, err = s.store.Forecasts(ctx, issue.ID, q.filter(v)); err != nil {
		return reports.WinterList{}, issue, err
	}
	if data.Anew, err = s.store.AnewOf(ctx, issue.ID, v.depots()); err != nil {
		return reports.WinterList{}, issue, err
	}
	for _, d := range depots {
		if data.PastMinimaC[d.ID], err = s.winterMinimaC(ctx, issue, d); err != nil {
			return reports.WinterList{}, issue, err
		}
	}
	list, err := reports.Compose(data, reports.DefaultTop)
	if errors.Is(err, reports.ErrNothingToTell) {
		err = notFoundError{errors.New("no unit fits this filter, so there is nothing to print")}
	}
	return list, issue, err
}

func (s *Server) winterListWorkbook(c echo.Context) error {
	list, issue, err := s.winterListReport(c)
	if err != nil {
		return err
	}
	book, err := list.Workbook()
	return sendFile(c, fmt.Sprintf("winter-list-%s.xlsx", issue.AsOf), "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet", book, err)
}

func (s *Server) winterListPDF(c echo.Context) error {
	list, issue, err := s.winterListReport(c)
	if err != nil {
		return err
	}
	pages, err := list.PDF()
	return sendFile(c, fmt.Sprintf("winter-list-%s.pdf", issue.AsOf), "application/pdf", pages, err)
}

// sendFile answers with a file to keep, or with the error that there was in making it.
func sendFile(c echo.Context, name, kind string, content []byte, err error) error {
	if err != nil {
		return fmt.Errorf("make %s: %w", name, err)
	}
	c.Response().Header().Set(echo.HeaderContentDisposition, fmt.Sprintf(`attachment; filename="%s"`, name))
	return c.Blob(http.StatusOK, kind, content)
}
