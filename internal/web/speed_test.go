package web

import (
	"fmt"
	"net/http"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// addListedFleet brings n units of thirty depots and four classes, of every band and suspect, with winters behind them, and the lists of four
// weeks: no two units alike, and none in the order in which it was written.
func (w *world) addListedFleet(n int) {
	w.t.Helper()
	w.exec(`INSERT INTO depot (depot, name, timezone, latitude) SELECT 'D-' || lpad(i::text, 2, '0'), '', 'America/Winnipeg', 49 FROM generate_series(0, 29) i`)
	w.exec(`INSERT INTO day_temp (depot, date, min_c, max_c)
		SELECT depot, '2016-10-01'::date + i, low, low + 9 FROM depot, generate_series(0, 3700) i,
			LATERAL (SELECT 2 - 24 * cos((i - 110) * 2 * pi() / 365.25) + abs(hashtext(depot || i)) % 12 - 6 AS low) l`)
	w.exec(`INSERT INTO unit (unit, depot, class, fuel, system_volts, batteries)
		SELECT 'UNIT-' || lpad((i * 7919 % $1)::text, 8, '0'), 'D-' || lpad((i % 30)::text, 2, '0'), (array['heavy', 'medium', 'van', 'plant'])[1 + i / 30 % 4],
			'diesel', 24, 2 FROM generate_series(1, $1) i`, n)
	w.exec(`INSERT INTO issue (as_of, season_from, season_to, method) SELECT '2026-11-24'::date - 7 * i, '2026-10-01', '2027-03-31', 'test' FROM generate_series(3, 0, -1) i`)
	w.exec(`INSERT INTO forecast SELECT issue, unit, as_of, depot, row_number() OVER (PARTITION BY issue ORDER BY p DESC, unit),
			CASE WHEN p > 0.9 THEN 'down' WHEN p > 0.6 THEN 'swap' WHEN p > 0.2 THEN 'watch' WHEN h % 50 = 0 THEN 'unknown' ELSE 'sound' END,
			CASE WHEN h % 50 > 0 THEN p END, CASE WHEN h % 50 > 0 THEN -40 + 45 * p - h % 7 END, CASE WHEN h % 50 > 0 THEN -44 + 45 * p - h % 7 END,
			CASE WHEN h % 50 > 0 THEN -37 + 45 * p - h % 7 END, (array['battery', 'starter', 'cable', 'charging', 'control'])[1 + h % 5],
			0.6, 0.1, 0.1, 0.1, 0.1, (p * (40000 + h % 90000))::bigint, 20000 + h % 900, CASE WHEN p > 0.2 THEN as_of + h % 90 END,
			array[repeat('evidence ', 20) || h, 'more']
		FROM (SELECT *, abs(hashtext(unit || as_of)) h, power(abs(hashtext(unit)) / 2147483648.0, 4) p FROM unit, issue) u`)
	w.exec(`INSERT INTO outlook (unit, issue, depot, night_limit_c, freezes_at_c, ahead)
		SELECT unit, issue, depot, coalesce(cold_limit_c, -10), NULL, json_build_object('unit', unit, 'drift_c_per_month', 0.4,
			'chance_by_week', (SELECT json_agg(k / 30.0) FROM generate_series(1, 19) k),
			'by_winter', (SELECT json_agg(json_build_array(0.1, 0.2, 0.3, 0.4, 0.5)) FROM generate_series(1, 10) k))
		FROM forecast WHERE issue = (SELECT max(issue) FROM issue)`)
	w.exec(`VACUUM ANALYZE`) //nolint:misspell // as SQL spells it
}

// BenchmarkWinterListOfFiftyThousand reports, for every way to look at the list, how long the first byte of the page takes to come, at the middle
// and at the 99th of a hundred. What a page can remember it may; what is asked for anew each time, as a text to look for, it cannot.
func BenchmarkWinterListOfFiftyThousand(b *testing.B) {
	w := newWorld(b)
	w.addListedFleet(50_000)
	w.addPerson("mara", fleet.Manager)
	w.addPerson("nils", fleet.Mechanic, "D-03", "D-07")
	mara, nils := w.as("mara"), w.as("nils")
	same := func(path string) func(int) string { return func(int) string { return path } }
	type way struct {
		name string
		who  *browser
		path func(i int) string
	}
	ways := []way{
		{"whole", mara, same("/winter-list")},
		{"page-700", mara, same("/winter-list?page=700")},
		{"last-page", mara, same("/winter-list?page=1000")},
		{"of-two-depots", nils, same("/winter-list")},
		{"depot", mara, func(i int) string { return fmt.Sprintf("/winter-list?depot=D-%02d", i%30) }},
		{"depot-search", mara, func(i int) string { return fmt.Sprintf("/winter-list?depot=D-%02d&q=%d", i%30, i) }},
		{"search", mara, func(i int) string { return fmt.Sprintf("/winter-list?q=%04d", i) }},
		{"search-one", mara, func(i int) string { return fmt.Sprintf("/winter-list?q=unit-%08d", i) }},
		{"search-none", mara, func(i int) string { return fmt.Sprintf("/winter-list?q=none%d", i) }},
		{"search-sorted", mara, func(i int) string { return fmt.Sprintf("/winter-list?sort=loss&q=%d", i) }},
		{"all-at-once", mara, func(i int) string {
			return fmt.Sprintf("/winter-list?depot=D-%02d&class=van&band=watch&suspect=cable&sort=swap_by&q=%d", i%30, i%10)
		}},
	}
	for _, look := range reports.Looks() {
		ways = append(ways, way{"band-" + string(look.Band), mara, same("/winter-list?sort=chance&band=" + string(look.Band))})
	}
	for _, o := range listOrders {
		for _, page := range []string{"1", "1000"} {
			ways = append(ways, way{string(o.Order) + "-page-" + page, mara, same("/winter-list?page=" + page + "&sort=" + string(o.Order))})
		}
	}
	for _, filter := range []string{"class=van", "suspect=cable", "class=van&suspect=cable&sort=cold_limit"} {
		ways = append(ways, way{filter, mara, same("/winter-list?" + filter)})
	}
	for _, way := range ways {
		b.Run(way.name, func(b *testing.B) {
			var took []time.Duration
			for i := 0; b.Loop(); i++ {
				start := time.Now()
				req, err := http.NewRequestWithContext(b.Context(), http.MethodGet, w.http.URL+way.path(i), http.NoBody)
				require.NoError(b, err)
				res, err := way.who.client.Do(req)
				took = append(took, time.Since(start))
				require.NoError(b, err)
				require.Equal(b, http.StatusOK, res.StatusCode)
				require.NoError(b, res.Body.Close())
			}
			slices.Sort(took)
			b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "ms-p50")
			b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "ms-p99")
		})
	}
}
