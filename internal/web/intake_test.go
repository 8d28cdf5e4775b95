package web

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// intakeWorld has people of both depots and nothing kept apart yet.
func intakeWorld(t *testing.T) (w *world, mara, jo *browser) {
	t.Helper()
	w = newWorld(t)
	w.addFleet()
	for _, row := range w.waiting(fleet.KeptFilter{}) {
		aside, err := w.db.SetAside(t.Context(), row.Key, nil, "mara", "an example of other tests")
		require.NoError(t, err)
		require.True(t, aside)
	}
	w.addPerson("mara", fleet.Manager)
	w.addPerson("jo", fleet.Mechanic, "NOR")
	return w, w.as("mara"), w.as("jo")
}

func (w *world) waiting(f fleet.KeptFilter) []fleet.KeptRow {
	w.t.Helper()
	rows, err := w.db.KeptApart(w.t.Context(), f)
	require.NoError(w.t, err)
	return rows
}

// formOf is what a page's form to this address would send.
func formOf(t *testing.T, doc *html.Node, action string) url.Values {
	t.Helper()
	forms := all(doc, "form", "action", action)
	require.NotEmpty(t, forms, "no form to %s", action)
	values := url.Values{}
	for _, tag := range []string{"input", "textarea"} {
		for _, in := range all(forms[0], tag, "name", "") {
			name, _ := attribute(in, "name")
			value, _ := attribute(in, "value")
			if kind, _ := attribute(in, "type"); kind == "checkbox" {
				if _, on := attribute(in, "checked"); !on {
					continue
				}
			}
			if tag == "textarea" && in.FirstChild != nil {
				value = in.FirstChild.Data
			}
			values.Add(name, value)
		}
	}
	return values
}

const badTests = "tested_at,unit,rest_v,note,colour\n" +
	"2026-11-21T08:00:00Z,N-1,12x,first,red\n" +
	"2026-11-21T08:00:00Z,S-1,13y,second,\n" +
	"2026-11-21T08:00:00Z,N-9,12.5,<b>third</b>,\n" +
	"2026-11-22T08:00:00Z,N-9,12.5,fourth,\n"

func TestARowIsMendedInPlace(t *testing.T) {
	w, mara, _ := intakeWorld(t)
	taken := w.bringCSV(mara, map[string]string{"cold.csv": badTests})
	require.Equal(t, http.StatusOK, taken.status)
	require.Contains(t, text(taken.page()), "cold.csv battery tests 4 0 0 4")
	require.Contains(t, text(taken.page()), "passed over \"colour\"")

	row := w.waiting(fleet.KeptFilter{Depot: "NOR"})[0]
	href := rowHref(row.Key)
	list := mara.get("/intake").page()
	require.Contains(t, hrefs(list), href)
	doc := mara.get(href).page()
	bad := all(doc, "div", "class", "bad")[0]
	require.Contains(t, text(bad), "want a plain decimal like 12.4")
	require.Contains(t, text(bad), "a number, 1 to 16 V")
	value, _ := attribute(all(bad, "input", "id", "f-rest_v")[0], "value")
	require.Equal(t, "12x", value, "the bad field comes first, as it came")
	require.Contains(t, text(doc), "colour red")
	form := formOf(t, doc, href)

	form.Set("f.rest_v", "1200")
	again := mara.post(href, form)
	require.Equal(t, http.StatusUnprocessableEntity, again.status)
	require.Contains(t, text(all(again.page(), "div", "class", "bad")[0]), "1200 is outside 1 to 16 V")
	require.Equal(t, form, formOf(t, again.page(), href), "what was typed comes back")

	form = formOf(t, again.page(), href)
	form.Set("f.rest_v", "12.2")
	done := mara.post(href, form)
	require.Equal(t, http.StatusSeeOther, done.status)
	require.Equal(t, href, done.header.Get("Location"))
	page := text(mara.get(href).page())
	for _, want := range []string{"Taken by mara", "rest_v 12x 12.2", "The next row kept apart"} {
		require.Contains(t, page, want)
	}
	second := mara.post(href, form)
	require.Equal(t, http.StatusConflict, second.status)
	require.Contains(t, text(second.page()), "Nothing was taken now: this row waits no more.")
	require.Contains(t, text(mara.get("/units/N-1").page()), "12.20 V")
	require.Contains(t, text(mara.get("/intake/settled").page()), "rest_v 12x → 12.2")
	require.Contains(t, text(mara.get("/intake").page()), "page:mara")
}

func hrefs(n *html.Node) (list []string) {
	for _, a := range all(n, "a", "href", "") {
		href, _ := attribute(a, "href")
		list = append(list, href)
	}
	return list
}

