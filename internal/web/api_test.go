package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

const twoTests = `{"battery_tests": [
	{"tested_at": "2026-11-21T08:00:00Z", "unit": "N-1", "rest_v": 12.5},
	{"tested_at": "2026-11-21T08:05:00Z", "unit": "S-1", "rest_v": 12.6}]}`

func (w *world) send(token, body string, header ...string) reply {
	w.t.Helper()
	return w.browser().do(http.MethodPost, "/api/v1/readings", body,
		append([]string{"Content-Type", "application/json", "Authorization", "Bearer " + token, "Accept", "application/json"}, header...)...)
}

func (w *world) tests() (n int) {
	w.t.Helper()
	require.NoError(w.t, w.db.Pool().QueryRow(w.t.Context(), `SELECT count(*) FROM battery_test`).Scan(&n))
	return n
}

func TestABatchSentTwiceIsTakenOnce(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	token := w.addToken("logger", fleet.BringReadings, "")
	before := w.tests()
	for _, want := range []string{
		`{"files": [{"file": "battery_tests", "kind": "battery_tests", "rows": 2, "taken": 2, "already_there": 0, "kept_apart": 0}], "kept_apart": [], "refused": []}`,
		`{"files": [{"file": "battery_tests", "kind": "battery_tests", "rows": 2, "taken": 0, "already_there": 2, "kept_apart": 0}], "kept_apart": [], "refused": []}`,
	} {
		res := w.send(token, twoTests)
		require.Equal(t, http.StatusOK, res.status, "%s", res.body)
		require.JSONEq(t, want, res.body)
		require.Equal(t, before+2, w.tests(), "committed when answered, and once")
	}
	require.NotContains(t, w.log.String(), token)
	require.Contains(t, w.log.String(), `"token":"logger"`)
}

func TestABatchSaysWhatWasKeptApart(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	res := w.send(w.addToken("logger", fleet.BringReadings, ""), strings.Replace(twoTests, "12.5", "12500", 1))
	require.Equal(t, http.StatusOK, res.status)
	var answer struct {
		Files []struct {
			Taken     int `json:"taken"`
			KeptApart int `json:"kept_apart"`
		} `json:"files"`
		KeptApart []struct {
			Line                  int
			Column, Value, Reason string
		} `json:"kept_apart"`
	}
	require.NoError(t, json.Unmarshal([]byte(res.body), &answer))
	require.Equal(t, 1, answer.Files[0].Taken)
	require.Equal(t, 1, answer.Files[0].KeptApart)
	require.Equal(t, "rest_v", answer.KeptApart[0].Column)
	require.Equal(t, "12500", answer.KeptApart[0].Value)
	require.NotEmpty(t, answer.KeptApart[0].Reason)
}

func TestATokenOfOneDepotBringsNothingOfAnother(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	res := w.send(w.addToken("north", fleet.BringReadings, "NOR"), twoTests)
	require.Equal(t, http.StatusOK, res.status)
	require.Contains(t, res.body, `"taken":1`)
	require.Contains(t, res.body, `"kept_apart":1`)
	var n int
	require.NoError(t, w.db.Pool().QueryRow(t.Context(), `SELECT count(*) FROM battery_test WHERE unit = 'S-1'`).Scan(&n))
	require.Zero(t, n)
}

func TestBatchesThatAreRefusedWhole(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	token := w.addToken("logger", fleet.BringReadings, "")
	revoked := w.addToken("old", fleet.BringReadings, "")
	_, err := w.db.RevokeToken(t.Context(), "old")
	require.NoError(t, err)
	before := w.tests()
	for _, tc := range []struct {
		name, token, body string
		header            []string
		status            int
		detail            string
	}{
		{"no JSON", token, `{"battery_tests": [`, nil, http.StatusBadRequest, "want an object"},
		{"unknown kind", token, `{"tea": []}`, nil, http.StatusBadRequest, "tea"},
		{"too large", token, `{"battery_tests": ["` + strings.Repeat("x", maxReadingsBytes) + `"]}`, nil, http.StatusRequestEntityTooLarge, "8388608"},
		{"a form", token, twoTests, []string{"Content-Type", "text/plain"}, http.StatusUnsupportedMediaType, "application/json"},
		{"no such token", "rimeyard_made-up", twoTests, nil, http.StatusUnauthorized, "unknown or revoked"},
		{"revoked", revoked, twoTests, nil, http.StatusUnauthorized, "unknown or revoked"},
		{"a token for the list", w.addToken("list", fleet.ReadList, ""), twoTests, nil, http.StatusForbidden, "role"},
		{"another site", token, twoTests, []string{"Sec-Fetch-Site", "cross-site"}, http.StatusForbidden, "another site"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			res := w.send(tc.token, tc.body, tc.header...)
			require.Equal(t, tc.status, res.status, "%s", res.body)
			require.Equal(t, "application/problem+json", res.header.Get("Content-Type"))
			var p Problem
			require.NoError(t, json.Unmarshal([]byte(res.body), &p))
			require.Equal(t, tc.status, p.Status)
			require.NotEmpty(t, p.Title)
			require.Contains(t, p.Detail, tc.detail)
			require.Equal(t, res.header.Get("X-Request-Id"), p.RequestID)
			require.Equal(t, before, w.tests())
		})
	}
}

