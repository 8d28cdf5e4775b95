package web

import (
	"encoding/csv"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/labstack/echo/v4"
	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

func TestWinterListShowsWhatIsKnown(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	doc := w.as("mara").get("/winter-list").page()
	require.Equal(t, "1 down, 1 to swap before the frost", text(all(doc, "h1", "", "")[0]))
	require.Equal(t, []string{"N-1", "S-1", string(hostileUnit), "N-2", "S-2"}, listedUnits(doc))

	rows := all(all(doc, "table", "class", "list")[0], "tbody", "", "")
	require.Equal(t, "1 N-1 NOR medium <i> ▲ swap about even, 50 % −6.0 °C −9.0 to −3.5 °C rising 0.4° a month starter, 50 % 6 Dec 514.20 312.00 "+
		"cranks 0.4 V lower than a year ago <b>at 0 °C</b>", strings.ReplaceAll(text(rows[0]), "\u00a0", " "))
	require.Contains(t, text(rows[4]), "○ unknown not known not known", "unknown is not zero")

	tiles := all(doc, "a", "class", "tile tile-swap")
	require.Equal(t, "1 ▲ swap change the suspect part before the frost", text(tiles[0]))
	ladder := all(doc, "section", "class", "ladder")[0]
	img := all(ladder, "img", "", "")[0]
	alt, _ := attribute(img, "alt")
	require.Contains(t, alt, "Cold limit above tonight's low of −12.0\u00a0°C: 3 of 3 units")
	var rungs []string
	for _, th := range all(ladder, "th", "scope", "row") {
		rungs = append(rungs, text(th))
	}
	require.Equal(t, []string{"N-1", string(hostileUnit), "N-2"}, rungs, "the same in figures, warmest first")
}

func TestWinterListFilters(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	for _, tc := range []struct {
		query string
		want  []string
	}{
		{"depot=SUD", []string{"S-1", "S-2"}},
		{"band=swap", []string{"N-1"}},
		{"class=medium+%3Ci%3E&q=1", []string{"N-1", "S-1"}},
		{"class=nothing", nil},
		{"suspect=battery", []string{"S-2"}},
		{"q=s-", []string{"S-1", "S-2"}},
		{"q=%3Cscript", []string{string(hostileUnit)}},
		{"sort=unit&depot=NOR", []string{string(hostileUnit), "N-1", "N-2"}},
		{"sort=cold_limit", []string{"N-1", "S-1", string(hostileUnit), "N-2", "S-2"}},
		{"depot=NOR&band=down", nil},
		{"page=2", nil},
	} {
		res := b.get("/winter-list?" + tc.query)
		require.Equal(t, http.StatusOK, res.status, tc.query)
		doc := res.page()
		require.Equal(t, tc.want, listedUnits(doc), tc.query)
		if tc.want == nil {
			require.NotEmpty(t, all(doc, "p", "class", "notice"), "an empty list says what to do")
			continue
		}
		values, err := url.ParseQuery(tc.query)
		require.NoError(t, err)
		href, _ := attribute(all(doc, "a", "download", "")[0], "href")
		link, err := url.Parse(href)
		require.NoError(t, err)
		require.Equal(t, values, link.Query(), "the download keeps the filter")
		for name := range values {
			if name == "q" {
				continue
			}
			field := all(doc, "select", "name", name)[0]
			chosen, _ := attribute(all(field, "option", "selected", "")[0], "value")
			require.Equal(t, values.Get(name), chosen, "the form keeps the filter")
		}
	}
	for _, query := range []string{"band=tea", "suspect=tea", "sort=tea", "page=0", "page=x", "q=" + strings.Repeat("x", 101), "q=%00"} {
		require.Equal(t, http.StatusBadRequest, b.get("/winter-list?"+query).status, query)
	}
}

func TestPagesOfTheListTurn(t *testing.T) {
	w := newWorld(t)
	w.addBigFleet(rowsPerPage*2 + 1)
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	seen := map[string]bool{}
	for path, pages := "/winter-list?sort=loss", 1; ; pages++ {
		doc := b.get(path).page()
		for _, u := range listedUnits(doc) {
			require.False(t, seen[u], "%s comes twice", u)
			seen[u] = true
		}
		later := all(doc, "a", "rel", "next")
		if len(later) == 0 {
			require.Equal(t, 3, pages)
			break
		}
		path, _ = attribute(later[0], "href")
	}
	require.Len(t, seen, rowsPerPage*2+1)
}

// Each row's rung says in words what it draws; where no limit is known there is none.
func TestEveryRowHasItsRung(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	rungs := all(w.as("mara").get("/winter-list").page(), "svg", "role", "img")
	require.Len(t, rungs, 4, "five units, one of unknown limit")
	said, _ := attribute(rungs[0], "aria-label")
	require.Regexp(t, `^cold limit −6\.0.°C; the coldest nights of \d past winters lay between −\d+\.\d.°C and −\d+\.\d.°C$`, said)
}

func TestTheListAsFiles(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	b := w.as("nils")
	for path, head := range map[string]string{"/winter-list.pdf": "%PDF-", "/winter-list.xlsx": "PK"} {
		res := b.get(path)
		require.Equal(t, http.StatusOK, res.status, res.body)
		require.True(t, strings.HasPrefix(res.body, head))
		require.Equal(t, http.StatusNotFound, b.get(path+"?depot=SUD").status)
		require.Equal(t, http.StatusNotFound, b.get(path+"?q=none-such").status)
	}
	book, err := excelize.OpenReader(strings.NewReader(b.get("/winter-list.xlsx").body))
	require.NoError(t, err)
	units, err := book.GetCols("Winter list")
	require.NoError(t, err)
	require.NotContains(t, fmt.Sprint(units), "S-1", "of another depot")
	require.Contains(t, fmt.Sprint(units), "N-1")
}

// addBigFleet brings n units of one depot with long evidence.
func (w *world) addBigFleet(n int) {
	w.t.Helper()
	_, err := w.db.Pool().Exec(w.t.Context(), `INSERT INTO depot (depot, name, timezone) VALUES ('NOR', 'North', 'UTC')`)
	require.NoError(w.t, err)
	_, err = w.db.Pool().Exec(w.t.Context(), `INSERT INTO unit (unit, depot, class, fuel, system_volts, batteries)
		SELECT 'UNIT-' || lpad(i::text, 8, '0'), 'NOR', 'heavy', 'diesel', 24, 4 FROM generate_series(1, $1) i`, n)
	require.NoError(w.t, err)
	_, err = w.db.Pool().Exec(w.t.Context(), `WITH i AS (INSERT INTO issue (as_of, season_from, season_to, method)
			VALUES ('2026-11-24', '2026-10-01', '2027-03-31', 'test') RETURNING issue)
		INSERT INTO forecast SELECT i.issue, unit, '2026-11-24', 'NOR', row_number() OVER (ORDER BY unit), 'watch', 0.4, -10, -13, -8, 'battery',
			0.6, 0.1, 0.1, 0.1, 0.1, 50000, 20000, '2026-12-01', array[repeat('evidence ', 20), 'more'] FROM unit, i`)
	require.NoError(w.t, err)
}

func TestAPageOfFiftyThousandUnitsIsSmall(t *testing.T) {
	w := newWorld(t)
	w.addBigFleet(50_000)
	w.addPerson("mara", fleet.Manager)
	res := w.as("mara").get("/winter-list?page=700", "Accept-Encoding", "identity")
	require.Equal(t, http.StatusOK, res.status)
	require.Len(t, listedUnits(res.page()), rowsPerPage)
	require.Less(t, len(res.body), 150_000)
	t.Logf("%d bytes", len(res.body))
}

func TestTheListAsCSV(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	res := w.as("mara").get("/winter-list.csv?sort=unit")
	require.Equal(t, `attachment; filename="winter-list-2026-11-24.csv"`, res.header.Get("Content-Disposition"))
	rows, err := csv.NewReader(strings.NewReader(res.body)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, reports.TableHeader(), rows[0])
	require.Len(t, rows, 6)
	require.Equal(t, []string{"1", "N-1", "NOR", "swap", "0.5", "-6", "-9", "-3.5", "starter", "0.5", "514.20", "312.00", "2026-12-06"}, rows[2][:13])
	require.Equal(t, []string{"5", "S-2", "SUD", "unknown", "", "", "", "", "battery", "1", "", "", "", "", "2026-11-24", "", "", "", "", ""}, rows[5])
}

func TestUnitPage(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	doc := w.as("mara").get("/units/N-1").page()
	require.Equal(t, "Unit N-1", text(all(doc, "h1", "", "")[0]))
	words := strings.ReplaceAll(text(doc), "\u00a0", " ")
	for _, want := range []string{
		"North & Sons <yard> (NOR)", "medium <i>", "▲ swap", "Place on the list 1 of 5", "−6.0 °C (−9.0 to −3.5 °C in four cases of five)",
		"cranks 0.4 V lower than a year ago <b>at 0 °C</b>", "starter 50 %", "The last twelve months:", "V at 0 °C",
		"2026-11-20 18:30 1 12.41 V 602 A SAE – 4.0 °C <em>jo</em> a & b", // 23:30 UTC on the clock of Toronto
		"B-1 P-70 850 A SAE, AGM 2024-03-03 still fitted", "B-0 P-70 850 A SAE, AGM 2022-02-01 2024-03-03, failed", "ST-9 Q-2 not known still fitted",
		"2024-03-02 07:00 battery 310.50 4.0 h", "America/Toronto",
	} {
		require.Contains(t, words, want)
	}
	require.Len(t, all(all(doc, "section", "aria-labelledby", "cranks-title")[0], "tr", "", ""), 61, "as many cranks as drawn, and the header")

	empty := strings.ReplaceAll(text(w.as("mara").get("/units/S-2").page()), "\u00a0", " ")
	for _, want := range []string{"No crank of this unit", "No battery test of this unit", "No battery is recorded", "too little data to judge"} {
		require.Contains(t, empty, want)
	}
}

func TestEmptyStatesSayWhatToDo(t *testing.T) {
	w := newWorld(t)
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	require.Contains(t, text(b.get("/winter-list").page()), "rimeyard import")
	require.Contains(t, text(b.get("/intake").page()), "Nothing has come in yet")
	require.Equal(t, "/winter-list", b.get("/").header.Get("Location"))
}

// Whatever people call their units stays text, in pages and in pictures, and its own page can be opened.
func TestUserTextsStayText(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	paths := []string{"/winter-list", "/winter-list?q=%22%3E%3Cscript%3E", "/intake", unitHref(hostileUnit), "/units/N-1", "/units/%3Cscript%3E", "/sign-in?next=/%22%3E%3Cscript%3E"}
	for _, path := range paths {
		who := b
		if strings.HasPrefix(path, "/sign-in") {
			who = w.browser()
		}
		root := who.get(path).page()
		for _, script := range all(root, "script", "", "") {
			src, _ := attribute(script, "src")
			require.True(t, strings.HasPrefix(src, "/static/"), "%s runs %q, which is not ours", path, src)
			require.Empty(t, text(script), path)
		}
		require.Empty(t, all(root, "style", "", ""), path)
		for _, tag := range []string{"i", "em"} { // in what was brought, and in no template
			require.Empty(t, all(root, tag, "", ""), path)
		}
		for d := range root.Descendants() {
			for _, a := range d.Attr {
				require.NotEqual(t, "style", a.Key, path)
				require.False(t, strings.HasPrefix(a.Key, "on"), "%s has %s", path, a.Key)
			}
		}
	}
	list := b.get("/winter-list").page()
	var href string
	for _, a := range all(list, "a", "href", "") {
		if text(a) == string(hostileUnit) {
			href, _ = attribute(a, "href")
		}
	}
	own := b.get(href)
	require.Equal(t, http.StatusOK, own.status)
	require.Equal(t, "Unit "+string(hostileUnit), text(all(own.page(), "h1", "", "")[0]))

	for _, path := range []string{"/winter-list/cold-ladder.svg?depot=NOR", "/units/N-1/crank-volts.svg"} {
		res := b.get(path)
		require.Equal(t, http.StatusOK, res.status)
		require.Equal(t, "image/svg+xml", res.header.Get("Content-Type"))
		require.Equal(t, picturePolicy, res.header.Get("Content-Security-Policy"))
		for dec := xml.NewDecoder(strings.NewReader(res.body)); ; {
			token, err := dec.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			require.NoError(t, err, path)
			if start, ok := token.(xml.StartElement); ok {
				require.Contains(t, []string{"svg", "title", "desc", "style", "path", "text", "circle", "g", "rect", "line"}, start.Name.Local, path)
			}
		}
	}
}

func TestHeadersOfEveryAnswer(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	for _, path := range []string{"/winter-list", "/units/N-1", "/units/none", "/nowhere", "/sign-in", "/healthz", "/api/v1/winter-list", w.srv.assets.urls["rime.css"]} {
		res := b.get(path)
		require.Equal(t, "nosniff", res.header.Get("X-Content-Type-Options"), path)
		require.Equal(t, "same-origin", res.header.Get("Referrer-Policy"), path)
		require.Equal(t, pagePolicy, res.header.Get("Content-Security-Policy"), path)
		require.Len(t, res.header.Get("X-Request-Id"), 16, path)
		require.Empty(t, res.header.Get("Access-Control-Allow-Origin"), path)
	}
	require.Contains(t, b.get("/winter-list").header.Get("Cache-Control"), "no-store")
	css := b.get(w.srv.assets.urls["rime.css"])
	require.Equal(t, "public, max-age=31536000, immutable", css.header.Get("Cache-Control"))
	require.True(t, strings.HasPrefix(css.header.Get("Content-Type"), "text/css"))
	require.Contains(t, css.body, "--rime-swap-fill", "the palette of the pictures stands in the stylesheet")
	require.Equal(t, http.StatusNotFound, b.get("/static/rime.css").status)
}

func TestErrorsForPeopleAndPrograms(t *testing.T) {
	w := newWorld(t)
	w.addPerson("mara", fleet.Manager)
	rights["GET /boom"] = rule{open: true}
	rights["GET /leak"] = rule{open: true}
	t.Cleanup(func() { delete(rights, "GET /boom"); delete(rights, "GET /leak") })
	w.srv.echo.GET("/boom", func(echo.Context) error { panic("the secret of the panic") })
	w.srv.echo.GET("/leak", func(echo.Context) error { return errors.New("password=hunter2") })
	b := w.as("mara")
	for _, path := range []string{"/boom", "/leak"} {
		page := b.get(path)
		require.Equal(t, http.StatusInternalServerError, page.status)
		require.Contains(t, text(page.page()), page.header.Get("X-Request-Id"))
		problem := b.get(path, "Accept", "application/json")
		require.Equal(t, "application/problem+json", problem.header.Get("Content-Type"))
		for _, res := range []reply{page, problem} {
			require.NotContains(t, res.body, "secret")
			require.NotContains(t, res.body, "hunter2")
		}
		require.Contains(t, w.log.String(), page.header.Get("X-Request-Id"))
	}
	require.Contains(t, w.log.String(), "the secret of the panic", "but the log has it")
	require.Equal(t, http.StatusNotFound, b.get("/nowhere").status)
	require.Equal(t, http.StatusMethodNotAllowed, b.do(http.MethodDelete, "/winter-list", "").status)
	require.Equal(t, http.StatusOK, b.get("/winter-list").status, "and the server lives")
}

func TestHealth(t *testing.T) {
	w := newWorld(t)
	for _, path := range []string{"/healthz", "/readyz"} {
		require.Equal(t, http.StatusOK, w.browser().get(path).status)
		require.Equal(t, http.StatusOK, w.browser().do(http.MethodHead, path, "").status)
	}
	w.srv.draining.Store(true)
	require.Equal(t, http.StatusServiceUnavailable, w.browser().get("/readyz").status)
	require.Equal(t, http.StatusOK, w.browser().get("/healthz").status)
	w.db.Close()
	res := w.browser().get("/healthz")
	require.Equal(t, http.StatusServiceUnavailable, res.status)
	require.NotContains(t, res.body, "pool", "why is in the log")
}

func TestLogLinesHaveNoSecrets(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	b.get("/winter-list?q=private-search")
	require.Contains(t, w.log.String(), `"route":"/winter-list"`)
	require.Contains(t, w.log.String(), `"person":"mara"`)
	for _, secret := range []string{"private-search", b.sessionCookie(), testPassword} {
		require.NotContains(t, w.log.String(), secret)
	}
}