func TestMendingKeepsToDepots(t *testing.T) {
	w, mara, jo := intakeWorld(t)
	w.bringCSV(mara, map[string]string{"cold.csv": badTests})
	own, other := w.waiting(fleet.KeptFilter{Depot: "NOR"})[0], w.waiting(fleet.KeptFilter{Depot: "SUD"})[0]
	unknown := w.waiting(fleet.KeptFilter{Column: "unit"})[0]

	require.Equal(t, http.StatusOK, jo.get(rowHref(own.Key)).status)
	for _, row := range []fleet.KeptRow{other, unknown} {
		for _, path := range []string{"", "/set-aside", "/put-back"} {
			res := jo.post(rowHref(row.Key)+path, url.Values{"f.unit": {"N-1"}, "f.rest_v": {"12.1"}, "note": {"x"}})
			if path == "/put-back" {
				require.Equal(t, http.StatusNotFound, jo.get(res.header.Get("Location")).status)
				continue
			}
			require.Equal(t, http.StatusNotFound, res.status, path)
		}
		require.Equal(t, http.StatusNotFound, jo.get(rowHref(row.Key)).status)
	}
	form := formOf(t, jo.get(rowHref(own.Key)).page(), rowHref(own.Key))
	require.NotContains(t, form, "amend")
	form.Set("f.unit", "S-1")
	form.Set("f.rest_v", "12.1")
	form.Set("amend", "yes")
	into := jo.post(rowHref(own.Key), form)
	require.Equal(t, http.StatusUnprocessableEntity, into.status)
	require.Contains(t, text(into.page()), "the sender may bring rows of depot NOR only")

	alike := url.Values{"kind": {"battery_tests"}, "set": {"rest_v"}, "to": {"12.1"}, "step": {"take"}}
	require.Contains(t, text(jo.post("/intake/alike", alike).page()), "Of 1 row, 1 was taken.", "all that is hers to see")
	require.Len(t, w.waiting(fleet.KeptFilter{}), 3)
	require.Equal(t, http.StatusNotFound, jo.get("/intake?depot=SUD").status)
	require.NotContains(t, jo.get("/intake").body, "SUD")
	require.Contains(t, text(jo.get("/intake/settled").page()), "12x → 12.1")

	imports, err := w.db.RecentImports(t.Context(), 1)
	require.NoError(t, err)
	path := fmt.Sprintf("/intake/imports/%d", imports[0].ID)
	require.Equal(t, http.StatusNotFound, jo.get(path).status, "a file is of no depot alone")
	require.Equal(t, http.StatusOK, mara.get(path).status)

	brought := w.bringCSV(jo, map[string]string{"own.csv": "tested_at,unit,rest_v\n2026-11-23T08:00:00Z,S-1,12.5\n2026-11-23T08:00:00Z,N-7,12.5\n2026-11-23T08:00:00Z,N-1,12.5\n"}, "amend")
	require.Contains(t, text(brought.page()), "own.csv battery tests 3 1 0 2")
	require.Contains(t, text(brought.page()), "another depot")
	require.NotContains(t, brought.body, "SUD")
	require.Len(t, w.waiting(fleet.KeptFilter{Of: []fleet.DepotID{"NOR"}, File: "own.csv"}), 1, "her own row of a unit nobody knows waits for her")
}

func TestAnAmendmentIsForThoseWhoSeeAll(t *testing.T) {
	w, mara, _ := intakeWorld(t)
	w.bringCSV(mara, map[string]string{"v.csv": "unit,depot,class,fuel,system_volts,batteries\nN-2,SUD,medium <i>,diesel,12,1\n"})
	row := w.waiting(fleet.KeptFilter{})[0]
	require.Contains(t, row.Reason, "is there already and says NOR for depot")
	form := formOf(t, mara.get(rowHref(row.Key)).page(), rowHref(row.Key))
	require.Equal(t, http.StatusUnprocessableEntity, mara.post(rowHref(row.Key), form).status)
	form.Set("amend", "yes")
	require.Equal(t, http.StatusSeeOther, mara.post(rowHref(row.Key), form).status)
	depot, _, err := w.db.UnitDepot(t.Context(), "N-2")
	require.NoError(t, err)
	require.Equal(t, fleet.DepotID("SUD"), depot)
}