// A body without a stated length is cut off at the limit as well.
func TestATooLargeBodyInChunksIsRefused(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	req, err := http.NewRequestWithContext(t.Context(), http.MethodPost, w.http.URL+"/api/v1/readings",
		struct{ *strings.Reader }{strings.NewReader(strings.Repeat(" ", maxReadingsBytes+1))})
	require.NoError(t, err)
	req.ContentLength = -1
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("Authorization", "Bearer "+w.addToken("logger", fleet.BringReadings, ""))
	res, err := http.DefaultClient.Do(req)
	require.NoError(t, err)
	defer res.Body.Close()
	require.Equal(t, http.StatusRequestEntityTooLarge, res.StatusCode)
}

func TestTheListAsJSON(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	every := w.browser().get("/api/v1/winter-list", "Authorization", "Bearer "+w.addToken("list", fleet.ReadList, ""))
	require.Equal(t, http.StatusOK, every.status)
	var list fleet.RankedList
	require.NoError(t, json.Unmarshal([]byte(every.body), &list))
	require.Equal(t, fleet.NewDate(2026, 11, 24), list.AsOf)
	require.Len(t, list.Units, 5)
	require.Equal(t, forecast("N-1", "NOR", 1, fleet.Swap), list.Units[0])
	require.Contains(t, every.body, `"no_start_probability":null`, "unknown is null")
	require.Contains(t, every.body, `"expected_loss":514.20`)

	own := w.browser().get("/api/v1/winter-list", "Authorization", "Bearer "+w.addToken("north", fleet.ReadList, "NOR"))
	require.NoError(t, json.Unmarshal([]byte(own.body), &list))
	require.Len(t, list.Units, 3)
	require.Equal(t, http.StatusUnauthorized, w.browser().get("/api/v1/winter-list").status)
}

func TestTheListAsJSONBeforeThereIsOne(t *testing.T) {
	w := newWorld(t)
	res := w.browser().get("/api/v1/winter-list", "Authorization", "Bearer "+w.addToken("list", fleet.ReadList, ""))
	require.Equal(t, http.StatusNotFound, res.status)
	require.Contains(t, res.body, "rimeyard fit")
}

// A list longer than one chunk comes whole and in order.
func TestALongListComesWhole(t *testing.T) {
	w := newWorld(t)
	const n = chunk + 7
	var vehicles []string
	var units []fleet.Forecast
	for i := range n {
		id := fmt.Sprintf("U-%05d", i)
		vehicles = append(vehicles, fmt.Sprintf(`{"unit": %q, "depot": "NOR", "class": "van", "fuel": "diesel", "system_volts": 12, "batteries": 1}`, id))
		units = append(units, forecast(fleet.UnitID(id), "NOR", i+1, fleet.Sound))
	}
	w.bring(`{"depots": [{"depot": "NOR", "name": "North", "timezone": "UTC"}], "vehicles": [` + strings.Join(vehicles, ",") + `]}`)
	w.issue(units...)
	var list fleet.RankedList
	body := w.browser().get("/api/v1/winter-list", "Authorization", "Bearer "+w.addToken("list", fleet.ReadList, "")).body
	require.NoError(t, json.Unmarshal([]byte(body), &list))
	require.Len(t, list.Units, n)
	for i, f := range list.Units {
		require.Equal(t, i+1, f.Rank)
	}
}
