package web

import (
	"encoding/csv"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// The world's units fail at −6 to −9 °C and colder; at NOR it is still night, with an imported low of −12 °C.
func TestTonightSaysWhoAndWhatToDo(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	doc := b.get("/tonight?depot=NOR").page()
	require.Equal(t, "3 units will probably not start tonight at NOR, −12 °C", strings.ReplaceAll(text(all(doc, "h1", "", "")[0]), "\u00a0", " "))
	require.Contains(t, text(doc), "park it in a closed hall (leaves")
	require.Contains(t, text(doc), "imported forecast")

	require.Equal(t, "/tonight?depot=NOR", b.post("/tonight/low", url.Values{"depot": {"NOR"}, "low": {"−2,5 °C"}}).header.Get("Location"))
	doc = b.get("/tonight?depot=NOR").page()
	require.Contains(t, text(doc), "typed in by mara")
	require.Contains(t, text(all(doc, "h1", "", "")[0]), "No unit is likely to fail tonight, but 1 is doubtful at NOR")
	value, _ := attribute(all(doc, "input", "id", "low")[0], "value")
	require.Equal(t, "-2.5", value)

	require.Equal(t, "/tonight?depot=NOR", b.post("/tonight/low", url.Values{"depot": {"NOR"}, "low": {"-2.5"}, "forget": {"1"}}).header.Get("Location"))
	require.Contains(t, text(b.get("/tonight?depot=NOR").page()), "imported forecast")
}

func TestTonightRefusesWhatIsNoLow(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	for typed, want := range map[string]string{"cold": "“cold” is not a temperature", "-70": "no night's low", "NaN": "is not a temperature"} {
		r := b.post("/tonight/low", url.Values{"depot": {"NOR"}, "low": {typed}})
		require.Equal(t, http.StatusUnprocessableEntity, r.status)
		doc := r.page()
		require.Contains(t, text(doc), want)
		value, _ := attribute(all(doc, "input", "id", "low")[0], "value")
		require.Equal(t, typed, value, "what was typed is kept")
	}
}

func TestTonightKeepsToOnesOwnDepots(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	w.addPerson("rita", fleet.Reader, "NOR")
	b := w.as("nils")
	require.NotContains(t, text(b.get("/tonight").page()), "S-1")
	require.Equal(t, http.StatusNotFound, b.get("/tonight?depot=SUD").status)
	require.Equal(t, http.StatusNotFound, b.post("/tonight/low", url.Values{"depot": {"SUD"}, "low": {"-9"}}).status)
	require.Equal(t, http.StatusForbidden, w.as("rita").post("/tonight/low", url.Values{"depot": {"NOR"}, "low": {"-9"}}).status)

	rows, err := csv.NewReader(strings.NewReader(b.get("/tonight.csv").body)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, "unit", rows[0][0])
	for _, r := range rows[1:] {
		require.Equal(t, "NOR", r[1])
	}
	require.Len(t, rows, 4)
	require.Contains(t, text(b.get("/tonight/checklist").page()), "No crank")
}

func TestTonightBeforeThereIsAnything(t *testing.T) {
	w := newWorld(t)
	w.addPerson("mara", fleet.Manager)
	require.Contains(t, text(w.as("mara").get("/tonight").page()), "There is no winter list yet")
}