func TestARowIsSetAsideWithANote(t *testing.T) {
	w, mara, jo := intakeWorld(t)
	w.bringCSV(mara, map[string]string{"cold.csv": badTests})
	href := rowHref(w.waiting(fleet.KeptFilter{Depot: "NOR"})[0].Key)
	bare := jo.post(href+"/set-aside", url.Values{"note": {"  "}})
	require.Equal(t, http.StatusUnprocessableEntity, bare.status)
	require.Contains(t, text(bare.page()), "Say why in a few words")
	require.Equal(t, http.StatusSeeOther, jo.post(href+"/set-aside", url.Values{"note": {"a trial <i>of</i> the tester"}}).status)
	page := jo.get(href)
	require.Contains(t, text(page.page()), "Set aside by jo")
	require.Contains(t, text(page.page()), "a trial <i>of</i> the tester")
	require.Equal(t, http.StatusConflict, mara.post(href+"/set-aside", url.Values{"note": {"me too"}}).status)
	require.Equal(t, http.StatusConflict, mara.post(href, url.Values{"f.rest_v": {"12.1"}}).status)
	require.Equal(t, http.StatusSeeOther, jo.post(href+"/put-back", url.Values{}).status)
	require.NotEmpty(t, all(jo.get(href).page(), "form", "action", href), "it can be mended again")
}

func TestOfTwoWhoPressTogetherOneIsTold(t *testing.T) {
	w, mara, jo := intakeWorld(t)
	w.bringCSV(mara, map[string]string{"cold.csv": badTests})
	href := rowHref(w.waiting(fleet.KeptFilter{Depot: "NOR"})[0].Key)
	answers := map[int]int{}
	var mu sync.Mutex
	var wg sync.WaitGroup
	for i, who := range []*browser{mara, jo, mara, jo} {
		wg.Go(func() {
			res := who.post(href, url.Values{"f.rest_v": {fmt.Sprintf("12.%d", i)}})
			mu.Lock()
			defer mu.Unlock()
			answers[res.status]++
		})
	}
	wg.Wait()
	require.Equal(t, map[int]int{http.StatusSeeOther: 1, http.StatusConflict: 3}, answers)
	var n int
	require.NoError(t, w.db.Pool().QueryRow(t.Context(), `SELECT count(*) FROM battery_test WHERE tested_at = '2026-11-21T08:00:00Z'`).Scan(&n))
	require.Equal(t, 1, n)
}

func TestManyRowsAlikeAreMendedTogether(t *testing.T) {
	w, mara, _ := intakeWorld(t)
	lines := []string{"tested_at,unit,cca_a,tester"}
	const n = alikeTogether + 20
	for i := range n {
		at := time.Date(2026, 10, 1, 0, i, 0, 0, time.UTC)
		lines = append(lines, fmt.Sprintf("%s,N-1,600,T-%d", at.Format(time.RFC3339), i%2))
	}
	lines = append(lines, "2026-10-09T00:00:00Z,N-2,9999,T-0")
	w.bringCSV(mara, map[string]string{"cca.csv": strings.Join(lines, "\n") + "\n"})
	doc := mara.get("/intake").page()
	var href string
	for _, h := range hrefs(doc) {
		if strings.HasPrefix(h, "/intake/alike") {
			href = h
		}
	}
	require.NotEmpty(t, href, "the group is offered")
	doc = mara.get(href).page()
	require.Equal(t, fmt.Sprintf("%d rows alike", n), text(all(doc, "h1", "", "")[0]))
	form := formOf(t, doc, "/intake/alike")
	form.Set("set", "cca_standard")
	form.Set("with", "tester")
	form.Set("is", "T-1")
	form.Set("to", "eu")
	form.Set("step", "preview")
	wrong := mara.post("/intake/alike", form)
	require.Contains(t, text(wrong.page()), fmt.Sprintf("Of %d rows, 0 would be taken, %d wait on", n/2, n/2))
	require.Contains(t, text(wrong.page()), "want one of sae, en, din, iec or jis")
	form.Set("to", "en")
	preview := mara.post("/intake/alike", form)
	require.Contains(t, text(preview.page()), fmt.Sprintf("Of %d rows, %d would be taken.", n/2, n/2))
	require.Len(t, w.waiting(fleet.KeptFilter{}), n+1, "nothing is taken yet")

	take := formOf(t, all(preview.page(), "section", "class", "preview")[0], "/intake/alike")
	take.Set("step", "take")
	done := mara.post("/intake/alike", take)
	require.Contains(t, text(done.page()), fmt.Sprintf("Of %d rows, %d were taken.", n/2, n/2))
	require.Len(t, w.waiting(fleet.KeptFilter{}), n/2+1, "those of the other tester wait on")
	require.Contains(t, text(mara.post("/intake/alike", take).page()), "Of 0 rows", "a second press finds nothing")

	for _, bad := range []url.Values{{}, {"kind": {"tea"}}, {"kind": {"vehicles"}, "set": {"unit"}, "after": {"zz"}}} {
		require.Equal(t, http.StatusBadRequest, mara.post("/intake/alike", bad).status, "%v", bad)
	}
	require.Equal(t, http.StatusUnprocessableEntity, mara.post("/intake/alike", url.Values{"kind": {"vehicles"}, "set": {"tea"}}).status)
}

