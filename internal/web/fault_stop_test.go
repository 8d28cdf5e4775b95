package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// A search that may not go on stands in the lists with what must be done first, and goes on from where it was.
func TestAStoppedSearchSaysWhatMustBeDoneFirst(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	mara := w.as("mara")
	list := text(mara.get("/faults").page())
	require.Contains(t, list, "S-1 : stopped: frozen battery, thaw first")
	require.Contains(t, list, "can be gone on with, last answer by")
	require.Contains(t, text(mara.get("/units/S-1").page()), "stopped: frozen battery, thaw first")
	require.Equal(t, http.StatusSeeOther, mara.post("/faults/3", url.Values{"step": {"4"}, "check": {"frozen"}, "reading": {"no"}}).status)
	require.Contains(t, text(mara.get("/faults").page()), "S-1 : being looked for")

	slope := w.addSearch("", faults.Facts{Unit: "on a slope", SystemVolts: 12, TemperatureC: fleet.Known(9.0)}, "secure cannot")
	var step int
	for range 40 {
		doc := mara.get(faultHref(slope)).page()
		check := hidden(t, doc, "check")
		if check == "" {
			break
		}
		require.Equal(t, http.StatusSeeOther, mara.post(faultHref(slope), url.Values{"check": {check}, "reading": {faults.DontKnow}}).status)
		step++
	}
	require.Positive(t, step)
	doc := mara.get(faultHref(slope)).page()
	require.Equal(t, "Stop: it is not safe where it stands", heading(doc))
	require.NotEmpty(t, all(doc, "a", "href", checkHref(slope, faults.Secure)))
	require.Contains(t, text(mara.get("/faults").page()), "stopped: not safe where it stands, move it first")
	require.Equal(t, http.StatusSeeOther, mara.get(faultHref(slope)+"/sheet").status, "no work follows yet")
	require.Equal(t, http.StatusSeeOther, mara.post(faultHref(slope), url.Values{"check": {"secure"}, "reading": {"done"}}).status)
	require.Equal(t, "key", hidden(t, mara.get(faultHref(slope)).page(), "check"))
}

// The finding gives the chance of the cause and that of the part which the work mends.
func TestTheFindingShowsCauseAndPart(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	id := w.addSearch("", faults.Facts{SystemVolts: 12, TemperatureC: fleet.Known(9.0)},
		"secure done", "key click", "lamps bright", "rest_v 12.7", "cca_test good", "relay_click clicks", "positive_drop 0.02", "ground_drop 0.01", "crank_v 12.6", "relay_swap same",
		"signal there", "tap same", "solenoid_drop 0.33")
	doc := w.as("mara").get(faultHref(id)).page()
	require.Regexp(t, `Starter's solenoid, at \d+ %; the starter as a whole, at \d+ %`, text(doc))
	require.Regexp(t, `How sure: [a-z ]+; the starter as a whole: [a-z ]+ ! Mind`, text(doc))
	require.Equal(t, 2, strings.Count(text(all(doc, "section", "class", "verdict found")[0]), "%"), "one figure for each")
	require.Contains(t, text(w.as("mara").get(faultHref(id)+"/sheet").page()), "the starter as a whole")
}
