package web

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// rowsPerPage keeps a page well under 150 kB, whatever the fleet's size.
const rowsPerPage = 50

// listQuery is what the winter list's address says; a link keeps all of it.
type listQuery struct {
	Depot   fleet.DepotID
	Class   string
	Band    fleet.Band
	Suspect fleet.Part
	Search  string
	Order   fleet.ListOrder
	Page    int // from 1
}

// listOrders are the orders people may choose, with the words for them.
var listOrders = [...]struct {
	Order fleet.ListOrder
	Words string
}{
	{fleet.ByRank, "priority"},
	{fleet.ByChance, "chance of a failed start"},
	{fleet.ByColdLimit, "cold limit, warmest first"},
	{fleet.BySwapBy, "swap by, earliest first"},
	{fleet.ByLoss, "expected loss"},
	{fleet.ByUnit, "unit"},
}

// readListQuery parses the address and holds the depot against the viewer's rights.
func readListQuery(c echo.Context) (listQuery, error) {
	q := listQuery{
		Depot: fleet.DepotID(c.QueryParam("depot")), Class: c.QueryParam("class"), Band: fleet.Band(c.QueryParam("band")),
		Suspect: fleet.Part(c.QueryParam("suspect")), Search: strings.TrimSpace(c.QueryParam("q")),
		Order: fleet.ListOrder(c.QueryParam("sort")), Page: 1,
	}
	if q.Depot != "" && !viewerOf(c).maySee(q.Depot) {
		return q, notFoundError{fmt.Errorf("there is no depot %q that you may see", q.Depot)}
	}
	if q.Band != "" && reports.LookOf(q.Band).Band != q.Band {
		return q, badRequestError{fmt.Errorf("band %q: want down, swap, watch, sound or unknown", q.Band)}
	}
	if suspects := fleet.Suspects(); q.Suspect != "" && !slices.Contains(suspects[:], q.Suspect) {
		return q, badRequestError{fmt.Errorf("suspect %q: want battery, starter, cable, charging or control", q.Suspect)}
	}
	if q.Order == fleet.ByRank {
		q.Order = ""
	}
	if q.Order != "" && orderWords(q.Order) == "" {
		return q, badRequestError{fmt.Errorf("sort %q: want rank, chance, cold_limit, swap_by, loss or unit", q.Order)}
	}
	const mostRunes = 100
	if len([]rune(q.Search)) > mostRunes || strings.ContainsRune(q.Search, 0) {
		return q, badRequestError{errors.New("look for at most 100 characters of a unit's number")}
	}
	if len([]rune(q.Class)) > mostRunes || strings.ContainsRune(q.Class, 0) {
		return q, badRequestError{errors.New("class: want one of the fleet's classes, as the list offers them")}
	}
	if page := c.QueryParam("page"); page != "" {
		n, err := strconv.Atoi(page)
		if err != nil || n < 1 || n > 1_000_000 {
			return q, badRequestError{fmt.Errorf("page %q: want a number from 1 on", page)}
		}
		q.Page = n
	}
	return q, nil
}

func orderWords(order fleet.ListOrder) string {
	for _, o := range listOrders {
		if o.Order == order {
			return o.Words
		}
	}
	return ""
}

// filter narrows a list to what the address asks for and the viewer may see.
func (q listQuery) filter(v viewer) fleet.ListFilter {
	f := fleet.ListFilter{Depots: v.depots(), Class: q.Class, Band: q.Band, Suspect: q.Suspect, Search: q.Search, Order: q.Order}
	if q.Depot != "" {
		f.Depots = []fleet.DepotID{q.Depot}
	}
	return f
}

// href is the address of path with this query.
func (q listQuery) href(path string) string {
	values := url.Values{}
	set := func(key, value string) {
		if value != "" {
			values.Set(key, value)
		}
	}
	set("depot", string(q.Depot))
	set("class", q.Class)
	set("band", string(q.Band))
	set("suspect", string(q.Suspect))
	set("q", q.Search)
	set("sort", string(q.Order))
	if q.Page > 1 {
		set("page", strconv.Itoa(q.Page))
	}
	if len(values) == 0 {
		return path
	}
	return path + "?" + values.Encode()
}

func (q listQuery) narrowed() bool {
	return q.Depot != "" || q.Class != "" || q.Band != "" || q.Suspect != "" || q.Search != ""
}