func TestIntakeFilters(t *testing.T) {
	w, mara, _ := intakeWorld(t)
	w.bringCSV(mara, map[string]string{"cold.csv": badTests, "crank.csv": "cranked_at,unit,min_v\n2026-11-21T08:00:00Z,N-1,9z\n"})
	reason := w.waiting(fleet.KeptFilter{Column: "unit"})[0].Reason
	for query, n := range map[string]int{
		"": 5, "kind=crank_events": 1, "file=cold.csv": 4, "depot=SUD": 1, "reason=" + url.QueryEscape(reason): 2, "page=2": 0, "file=no.csv": 0,
	} {
		doc := mara.get("/intake?" + query).page()
		rows := 0
		for _, h := range hrefs(doc) {
			if strings.HasPrefix(h, "/intake/rows/") {
				rows++
			}
		}
		require.Equal(t, n, rows, query)
		if n == 0 {
			require.NotEmpty(t, all(doc, "p", "class", "notice"))
			continue
		}
		out, err := csv.NewReader(strings.NewReader(mara.get("/intake/kept-apart.csv?" + query).body)).ReadAll()
		require.NoError(t, err)
		require.Len(t, out, n+1)
	}
	for _, query := range []string{"kind=tea", "page=0", "reason=%00", "file=%ff"} {
		require.Equal(t, http.StatusBadRequest, mara.get("/intake?"+query).status, query)
	}
	for _, path := range []string{"/intake/rows/x", "/intake/rows/" + strings.Repeat("a", 64), "/intake/imports/x", "/intake/imports/999999"} {
		require.Equal(t, http.StatusNotFound, mara.get(path).status, path)
	}
}

// What a row holds stays text, in every page that shows it, and comes back from the form as it was.
func TestHostileRowsStayText(t *testing.T) {
	w, mara, _ := intakeWorld(t)
	hostile := `"><script>alert(1)</script><i onmouseover=x>` + "\n</textarea>'"
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	require.NoError(t, out.WriteAll([][]string{
		{"tested_at", "unit", "rest_v", "note", `<script>c</script>`},
		{"2026-11-21T08:00:00Z", "N-1", hostile, hostile, hostile},
		{"2026-11-22T08:00:00Z", "N-1", hostile, hostile, hostile},
	}))
	name := `x" onload="y<script>.csv`
	brought := w.bringCSV(mara, map[string]string{name: b.String()})
	rows := w.waiting(fleet.KeptFilter{})
	require.Len(t, rows, 2)
	href := rowHref(rows[0].Key)
	pages := []reply{brought}
	for _, path := range []string{"/intake", href, "/intake/alike?kind=battery_tests&column=%3Cscript%3E&reason=%3Cscript%3E&value=%3Cscript%3E", "/intake?file=%22%3E%3Cscript%3E"} {
		pages = append(pages, mara.get(path))
	}
	form := formOf(t, pages[2].page(), href)
	require.Equal(t, hostile, form.Get("f.note"), "to the letter")
	form.Set("f.rest_v", hostile)
	pages = append(pages, mara.post(href, form))
	form.Set("f.rest_v", "12.5")
	require.Equal(t, http.StatusSeeOther, mara.post(href, form).status)
	pages = append(pages, mara.get(href), mara.get("/intake/settled"))
	for i, p := range pages {
		root := p.page()
		for _, script := range all(root, "script", "", "") {
			src, _ := attribute(script, "src")
			require.True(t, strings.HasPrefix(src, "/static/"), "page %d runs %q, which is not ours", i, src)
			require.Empty(t, text(script))
		}
		for _, tag := range []string{"i", "style"} {
			require.Empty(t, all(root, tag, "", ""), "page %d", i)
		}
		for d := range root.Descendants() {
			for _, a := range d.Attr {
				require.False(t, strings.HasPrefix(a.Key, "on"), "page %d has %s", i, a.Key)
			}
		}
	}
	require.Contains(t, mara.get("/units/N-1").body, "&lt;script&gt;alert(1)")
}

