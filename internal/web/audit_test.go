package web

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// addAudit keeps audits of two seasons: of the whole fleet and of depot NOR, of SUD none.
func (w *world) addAudit() {
	w.t.Helper()
	var kept []fleet.KeptAudit
	for _, year := range []int{2024, 2025} {
		for depot, units := range map[fleet.DepotID]int{"": 160, "NOR": 60 - (year-2024)*30} {
			r := auditOf(w.t, year, units)
			r.Units = []alerts.Scored{}
			b, err := json.Marshal(r)
			require.NoError(w.t, err)
			kept = append(kept, fleet.KeptAudit{Season: r.Season, Depot: depot, AsOf: r.AsOf, KnownTo: fleet.NewDate(2026, 11, 24), Result: b})
		}
	}
	require.NoError(w.t, w.db.KeepAudits(w.t.Context(), kept))
}

// auditOf is the audit of a season in which of every five units one failed, the likeliest as a rule.
func auditOf(tb testing.TB, year, units int) alerts.AuditResult {
	tb.Helper()
	season := fleet.Season{From: fleet.NewDate(year, 10, 1), To: fleet.NewDate(year+1, 3, 31)}
	list, with := fleet.RankedList{AsOf: season.From, Season: season}, map[fleet.UnitID]float64{}
	var histories []fleet.History
	for i := range units {
		f := forecast(fleet.UnitID(fmt.Sprintf("N-%d", i)), "NOR", i+1, fleet.Sound)
		p := max(0.02, 0.7-float64(i)/float64(units))
		f.NoStartProbability = fleet.Known(p)
		if p > 0.3 {
			f.Band = fleet.Swap
		}
		list.Units, with[f.Unit] = append(list.Units, f), p*0.9
		h := fleet.History{Unit: fleet.Unit{ID: f.Unit, Depot: "NOR", SystemVolts: 12, Batteries: 1, NoStartCost: fleet.Known(fleet.Money(42000))}}
		if i < units/5 || i%9 == 8 {
			h.Breakdowns = []fleet.Breakdown{{Unit: f.Unit, At: time.Date(year+1, 1, 9, 6, 0, 0, 0, time.UTC), Cause: []fleet.Part{fleet.StarterPart, fleet.BatteryPart}[i%2]}}
		}
		histories = append(histories, h)
	}
	r, err := alerts.Audit(alerts.AuditInput{
		List: list, WithNights: with, Random: rand.New(rand.NewPCG(1, 1)),
		Histories: func(yield func(fleet.History, error) bool) {
			for _, h := range histories {
				if !yield(h, nil) {
					return
				}
			}
		},
	})
	require.NoError(tb, err)
	return r
}

func TestAuditPageSaysHowOftenTheListWasWrong(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	doc := b.get("/audit").page()
	want := auditOf(t, 2025, 160)
	require.Contains(t, text(all(doc, "h1", "", "")[0]), fmt.Sprintf("%d of 160 units failed, %.1f expected", want.Failed, want.Expected))
	words := strings.ReplaceAll(text(doc), "\u00a0", " ")
	require.Contains(t, words, "season 2025–26. All that was in up to 24 Nov was looked at.")
	require.Contains(t, words, "No list was issued when the season began")
	require.Empty(t, all(doc, "p", "class", "wrong"), "there are failures enough")

	tables := all(doc, "table", "class", "list kept")
	require.Len(t, tables, 2)
	swap := want.Bands[0]
	n := float64(swap.Units)
	require.Contains(t, text(tables[0]), fmt.Sprintf("▲ swap %d %d (%.1f to %.1f) %.1f %.1f",
		swap.Units, swap.Failed, swap.Low*n, swap.High*n, swap.Expected, swap.ExpectedNights.Or(0)))
	require.Len(t, all(tables[1], "th", "scope", "row"), 4, "this list and three rules")
	require.Contains(t, text(tables[1]), "this list "+fmt.Sprintf("%.0f (", 100*want.Forecast.AUC.Or(0)))
	require.Contains(t, text(tables[1]), "not known", "no battery has a price: the rules' saving is unknown, not zero")
	for _, img := range all(doc, "img", "width", "") {
		if alt, _ := attribute(img, "alt"); alt != "" {
			src, _ := attribute(img, "src")
			require.Contains(t, strings.ReplaceAll(alt, "\u00a0", " "), "2025–26")
			res := b.get(src)
			require.Equal(t, http.StatusOK, res.status, src)
			require.Equal(t, "image/svg+xml", res.header.Get("Content-Type"))
			require.Contains(t, res.body, "2025–26")
		}
	}

	earlier := b.get("/audit?season=2024-10-01").page()
	require.Contains(t, text(earlier), "season 2024–25. All that was in")
	require.Contains(t, b.get("/audit/orders.svg?season=2024-10-01&narrow").body, "2024–25")
	rows, err := csv.NewReader(strings.NewReader(b.get("/audit.csv").body)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, "as_of", rows[0][0])
	require.Equal(t, "2025-10-01", rows[1][0])
	require.Equal(t, "2024-10-01", rows[len(rows)-1][0])

	for path, status := range map[string]int{
		"/audit?season=winter": http.StatusBadRequest, "/audit?season=2019-10-01": http.StatusNotFound, "/audit?depot=NIX": http.StatusNotFound,
		"/audit/bands.svg?depot=SUD": http.StatusNotFound, "/audit.csv?depot=SUD": http.StatusNotFound, "/audit?depot=SUD": http.StatusOK,
	} {
		require.Equal(t, status, b.get(path).status, path)
	}
	require.Contains(t, text(b.get("/audit?depot=SUD").page()), "There is no audit yet")
}

func TestAuditKeepsToTheDepot(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	w.addPerson("lost", fleet.Mechanic, "NOR")
	_, err := w.db.Pool().Exec(t.Context(), `DELETE FROM person_depot WHERE person = 'lost'`)
	require.NoError(t, err)
	jo := w.as("jo")
	for _, path := range []string{"/audit", "/audit?depot=NOR"} {
		words := text(jo.get(path).page())
		require.Contains(t, words, "of 30 units failed")
		require.Contains(t, words, "too few to judge the list by")
		require.NotContains(t, words, "160")
		require.NotContains(t, words, "SUD")
		require.NotContains(t, words, "the whole fleet")
	}
	require.NotContains(t, jo.get("/audit.csv").body, ",160,")
	for _, path := range []string{"/audit?depot=SUD", "/audit.csv?depot=SUD", "/audit/bands.svg?depot=SUD"} {
		require.Equal(t, http.StatusNotFound, jo.get(path).status, path)
	}
	require.Contains(t, text(w.as("lost").get("/audit").page()), "No depot is yours to see")
	require.Equal(t, http.StatusNotFound, w.as("lost").get("/audit.csv").status)
}

func TestAuditOfAFleetWithoutOne(t *testing.T) {
	w := newWorld(t)
	w.bring(fleetJSON())
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	require.Contains(t, text(b.get("/audit").page()), "There is no audit yet. It is made once a day")
	for _, path := range []string{"/audit.csv", "/audit/bands.svg", "/audit/orders.svg"} {
		require.Equal(t, http.StatusNotFound, b.get(path).status, path)
	}
	_, err := w.db.Pool().Exec(t.Context(), `INSERT INTO audit (season_from, season_to, as_of, known_to, result) VALUES ('2025-10-01', '2026-03-31', '2025-10-01', '2026-11-24', '[]')`)
	require.NoError(t, err)
	require.Equal(t, http.StatusInternalServerError, b.get("/audit").status, "what is kept cannot be read")
}
