package store_test

import (
	"cmp"
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// outWorld is two depots whose parts came and went at random, with what must be said of their deposits worked out row by row.
type outWorld struct {
	t    *testing.T
	db   *store.DB
	r    *rand.Rand
	rows []outRow
}

type outRow struct {
	core         fleet.CoreOut
	out, back    fleet.Opt[fleet.Date]
	sold, noCore bool
}

func (w *outWorld) exec(sql string, args ...any) {
	w.t.Helper()
	_, err := w.db.Pool().Exec(w.t.Context(), sql, args...)
	require.NoError(w.t, err, sql)
}

func (w *outWorld) perhaps(day fleet.Date) (d fleet.Opt[fleet.Date]) {
	if w.r.IntN(3) > 0 {
		d = fleet.Known(day)
	}
	return d
}

func written(d fleet.Opt[fleet.Date]) *string {
	day, known := d.Get()
	if !known {
		return nil
	}
	text := day.String()
	return &text
}

// fit brings one fitting, of which a job may say that no core goes back.
func (w *outWorld) fit(i int, today fleet.Date) {
	w.t.Helper()
	kind := []fleet.Part{fleet.BatteryPart, fleet.StarterPart}[w.r.IntN(2)]
	unit, on := w.r.IntN(4), today-fleet.Date(w.r.IntN(60)-5)
	row := outRow{core: fleet.CoreOut{
		Kind: kind, Serial: fmt.Sprintf("%s-%d", kind, i/2), Unit: fleet.UnitID(fmt.Sprintf("U%d", unit)), Depot: fleet.DepotID([]string{"A", "B"}[unit/2]), CostCentre: []string{"", "C"}[unit/2],
		Part: "P", FittedOn: fleet.Known(on + fleet.Date(i%2)), Deposit: fleet.Money(w.r.IntN(3) * 11_00),
	}}
	if i%20 == 0 {
		row.core.FittedOn = fleet.Opt[fleet.Date]{}
	}
	reason := fleet.Removal("")
	if row.out = w.perhaps(on + fleet.Date(w.r.IntN(40))); row.out.IsKnown() {
		reason = []fleet.Removal{fleet.RemovedFailed, fleet.RemovedPreventive, fleet.RemovedSold}[w.r.IntN(3)]
		row.back = w.perhaps(on + fleet.Date(w.r.IntN(60)))
	}
	row.sold, row.noCore = reason == fleet.RemovedSold, w.r.IntN(6) == 0
	extra, values := "", ""
	if kind == fleet.BatteryPart {
		extra, values = ", position, chemistry, rated_cca_a, cca_standard", ", 1, 'agm', 800, 'sae'"
	}
	w.exec(fmt.Sprintf(`INSERT INTO %[1]s_fitting (%[1]s, unit, part, fitted_on, removed_on, removed_because, core_deposit, core_returned_on%[2]s) VALUES ($1, $2, 'P', $3::text::date, $4::text::date, $5, $6, $7::text::date%[3]s)`, kind, extra, values),
		row.core.Serial, string(row.core.Unit), written(row.core.FittedOn), written(row.out), reason, int64(row.core.Deposit), written(row.back))
	if row.noCore {
		w.exec(`INSERT INTO job (unit, part, work, state, core, because, opened_by, exchanged) VALUES ($1, $2, 'swap', 'closed', 'none', 'x', 'x',
			json_build_array(json_build_object('kind', $2::text, 'serial', $3::text, 'fitted_on', $4::text, 'out', true), json_build_object('kind', $2::text, 'serial', 'new', 'out', false)))`,
			string(row.core.Unit), string(kind), row.core.Serial, written(row.core.FittedOn))
	}
	w.rows = append(w.rows, row)
}

// want is what must be said, the most cores one by one.
func (w *outWorld) want(asked fleet.DepositsAsked) (d fleet.DepositsOut) {
	for _, row := range w.rows {
		backLater := !row.back.IsKnown() || row.back.Or(0) > asked.On
		if row.core.Deposit == 0 || !backLater || row.sold || row.noCore || row.core.FittedOn.Or(asked.On) > asked.On || asked.Depots != nil && !slices.Contains(asked.Depots, row.core.Depot) {
			continue
		}
		out, is := row.out.Get()
		if !is || out > asked.On {
			d.Fitted, d.FittedSum = d.Fitted+1, d.FittedSum+row.core.Deposit
			continue
		}
		d.Cores, d.Sum = d.Cores+1, d.Sum+row.core.Deposit
		if late, set := asked.Late.Get(); set && out < late {
			d.Overdue, d.OverdueSum = d.Overdue+1, d.OverdueSum+row.core.Deposit
		}
		row.core.OutOn = out
		d.Due = append(d.Due, row.core)
	}
	slices.SortFunc(d.Due, func(a, b fleet.CoreOut) int {
		return cmp.Or(cmp.Compare(a.OutOn, b.OutOn), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Serial, b.Serial))
	})
	d.Due = d.Due[:min(len(d.Due), asked.Most.Or(len(d.Due)))]
	return d
}

// Sums and cores agree with the rows, to the cent: of all depots and of one, today and of a day gone by, all cores and the first few.
func TestDepositsOutAgreeWithTheRows(t *testing.T) {
	w := &outWorld{t: t, db: yardOf(t), r: rand.New(rand.NewPCG(18, 0))}
	w.exec(`INSERT INTO depot (depot, name, timezone, cost_centre) VALUES ('B', 'B', 'UTC', 'C')`)
	for u := range 4 {
		w.exec(`INSERT INTO unit (unit, depot, class, fuel, system_volts, batteries) VALUES ($1, $2, 'van', 'petrol', 12, 1)`, fmt.Sprintf("U%d", u), []string{"A", "B"}[u/2])
	}
	today := fleet.NewDate(2026, 11, 25)
	for i := range 300 {
		w.fit(i, today)
	}
	for _, asked := range []fleet.DepositsAsked{
		{On: today},
		{On: today, Late: fleet.Known(today - 20), Most: fleet.Known(7)},
		{On: today, Most: fleet.Known(0)},
		{On: today - 15, Late: fleet.Known(today - 30)},
		{On: today, Depots: []fleet.DepotID{"B"}},
		{On: today, Depots: []fleet.DepotID{}},
	} {
		got, err := w.db.DepositsOut(t.Context(), asked)
		require.NoError(t, err)
		want := w.want(asked)
		require.True(t, slices.Equal(want.Due, got.Due), "%+v: %v, not %v", asked, got.Due, want.Due)
		want.Due, got.Due = nil, nil
		require.Equal(t, want, got, "%+v", asked)
		require.Equal(t, asked.Depots == nil || len(asked.Depots) > 0, want.Cores > 10 && want.Fitted > 10)
	}
}