func TestStoppedUnitsAndOdditiesAreShownToTheirDepot(t *testing.T) {
	w, mara, jo := intakeWorld(t)
	at := func(n, every int) string { return w.now.AddDate(0, 0, -n*every).Format(time.RFC3339) }
	var tests []string
	for i := range 6 {
		tests = append(tests, fmt.Sprintf(`{"tested_at": %q, "unit": "N-2", "rest_v": 12.5}, {"tested_at": %q, "unit": "S-1", "rest_v": 12.5, "tester": "T-<b>"}`, at(i, 7), at(i+8, 7)))
	}
	w.bring(`{"battery_tests": [` + strings.Join(tests, ",") + `]}`)
	require.Contains(t, text(mara.get("/intake/silent").page()), "The fleet was not looked at yet")
	today := fleet.NewDate(2026, 11, 25)
	look := func(found ...fleet.KeptOddity) { require.NoError(t, w.db.KeepLook(t.Context(), today, w.now, found)) }
	require.Contains(t, text(jo.get("/intake/odd").page()), "The fleet was not looked at yet")
	look()
	page := text(mara.get("/intake/silent").page())
	require.Contains(t, page, "From the look at the whole fleet of 2026-11-25 09:30 UTC")
	require.Contains(t, page, "S-1 SUD battery tests T-<b> about every 7 days 2026-09-30 11:30 56 days")
	require.Contains(t, page, "Never read: 2")
	own := jo.get("/intake/silent")
	require.Contains(t, text(own.page()), "No unit that was read regularly has stopped.")
	require.NotContains(t, own.body, "S-1")
	require.Contains(t, text(own.page()), "Never read: 1")
	require.Equal(t, http.StatusNotFound, jo.get("/intake/silent?depot=SUD").status)
	rows, err := csv.NewReader(strings.NewReader(mara.get("/intake/silent.csv?depot=SUD").body)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, [][]string{
		{"unit", "depot", "what", "by", "last_at", "usual_gap_days", "quiet_days"},
		{"S-1", "SUD", "battery_tests", "T-<b>", "2026-09-30T09:30:00Z", "7.0", "56.0"},
		{"S-2", "SUD", "nothing", "", "", "", ""},
	}, rows)

	look([]fleet.KeptOddity{
		{On: today, Kind: "tester drifts", Tester: "T-1", Sentence: "Tester T-1 shows less <b>now</b>."},
		{On: today - 1, Kind: "readings exchanged", Unit: "N-1", OtherUnit: hostileUnit, Depot: "NOR", Sentence: "Exchanged, both fit."},
		{On: today - 2, Kind: "reading far off", Unit: "S-1", Depot: "SUD", Sentence: "Far off."},
	}...)
	odd := mara.get("/intake/odd").page()
	require.Contains(t, text(odd), "Testers that drift")
	require.Contains(t, text(odd), "Tester T-1 shows less <b>now</b>.")
	require.Contains(t, hrefs(odd), unitHref(hostileUnit))
	require.Contains(t, hrefs(odd), "/units/S-1")
	theirs := text(jo.get("/intake/odd").page())
	require.Contains(t, theirs, "Exchanged, both fit.")
	require.NotContains(t, theirs, "Far off.")
	require.NotContains(t, theirs, "T-1 shows", "it is of several depots")
}

// FuzzMendForm: whatever a form holds, it is answered, and a row is taken once or waits.
func FuzzMendForm(f *testing.F) {
	f.Add("f.rest_v=12.5", "note")
	f.Add("f.rest_v=%ff&f.unit=%00&amend=yes", "")
	f.Add("%zz", "\x00")
	f.Add("f.=1&f.colour=2&f.tested_at=&f.tested_at=2", "x")
	row := fleet.KeptRow{Kind: fleet.TestsKind, Header: []string{"Tested_At", "unit", "rest_v", "colour", "colour"}, Fields: []string{"a", "b", "c", "d", "e", "f"}}
	f.Fuzz(func(t *testing.T, query, name string) {
		form, err := url.ParseQuery(query)
		if err != nil {
			return
		}
		form.Set("f."+name, name)
		m := mendOf(row, typedFields(row, form))
		require.Len(t, m.Fields, len(m.Header))
		require.Equal(t, row.Header, m.Header[:len(row.Header)])
		require.Equal(t, []string{"d", "e"}, m.Fields[3:5], "what has no meaning stays as it came")
		for _, h := range m.Header[len(row.Header):] {
			require.True(t, knownColumn(row.Kind, h))
		}
		for column := range ingest.Columns(row.Kind) {
			if form.Has("f."+column.Name) && form.Get("f."+column.Name) != "" {
				require.True(t, hasColumn(m.Header, column.Name))
			}
		}
	})
}
