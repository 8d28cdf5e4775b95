package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// into reads what was answered, which must know no field that is not documented.
func (r reply) into(v any) {
	r.t.Helper()
	require.Equal(r.t, http.StatusOK, r.status, r.body)
	require.NoError(r.t, json.Unmarshal([]byte(r.body), v))
}

func TestProgramsReadJobs(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	b := w.browser()
	token := w.addToken("board", fleet.ReadList, "NOR")
	var list struct{ Jobs []jobJSON }
	b.asJSON("GET", "/api/v1/jobs", token, "").into(&list)
	require.NotEmpty(t, list.Jobs)
	for i, j := range list.Jobs {
		require.Equal(t, fleet.DepotID("NOR"), j.Depot)
		require.True(t, j.State.Open())
		require.True(t, i == 0 || !j.OpenedAt.Before(list.Jobs[i-1].OpenedAt), "the longest open first")
	}

	own := w.jobOf("N-2")
	_, err := w.db.ChangeJob(t.Context(), fleet.JobChange{Job: own.ID, Seen: own.Step, To: fleet.JobFound, Note: "it still clicks", By: "nils", At: w.now})
	require.NoError(t, err)
	path := fmt.Sprintf("/api/v1/jobs/%d", own.ID)
	res := b.asJSON("GET", path, token, "")
	var told toldJobJSON
	res.into(&told)
	require.Equal(t, fleet.UnitID("N-2"), told.Unit)
	require.Equal(t, fleet.JobFound, told.State)
	require.Nil(t, told.ClosedAt)
	newest := told.Events[len(told.Events)-1]
	require.Equal(t, fleet.JobFound, newest.To)
	require.Equal(t, "it still clicks", newest.Note)
	require.Equal(t, "nils", newest.By)
	require.Nil(t, told.Events[0].From)
	require.Contains(t, res.body, `"closed_at":null`, "what is not known is null")
	require.Contains(t, res.body, `"bench":[]`, "lists are never null")
	require.NotContains(t, res.body, "deposit")

	list.Jobs = nil
	b.asJSON("GET", "/api/v1/jobs?unit=N-2", token, "").into(&list)
	require.Len(t, list.Jobs, 1)
	w.addPerson("rita", fleet.Reader, "NOR")
	w.as("rita").get(path).into(&told)
}

// Whose depots are others is told the same as of what is not there, and a token is good for its one use.
func TestProgramsSeeJobsOfTheirDepotAlone(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	b := w.browser()
	token := w.addToken("board", fleet.ReadList, "NOR")
	foreign := fmt.Sprintf("/api/v1/jobs/%d", w.jobOf("S-1").ID)
	for _, path := range []string{foreign, "/api/v1/jobs/999", "/api/v1/jobs/x", "/api/v1/jobs?depot=SUD"} {
		res := b.asJSON("GET", path, token, "")
		require.Equal(t, http.StatusNotFound, res.status, path)
		require.Equal(t, "application/problem+json", res.header.Get("Content-Type"))
	}
	var list struct{ Jobs []jobJSON }
	b.asJSON("GET", "/api/v1/jobs?unit=S-1", token, "").into(&list)
	require.Empty(t, list.Jobs)
	for _, use := range []fleet.TokenUse{fleet.BringReadings, fleet.FindFaults} {
		require.Equal(t, http.StatusForbidden, b.asJSON("GET", "/api/v1/jobs", w.addToken(string(use), use, "NOR"), "").status)
	}
	require.Equal(t, http.StatusUnauthorized, b.asJSON("GET", "/api/v1/jobs", "nonsense", "").status)
	require.Equal(t, http.StatusMethodNotAllowed, b.asJSON("POST", "/api/v1/jobs", token, "{}").status)
}
