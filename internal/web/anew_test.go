package web

import (
	"encoding/csv"
	"encoding/json"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// A part that was fitted after the list was made shows on every page at once; the list itself, which the audit judges, stays as it was.
func TestAFittedPartShowsBeforeTheNextList(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.exec(`DELETE FROM battery_fitting WHERE fitted_on >= '2026-11-24'; DELETE FROM battery_test WHERE tested_at >= '2026-11-24'`)
	w.addPerson("mara", fleet.Manager)
	w.exec(`INSERT INTO typed_low (depot, dawn, low_c, typed_by) VALUES ('NOR', '2026-11-26', -7, 'mara')`)
	mara := w.as("mara")
	require.NoError(t, w.srv.makeReady(t.Context()))
	require.NotContains(t, text(mara.get("/winter-list").page()), "after this list")
	require.NotEmpty(t, all(mara.get("/tonight").page(), "a", "href", "/units/N-1"), "it will probably not start")
	before, err := w.srv.plans.Of(t.Context(), nil, fleet.NewDate(2026, 11, 25))
	require.NoError(t, err)
	require.NotNil(t, placeOf(before.Plan, "N-1").visit)
	issue, err := w.db.LatestIssue(t.Context())
	require.NoError(t, err)
	listed, err := w.db.Forecasts(t.Context(), issue.ID, fleet.ListFilter{Unit: "N-1"})
	require.NoError(t, err)

	j := w.openJob("N-1", fleet.BatteryPart, "rests at 12.0 V")
	w.step(j, fitted("N-1", "B-77", fleet.NewDate(2026, 11, 25)))
	w.srv.showNews(t.Context(), "N-1")

	page := mara.get("/winter-list").page()
	require.Contains(t, text(page), "parts were fitted to 1 unit")
	anew := all(page, "p", "class", "anew")
	require.Len(t, anew, 1)
	require.Regexp(t, `^Battery fitted 25.Nov, after this list: now . (sound|watch) , chance .*cold limit −`, text(anew[0]))
	rows, err := csv.NewReader(strings.NewReader(mara.get("/winter-list.csv?q=N-1").body)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, "swap", rows[1][3], "a row of the list is what it was")
	require.Equal(t, []string{"2026-11-24", "battery fitted 2026-11-25", "2026-11-26"}, rows[1][14:17], "and says how it stands now")
	require.Contains(t, []string{"sound", "watch"}, rows[1][17])
	book, err := excelize.OpenReader(strings.NewReader(mara.get("/winter-list.xlsx?q=N-1").body))
	require.NoError(t, err)
	sheet, err := book.GetRows("Winter list")
	require.NoError(t, err)
	require.Equal(t, []string{"Battery fitted 2026-11-25", rows[1][17]}, sheet[1][16:18])
	require.NoError(t, book.Close())
	var list fleet.RankedList
	require.NoError(t, json.Unmarshal([]byte(mara.get("/api/v1/winter-list?q=N-1").body), &list))
	require.Equal(t, fleet.NewDate(2026, 11, 24), list.AsOf)
	require.Equal(t, fleet.Swap, list.Units[0].Band, "programs are given the list of that day")
	w.addPerson("ken", fleet.Manager, "SUD")
	require.NotContains(t, w.as("ken").get("/winter-list.csv").body, "battery fitted")
	require.Empty(t, all(mara.get("/tonight").page(), "a", "href", "/units/N-1"))
	after, err := w.srv.plans.Of(t.Context(), nil, fleet.NewDate(2026, 11, 25))
	require.NoError(t, err)
	require.Nil(t, placeOf(after.Plan, "N-1").visit, "there is nothing left to put right")
	still, err := w.db.Forecasts(t.Context(), issue.ID, fleet.ListFilter{Unit: "N-1"})
	require.NoError(t, err)
	require.Equal(t, listed, still, "the list is a record")

	mara.decide("N-1", url.Values{"do": {string(plan.DoVisit)}, "week": {"2026-12-07"}})
	chosen, err := w.srv.plans.Of(t.Context(), nil, fleet.NewDate(2026, 11, 25))
	require.NoError(t, err)
	require.True(t, placeOf(chosen.Plan, "N-1").visit.Locked, "what people lock stays")

	n, err := w.srv.judgeNews(t.Context(), "N-1")
	require.NoError(t, err)
	require.Zero(t, n, "judged once for the same news")
}

// A test that came after the list shows likewise, and the next list knows it by itself.
func TestATestShowsBeforeTheNextList(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	w.exec(`DELETE FROM battery_fitting WHERE fitted_on >= '2026-11-24'; DELETE FROM battery_test WHERE tested_at >= '2026-11-24'`)
	require.NoError(t, w.srv.makeReady(t.Context()))
	w.exec(`INSERT INTO battery_test (unit, tested_at, position, rest_v) VALUES ('N-1', '2026-11-25T04:30:00Z', 1, 12.71), ('S-1', '2026-11-23T22:00:00Z', 1, 12.4)`)
	require.NoError(t, w.srv.makeReady(t.Context()))
	anew := all(w.as("mara").get("/winter-list").page(), "p", "class", "anew")
	require.Len(t, anew, 1, "the test of S-1 fell on the day before, on the clock of its depot")
	require.Regexp(t, `^Tested 24.Nov, after this list: now . `, text(anew[0]))
	require.Equal(t, "After this list was made, 1 unit was tested. The rows of these units say how they stand now; Tonight and Plan go by that.", newsCount(map[fleet.DepotID]fleet.AnewCount{"NOR": {Units: 1}}))

	w.exec(`UPDATE issue SET as_of = '2026-11-26'; UPDATE forecast SET as_of = '2026-11-26'; INSERT INTO issue (as_of, season_from, season_to, method) VALUES ('2026-11-26', '2026-10-01', '2027-03-31', 'test')`)
	news, err := w.db.News(t.Context(), w.now, "", 10)
	require.NoError(t, err)
	require.Empty(t, news, "the next list knows it")
}
