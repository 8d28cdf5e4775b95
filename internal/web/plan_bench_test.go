package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// addPlannedFleet brings n units of thirty depots, each with room for twelve visits a week, and their outlooks.
func (w *world) addPlannedFleet(n int) {
	w.t.Helper()
	for _, insert := range []string{
		`INSERT INTO depot (depot, name, timezone, swaps_per_week) SELECT 'D-' || lpad(i::text, 2, '0'), '', 'UTC', 12 FROM generate_series(0, 29) i`,
		`INSERT INTO unit (unit, depot, class, fuel, system_volts, batteries)
			SELECT 'UNIT-' || lpad(i::text, 8, '0'), 'D-' || lpad((i % 30)::text, 2, '0'), 'heavy', 'diesel', 24, 2 FROM generate_series(1, $1) i`,
		`WITH i AS (INSERT INTO issue (as_of, season_from, season_to, method) VALUES ('2026-11-24', '2026-10-01', '2027-03-31', 'test') RETURNING issue)
			INSERT INTO forecast SELECT i.issue, unit, '2026-11-24', depot, row_number() OVER (ORDER BY unit), 'watch', 0.4, -10, -13, -8, 'battery',
			0.6, 0.1, 0.1, 0.1, 0.1, 50000, 20000, '2026-12-01', array[repeat('evidence ', 20), 'more'] FROM unit, i`,
		`INSERT INTO outlook (unit, issue, depot, night_limit_c, freezes_at_c, ahead)
			SELECT unit, issue, depot, -10, NULL, json_build_object('unit', unit, 'no_start_cost', 400 + 20 * (h % 40), 'fitted', json_build_object('battery', json_build_array('B-' || h % 5, 'B-' || h % 5)),
				'swap_costs', json_build_object('battery', 310.00, 'starter', 420.00), 'age_years', json_build_object('battery', 1 + (h % 60) / 10.0, 'starter', 4),
				'chance_if', json_build_array(p / 4, p / 2, p, (1 + p) / 2, (2 + p) / 3), 'night', json_build_object('limit_c', -10, 'sd_c', 4, 'spread_c', 2, 'quiet', 0.0002),
				'relief', json_build_object('charge', 2.1, 'renew_battery', 8.4), 'chance_by_week', (SELECT json_agg(p * least(1, k / 9.0)) FROM generate_series(1, 19) k))
			FROM (SELECT *, abs(hashtext(unit)) h, power(abs(hashtext(unit || 'p')) / 2147483648.0, 4) p FROM forecast) f`,
		`ANALYZE`, //nolint:misspell // as SQL spells it
	} {
		var args []any
		if strings.Contains(insert, "$1") {
			args = []any{n}
		}
		_, err := w.db.Pool().Exec(w.t.Context(), insert, args...)
		require.NoError(w.t, err)
	}
}

// BenchmarkPlanOfFiftyThousand reports how long the plan's page takes to come: the first that says it is being worked out, the work itself, read
// as it was kept at night, remembered, and after a choice, which plans one depot anew.
func BenchmarkPlanOfFiftyThousand(b *testing.B) {
	w := newWorld(b)
	w.addPlannedFleet(50_000)
	w.srv.patience = planPatience
	w.addPerson("mara", fleet.Manager)
	who := w.as("mara")
	took := func(name string, ask func()) {
		began := time.Now()
		ask()
		b.ReportMetric(float64(time.Since(began).Microseconds())/1000, "ms-"+name)
	}
	page := func() { require.Equal(b, http.StatusOK, who.get("/plan").status) }
	var bytes int
	for b.Loop() {
		w.srv.plans = reports.NewPlans(w.db)
		took("asked", page)
		took("planned", func() {
			_, err := w.srv.plans.Of(b.Context(), nil, fleet.NewDate(2026, 11, 25))
			require.NoError(b, err)
		})
		_, err := w.srv.plans.Keep(b.Context(), fleet.NewDate(2026, 11, 25))
		require.NoError(b, err)
		w.srv.plans = reports.NewPlans(w.db)
		took("kept", page)
		took("remembered", page)
		took("one-depot", func() { require.Equal(b, http.StatusOK, who.get("/plan?depot=D-07").status) })
		unit := fleet.UnitID("UNIT-00000001")
		took("chosen", func() {
			require.Equal(b, http.StatusSeeOther, who.decide(unit, url.Values{"do": {"visit"}, "week": {"2026-12-07"}}).status)
		})
		took("after", page)
		bytes = len(who.get("/plan", "Accept-Encoding", "identity").body)
		require.Equal(b, http.StatusSeeOther, who.decide(unit, url.Values{"undo": {"1"}}).status)
		_, err = w.db.Pool().Exec(b.Context(), `DELETE FROM plan`)
		require.NoError(b, err)
	}
	b.ReportMetric(float64(bytes), "page-B")
}
