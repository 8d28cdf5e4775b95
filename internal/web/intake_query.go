package web

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// keptQuery is what an address says of rows kept apart; a link keeps all of it.
type keptQuery struct {
	Depot  fleet.DepotID
	Kind   fleet.Kind
	File   string
	Column string
	Reason string
	Value  *string // nil: any
	With   string
	Is     string
	Page   int // from 1
}

// readKeptQuery parses the address, or a form, and holds the depot against the viewer's rights.
func readKeptQuery(c echo.Context, of url.Values) (keptQuery, error) {
	q := keptQuery{
		Depot: fleet.DepotID(of.Get("depot")), Kind: fleet.Kind(of.Get("kind")), File: of.Get("file"), Column: of.Get("column"),
		Reason: of.Get("reason"), With: strings.TrimSpace(of.Get("with")), Is: strings.TrimSpace(of.Get("is")), Page: 1,
	}
	if of.Has("value") {
		value := of.Get("value")
		q.Value = &value
	}
	if q.Depot != "" && !viewerOf(c).maySee(q.Depot) {
		return q, notFoundError{fmt.Errorf("there is no depot %q that you may see", q.Depot)}
	}
	if kinds := fleet.Kinds(); q.Kind != "" && !slices.Contains(kinds[:], q.Kind) {
		return q, badRequestError{fmt.Errorf("kind %q: want one of %s", q.Kind, strings.Trim(fmt.Sprint(kinds), "[]"))}
	}
	for name := range of {
		if !plainText(of.Get(name)) {
			return q, badRequestError{fmt.Errorf("%s: want text in UTF-8, of at most %d kB", printableName(name), maxFormBytes>>10)}
		}
	}
	if page := of.Get("page"); page != "" {
		n, err := strconv.Atoi(page)
		if err != nil || n < 1 || n > 1_000_000 {
			return q, badRequestError{fmt.Errorf("page %q: want a number from 1 on", page)}
		}
		q.Page = n
	}
	return q, nil
}

// plainText is what the database can compare with.
func plainText(s string) bool {
	return len(s) <= maxFormBytes && utf8.ValidString(s) && !strings.ContainsRune(s, 0)
}

func printableName(name string) string {
	const most = 40
	return strconv.Quote(name[:min(len(name), most)])
}

func (q keptQuery) filter(v viewer) fleet.KeptFilter {
	return fleet.KeptFilter{
		Of: v.depots(), Depot: q.Depot, Kind: q.Kind, File: q.File, Column: q.Column, Reason: q.Reason, Value: q.Value, With: q.With, Is: q.Is,
	}
}

func (q keptQuery) values() url.Values {
	values := url.Values{}
	for _, f := range []struct{ name, value string }{
		{"depot", string(q.Depot)},
		{"kind", string(q.Kind)},
		{"file", q.File},
		{"column", q.Column},
		{"reason", q.Reason},
		{"with", q.With},
		{"is", q.Is},
	} {
		if f.value != "" {
			values.Set(f.name, f.value)
		}
	}
	if q.Value != nil {
		values.Set("value", *q.Value)
	}
	if q.Page > 1 {
		values.Set("page", strconv.Itoa(q.Page))
	}
	return values
}

// href is the address of path with this query.
func (q keptQuery) href(path string) string {
	if values := q.values(); len(values) > 0 {
		return path + "?" + values.Encode()
	}
	return path
}

func (q keptQuery) narrowed() bool {
	q.Page = 1
	return len(q.values()) > 0
}

// rowKey is the key of the row in the path.
func rowKey(c echo.Context) (string, error) {
	key := c.Param("row")
	if !isRowKey(key) {
		return "", errNoSuchRow
	}
	return key, nil
}

// isRowKey tells whether it is what a row's key looks like: the hexadecimal SHA-256 of what the row is.
func isRowKey(key string) bool {
	const digits = 64
	return len(key) == digits && strings.Trim(key, "0123456789abcdef") == ""
}

var errNoSuchRow = notFoundError{errors.New("there is no such row in the depots that you may see; perhaps it was mended in its file, and brought again")}

func rowHref(key string) string { return "/intake/rows/" + key }
