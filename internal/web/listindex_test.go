package web

import (
	"fmt"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// The list in memory lets through what the store lets through, in the same order, and counts alike.
func TestTheListInMemoryIsTheOneInTheStore(t *testing.T) {
	w := newWorld(t)
	w.addListedFleet(900)
	issue, err := w.db.LatestIssue(t.Context())
	require.NoError(t, err)
	list, err := w.srv.listOf(t.Context(), issue.ID)
	require.NoError(t, err)
	require.Len(t, list.lines, 900)
	bands := []fleet.Band{""}
	for _, l := range reports.Looks() {
		bands = append(bands, l.Band)
	}
	suspects := fleet.Suspects()
	rapid.Check(t, func(r *rapid.T) {
		f := fleet.ListFilter{
			Class: rapid.SampledFrom([]string{"", "", "van", "plant", "none"}).Draw(r, "class"), Band: rapid.SampledFrom(bands).Draw(r, "band"),
			Suspect: rapid.SampledFrom(append(suspects[:], "", "", "")).Draw(r, "suspect"), Search: rapid.SampledFrom([]string{"", "", "NIT-00", "unit", "7", "42", "%", "_", "no"}).Draw(r, "search"),
			Limit: rapid.SampledFrom([]int{1, 7, 50}).Draw(r, "limit"), Offset: rapid.IntRange(0, 60).Draw(r, "offset"),
		}
		f.Order = rapid.SampledFrom(append([]fleet.ListOrder{""}, ordersOf()...)).Draw(r, "order")
		if rapid.Bool().Draw(r, "own depots only") {
			f.Depots = []fleet.DepotID{}
			for range rapid.IntRange(0, 3).Draw(r, "depots") {
				f.Depots = append(f.Depots, fleet.DepotID(fmt.Sprintf("D-%02d", rapid.IntRange(0, 31).Draw(r, "depot"))))
			}
		}
		stored, err := w.db.Forecasts(t.Context(), issue.ID, f)
		require.NoError(r, err)
		lines, counts := list.look(f)
		require.Equal(r, unitsOf(stored), linesOf(lines))
		f.Offset = 0
		stored, err = w.db.Forecasts(t.Context(), issue.ID, f)
		require.NoError(r, err)
		require.Equal(r, unitsOf(stored), linesOf(list.first(f)))
		f.Band, f.Limit = "", 0
		stored, err = w.db.Forecasts(t.Context(), issue.ID, f)
		require.NoError(r, err)
		counted := map[fleet.Band]int{}
		for _, one := range stored {
			counted[one.Band]++
		}
		for _, l := range reports.Looks() {
			require.Equal(r, counted[l.Band], counts[l.Band], l.Band)
		}
		rows, err := w.db.ListRows(t.Context(), issue, linesOf(lines))
		require.NoError(r, err)
		for i, row := range rows {
			require.Equal(r, lines[i].Unit, row.Forecast.Unit)
			require.Len(r, row.Forecast.Evidence, 1)
			require.InDelta(r, 0.4, row.DriftCPerMonth.Or(0), 0)
		}
		require.Len(r, rows, len(lines))
	})
}

func ordersOf() (orders []fleet.ListOrder) {
	for _, o := range listOrders {
		orders = append(orders, o.Order)
	}
	return orders
}

func unitsOf(forecasts []fleet.Forecast) []fleet.UnitID {
	units := make([]fleet.UnitID, len(forecasts))
	for i, f := range forecasts {
		units[i] = f.Unit
	}
	return units
}

func linesOf(lines []*fleet.ListLine) []fleet.UnitID {
	units := make([]fleet.UnitID, len(lines))
	for i, l := range lines {
		units[i] = l.Unit
	}
	return units
}
