package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// asJSON sends a body with a token.
func (b *browser) asJSON(method, path, token, body string) reply {
	b.w.t.Helper()
	return b.do(method, path, body, "Content-Type", "application/json", "Authorization", "Bearer "+token, "Accept", "application/json")
}

func (r reply) search() (j searchJSON) {
	r.t.Helper()
	require.Less(r.t, r.status, 300, r.body)
	require.NoError(r.t, json.Unmarshal([]byte(r.body), &j))
	return j
}

func TestAProgramLooksForAFault(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	token := w.addToken("tablet", fleet.FindFaults, "NOR")
	b := w.browser()
	res := b.asJSON("POST", "/api/v1/faults", token, `{"unit": "N-1"}`)
	require.Equal(t, http.StatusOK, res.status, "one is open already")
	require.EqualValues(t, 1, res.search().Search)

	_, err := w.db.EndFault(t.Context(), fleet.FaultChange{Search: 1, Step: 2, By: "x", At: w.now})
	require.NoError(t, err)
	res = b.asJSON("POST", "/api/v1/faults", token, `{"unit": "N-1", "temperature_c": -3, "by": "ann", "answers": [{"check": "key", "reading": "click"}]}`)
	require.Equal(t, http.StatusCreated, res.status, res.body)
	j := res.search()
	path := fmt.Sprintf("/api/v1/faults/%d", j.Search)
	require.Equal(t, path, res.header.Get("Location"))
	require.Equal(t, fleet.Known(-3.0), j.Session.Facts.TemperatureC)
	require.Equal(t, "ann", j.Session.Answers[0].By)
	require.Equal(t, faults.Secure, j.Next.Ask.Check)
	require.NotEmpty(t, j.Session.Prior.Suspects, "the forecast counts")

	answers := path + "/answers"
	j = b.asJSON("POST", answers, token, `{"check": "secure", "reading": "done", "by": "ann", "step": 1}`).search()
	require.Equal(t, 2, j.Step)
	again := b.asJSON("POST", answers, token, `{"check": "secure", "reading": "done", "by": "ann", "step": 1}`).search()
	require.Equal(t, j, again, "sent twice, taken once")
	late := b.asJSON("POST", answers, token, `{"check": "secure", "reading": "cannot", "by": "ben", "step": 1}`)
	require.Equal(t, http.StatusConflict, late.status)
	require.Contains(t, late.body, "/problems/conflict")
	require.Contains(t, late.body, "ann has answered this check meanwhile: done")
	j = b.asJSON("POST", answers, token, `{"check": "rest_v", "reading": "12,1 V"}`).search()
	require.Equal(t, "low", j.Session.Answers[2].Answer)
	require.Equal(t, "token tablet", j.Session.Answers[2].By)
	require.Equal(t, j, b.asJSON("GET", path, token, "").search())
	j = b.asJSON("DELETE", answers+"/last?step=3", token, "").search()
	require.Len(t, j.Session.Answers, 2)
	require.Equal(t, http.StatusConflict, b.asJSON("DELETE", answers+"/last?step=3", token, "").status, "seen before it changed")

	for body, want := range map[string]int{
		`{"check": "rest_v", "reading": "24.9"}`: 400, `{"check": "tea", "reading": "done"}`: 400, `{"cheque": 1}`: 400, `{} {}`: 400, `[`: 400, "{\"check\": \"key\", \"reading\": \"slow\", \"by\": \"a\\u0000\"}": 400,
	} {
		require.Equal(t, want, b.asJSON("POST", answers, token, body).status, body)
	}
	require.Equal(t, http.StatusUnsupportedMediaType, b.do("POST", answers, "{}", "Authorization", "Bearer "+token).status)
}

func TestProgramsKeepToTheirDepotAndUse(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	north := w.addToken("north", fleet.FindFaults, "NOR")
	b := w.browser()
	for _, tc := range []struct{ method, path, body string }{
		{"GET", "/api/v1/faults/3", ""},
		{"POST", "/api/v1/faults/3/answers", `{"check": "key", "reading": "slow"}`},
		{"DELETE", "/api/v1/faults/3/answers/last", ""},
		{"POST", "/api/v1/faults", `{"unit": "S-2"}`},
		{"POST", "/api/v1/faults", `{"unit": "nobody's"}`},
	} {
		require.Equal(t, http.StatusNotFound, b.asJSON(tc.method, tc.path, north, tc.body).status, tc)
	}
	for body, want := range map[string]int{
		`{"facts": {"system_volts": 12}, "depot": "SUD"}`: 400,
		`{"facts": {"system_volts": 48}}`:                 400,
		`{"unit": "N-1", "facts": {"system_volts": 12}}`:  400,
		`{}`: 400,
		`{"facts": {"system_volts": 12, "class": "a\u0000"}}`: 400,
		`{"facts": {"system_volts": 12, "unit": "my truck"}}`: 201,
	} {
		require.Equal(t, want, b.asJSON("POST", "/api/v1/faults", north, body).status, body)
	}
	require.Equal(t, fleet.DepotID("NOR"), w.search(t, 5).Depot)
	list := w.addToken("list", fleet.ReadList, "")
	require.Equal(t, http.StatusForbidden, b.asJSON("GET", "/api/v1/faults/1", list, "").status)
	require.Equal(t, http.StatusForbidden, b.asJSON("GET", "/api/v1/winter-list", north, "").status)
	require.Equal(t, http.StatusUnauthorized, b.asJSON("POST", "/api/v1/fault", "none", `{}`).status)
}

// A session goes in and comes out with what follows; nothing is kept.
func TestASessionIsJudgedWithoutBeingKept(t *testing.T) {
	w := newWorld(t)
	token := w.addToken("tablet", fleet.FindFaults, "")
	b := w.browser()
	res := b.asJSON("POST", "/api/v1/fault", token, `{"facts": {"system_volts": 12, "temperature_c": 12}, "answers": [{"check": "secure", "answer": "done"}, {"check": "key", "answer": "clicks"}, {"check": "rest_v", "answer": "11.4 V"}]}`)
	require.Equal(t, http.StatusOK, res.status, res.body)
	var out struct {
		Session faults.Session
		Next    faults.Step
	}
	require.NoError(t, json.Unmarshal([]byte(res.body), &out))
	require.Equal(t, "flat", out.Session.Answers[2].Answer)
	require.Equal(t, out.Session.Next(), out.Next, "the same as the engine itself says")
	session, err := json.Marshal(out.Session)
	require.NoError(t, err)
	require.Equal(t, res.body, b.asJSON("POST", "/api/v1/fault", token, string(session)).body)
	require.Equal(t, http.StatusBadRequest, b.asJSON("POST", "/api/v1/fault", token, `{"facts": {"system_volts": 48}}`).status)
	var kept int
	require.NoError(t, w.db.Pool().QueryRow(t.Context(), `SELECT count(*) FROM fault_search`).Scan(&kept))
	require.Zero(t, kept)
}
