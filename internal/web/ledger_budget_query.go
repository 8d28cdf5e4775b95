package web

import (
	"errors"
	"fmt"
	"net/url"
	"strconv"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// budgetQuery is what the address says of a budget.
type budgetQuery struct {
	Depot   fleet.DepotID
	Season  bool
	WhatIf  reports.WhatIf
	Centre  fleet.Opt[string] // whose months are drawn; unknown: all
	Against int64             // version that is held against what came; 0: none
}

func (q budgetQuery) href(path string) string {
	values := url.Values{}
	set := func(name, value string, is bool) {
		if is {
			values.Set(name, value)
		}
	}
	set("depot", string(q.Depot), q.Depot != "")
	set("to", "season", q.Season)
	set("if", "cold", q.WhatIf.Cold)
	set("if", "more", q.WhatIf.More > 0)
	set("more", strconv.Itoa(q.WhatIf.More), q.WhatIf.More > 0)
	set("if", "wait", q.WhatIf.Wait)
	set("if", "part", q.WhatIf.Buy != "")
	set("buy", q.WhatIf.Buy, q.WhatIf.Buy != "")
	set("in_place_of", q.WhatIf.InPlaceOf, q.WhatIf.Buy != "")
	if centre, one := q.Centre.Get(); one {
		set("centre", centre, centre != "")
		set("centre", noCentre, centre == "")
	}
	set("against", strconv.FormatInt(q.Against, 10), q.Against != 0)
	if len(values) == 0 {
		return path
	}
	return path + "?" + values.Encode()
}

func readBudgetQuery(c echo.Context) (q budgetQuery, err error) {
	q = budgetQuery{Depot: fleet.DepotID(c.QueryParam("depot")), Season: c.QueryParam("to") == "season"}
	switch what := c.QueryParam("if"); what {
	case "":
	case "cold":
		q.WhatIf.Cold = true
	case "wait":
		q.WhatIf.Wait = true
	case "more":
		const most = 500
		if q.WhatIf.More, err = strconv.Atoi(c.QueryParam("more")); err != nil || q.WhatIf.More < 1 || q.WhatIf.More > most {
			return q, badRequestError{fmt.Errorf("more %q: want how many visits a week more, 1 to %d", c.QueryParam("more"), most)}
		}
	case "part":
		q.WhatIf.Buy, q.WhatIf.InPlaceOf = c.QueryParam("buy"), c.QueryParam("in_place_of")
		if q.WhatIf.Buy == "" || q.WhatIf.InPlaceOf == "" {
			return q, badRequestError{errors.New("say which part is bought, and in the place of which")}
		}
		if q.WhatIf.Buy == q.WhatIf.InPlaceOf {
			return q, badRequestError{fmt.Errorf("part %s in its own place changes nothing: choose another", q.WhatIf.Buy)}
		}
	default:
		return q, badRequestError{fmt.Errorf("if %q: want cold, more, wait or part", what)}
	}
	switch centre := c.QueryParam("centre"); centre {
	case "":
	case noCentre:
		q.Centre = fleet.Known("")
	default:
		q.Centre = fleet.Known(centre)
	}
	if typed := c.QueryParam("against"); typed != "" {
		if q.Against, err = strconv.ParseInt(typed, 10, 64); err != nil {
			return q, badRequestError{fmt.Errorf("against %q: want the number of a budget", typed)}
		}
	}
	return q, nil
}
