package web

import (
	"errors"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// How many rows one press mends, how many of them go in together, and how long a press may take.
const (
	alikePerPress = 2000
	alikeTogether = 250
	alikePatience = time.Minute
	alikeShown    = 5
	flawsShown    = 10
)

// alikePage mends many rows at once: which they are, what would come of it, and what came of it.
type alikePage struct {
	pageFrame
	Tabs    []choice
	Query   keptQuery
	Kind    string
	N       int64
	Sample  []keptRow
	Columns []choice // that can be set
	Withs   []choice // that the rows can be narrowed by
	Want    []fact   // what belongs into each column
	Set, To string
	Wrong   string
	Preview *alikeResult // nil: not asked for yet
	Done    *alikeResult // nil: nothing was taken yet
	Hidden  []fact       // of the form: which rows
	After   string       // the row after which the next press goes on; empty: all were gone through
	List    string       // address of the rows as a list
}

// alikeResult is what would become, or what became, of the rows.
type alikeResult struct {
	Rows, Taken, There, Gone, Flawed int64
	Flaws                            []keptRow // the first rows that wait on, with their new reasons
}

// readAlike is which rows are meant; they must be narrowed to one kind, for others have other columns.
func readAlike(c echo.Context, of url.Values) (keptQuery, error) {
	q, err := readKeptQuery(c, of)
	if err == nil && q.Kind == "" {
		err = badRequestError{errors.New("which rows? choose them from the groups of rows alike on the intake page")}
	}
	return q, err
}

func (s *Server) alikePage(c echo.Context) error {
	q, err := readAlike(c, c.QueryParams())
	if err != nil {
		return err
	}
	return s.showAlike(c, http.StatusOK, q, alikePage{Set: q.Column})
}

func (s *Server) showAlike(c echo.Context, status int, q keptQuery, page alikePage) error {
	ctx := c.Request().Context()
	filter := q.filter(viewerOf(c))
	var err error
	if page.N, err = s.store.CountKept(ctx, filter); err != nil {
		return err
	}
	filter.Limit = alikeShown
	sample, err := s.store.KeptApart(ctx, filter)
	if err != nil {
		return err
	}
	page.pageFrame, page.Tabs = s.frame(c, "Mend rows alike"), intakeTabs(c)
	page.Query, page.Kind, page.List = q, kindWords(q.Kind), q.href("/intake")
	for _, k := range sample {
		page.Sample = append(page.Sample, newKeptRow(k))
	}
	page.Withs = []choice{{"", "any", q.With == ""}}
	for column := range ingest.Columns(q.Kind) {
		page.Columns = append(page.Columns, choice{column.Name, column.Name, column.Name == page.Set})
		page.Withs = append(page.Withs, choice{column.Name, column.Name, column.Name == q.With})
		if column.Want != "" {
			page.Want = append(page.Want, fact{column.Name, column.Want})
		}
	}
	values := q.values()
	for _, name := range slices.Sorted(maps.Keys(values)) {
		page.Hidden = append(page.Hidden, fact{name, values.Get(name)})
	}
	return s.render(c, status, "intake_alike.tmpl", page)
}

// mendAlike sets one column of many rows, first to see what would come of it, then for good.
func (s *Server) mendAlike(c echo.Context) error {
	if err := readForm(c); err != nil {
		return err
	}
	form := c.Request().PostForm
	q, err := readAlike(c, form)
	if err != nil {
		return err
	}
	q.Page = 1
	page := alikePage{Set: form.Get("set"), To: form.Get("to")}
	if !knownColumn(q.Kind, page.Set) {
		page.Wrong = "Choose the column that is to be set."
		return s.showAlike(c, http.StatusUnprocessableEntity, q, page)
	}
	after := form.Get("after")
	if after != "" && !isRowKey(after) {
		return badRequestError{errors.New("the row to go on after is none: begin again from the intake page")}
	}
	take := form.Get("step") == "take"
	result, last, err := s.mendRows(c, q, page, after, !take)
	if err != nil {
		return err
	}
	if take {
		page.Done, page.After = &result, last
	} else {
		page.Preview, page.After = &result, after
	}
	return s.showAlike(c, http.StatusOK, q, page)
}

// mendRows goes through the rows after one of them in the order of their keys. It stops at the end, then last is empty, or when
// there were enough for one press.
func (s *Server) mendRows(c echo.Context, q keptQuery, page alikePage, after string, dryRun bool) (result alikeResult, last string, err error) {
	ctx, v, began := c.Request().Context(), viewerOf(c), s.now()
	filter := q.filter(v)
	filter.ByKey, filter.Limit, filter.After = true, alikeTogether, after
	for result.Rows < alikePerPress && s.now().Sub(began) < alikePatience {
		rows, err := s.store.KeptApart(ctx, filter)
		if err != nil {
			return result, "", err
		}
		if len(rows) == 0 {
			return result, "", nil
		}
		mends := make([]fleet.Mend, len(rows))
		for i, row := range rows {
			values := asItCame(row)
			values[ingest.ColumnName(page.Set)] = page.To
			mends[i] = mendOf(row, values)
		}
		done, err := s.mend(ctx, mends, ingest.MendOptions{Person: v.person.Name, Now: s.now(), Depots: v.depots(), DryRun: dryRun})
		if err != nil {
			return result, "", err
		}
		result.add(rows, done)
		filter.After = rows[len(rows)-1].Key
		if len(rows) < alikeTogether {
			return result, "", nil
		}
	}
	return result, filter.After, nil
}

func (r *alikeResult) add(rows []fleet.KeptRow, done ingest.Mending) {
	r.Rows += int64(len(rows))
	r.Taken += done.Taken
	r.There += done.AlreadyThere
	for i, out := range done.Outcomes {
		switch out.State {
		case ingest.MendGone:
			r.Gone++
		case ingest.MendFlawed:
			r.Flawed++
			if len(r.Flaws) < flawsShown {
				row := newKeptRow(rows[i])
				row.Column, row.Value, row.Reason = out.Column, out.Value, out.Reason
				r.Flaws = append(r.Flaws, row)
			}
		}
	}
}

// Words says it in one sentence: would be taken, or were.
func (r alikeResult) Words(would bool) string {
	s := fmt.Sprintf("Of %s, %d would be taken", rowsCount(r.Rows), r.Taken)
	if !would {
		s = fmt.Sprintf("Of %s, %d %s taken", rowsCount(r.Rows), r.Taken, byCount(r.Taken, "was", "were"))
	}
	if r.There > 0 {
		s += fmt.Sprintf(", %d %s there already", r.There, byCount(r.There, "is", "are"))
	}
	if r.Gone > 0 {
		s += fmt.Sprintf(", %d waited no more", r.Gone)
	}
	if r.Flawed > 0 {
		s += fmt.Sprintf(", %d %s on for the reasons below", r.Flawed, byCount(r.Flawed, "waits", "wait"))
	}
	return s + "."
}

func byCount(n int64, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

func rowsCount(n int64) string {
	return fmt.Sprintf("%d %s", n, byCount(n, "row", "rows"))
}
