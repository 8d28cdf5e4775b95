package fleet_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

func TestParseMoney(t *testing.T) {
	for in, want := range map[string]fleet.Money{
		"0": 0, "312": 31200, "312.5": 31250, "312.00": 31200, "-0.05": -5, "0.01": 1, "45035996273704.95": 4503599627370495,
	} {
		got, err := fleet.ParseMoney(in)
		require.NoError(t, err, in)
		require.Equal(t, want, got, in)
	}
	for _, in := range []string{"", ".", "1.", ".5", "1.234", "1,00", "1e3", "+1", "--1", "1 000", "0x10", "NaN", "99999999999999999999"} {
		_, err := fleet.ParseMoney(in)
		require.ErrorContains(t, err, "want an amount", in)
	}
}

func TestMoneyComesBackAsWritten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := fleet.Money(rapid.Int64Range(-1e15, 1e15).Draw(t, "minor_units"))
		parsed, err := fleet.ParseMoney(m.String())
		require.NoError(t, err)
		require.Equal(t, m, parsed)

		b, err := json.Marshal(fleet.Known(m))
		require.NoError(t, err)
		var o fleet.Opt[fleet.Money]
		require.NoError(t, json.Unmarshal(b, &o))
		require.Equal(t, fleet.Known(m), o)
	})
}

func TestUnknownIsNullNeverZero(t *testing.T) {
	b, err := json.Marshal(fleet.Forecast{Unit: "P-031", Evidence: []string{}})
	require.NoError(t, err)
	var fields map[string]any
	require.NoError(t, json.Unmarshal(b, &fields))
	for _, name := range []string{"no_start_probability", "cold_limit_c", "cold_limit_p10_c", "cold_limit_p90_c", "expected_loss", "swap_cost", "swap_by"} {
		require.Contains(t, fields, name)
		require.Nil(t, fields[name], name)
	}
}

func TestDateIsTheDayInItsZone(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	require.NoError(t, err)
	lateUTC := time.Date(2025, 12, 31, 23, 30, 0, 0, time.UTC)
	require.Equal(t, "2025-12-31", fleet.DateOf(lateUTC, time.UTC).String())
	require.Equal(t, "2026-01-01", fleet.DateOf(lateUTC, berlin).String())
	require.Equal(t, "1969-12-31", fleet.DateOf(time.Unix(-1, 0), time.UTC).String())
}

func TestDateLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := fleet.Date(rapid.IntRange(-200_000, 200_000).Draw(t, "day"))
		parsed, err := fleet.ParseDate(d.String())
		require.NoError(t, err)
		require.Equal(t, d, parsed)
		require.Equal(t, time.Monday, d.Monday().Weekday())
		require.True(t, d.Monday() <= d && d < d.Monday()+7)
		n := rapid.IntRange(-600, 600).Draw(t, "months")
		_, month, day := d.AddMonths(n).YMD()
		_, from, was := d.YMD()
		require.Equal(t, ((int(from)-1+n)%12+12)%12, int(month)-1)
		require.LessOrEqual(t, day, was)
	})
	require.Equal(t, "2024-02-29", must(fleet.ParseDate("2024-01-31")).AddMonths(1).String())
}

func TestHistoryAsOfSeesNothingAhead(t *testing.T) {
	zone, err := time.LoadLocation("America/New_York")
	require.NoError(t, err)
	asOf := must(fleet.ParseDate("2025-10-01"))
	start := asOf.Midnight(zone)
	h := fleet.History{
		Batteries: []fleet.BatteryFitting{
			{Battery: "open until removed", FittedOn: fleet.Known(asOf - 400), RemovedOn: fleet.Known(asOf), RemovedBecause: fleet.RemovedFailed, CoreReturnedOn: fleet.Known(asOf + 9)},
			{Battery: "ended before", FittedOn: fleet.Known(asOf - 900), RemovedOn: fleet.Known(asOf - 1), RemovedBecause: fleet.RemovedSold},
			{Battery: "not fitted yet", FittedOn: fleet.Known(asOf)},
			{Battery: "fitted nobody knows when"},
		},
		Starters:   []fleet.StarterFitting{{Starter: "s", RemovedOn: fleet.Known(asOf + 3), RemovedBecause: fleet.RemovedFailed}},
		Tests:      []fleet.Test{{At: start.Add(-time.Second)}, {At: start}},
		Cranks:     []fleet.Crank{{At: start.Add(-time.Hour)}, {At: start.Add(-time.Second)}, {At: start}},
		Breakdowns: []fleet.Breakdown{{At: start}},
	}
	got := h.AsOf(asOf, zone)
	require.Len(t, got.Batteries, 3)
	require.Equal(t, fleet.BatteryFitting{Battery: "open until removed", FittedOn: fleet.Known(asOf - 400)}, got.Batteries[0])
	require.Equal(t, h.Batteries[1], got.Batteries[1])
	require.Equal(t, []fleet.StarterFitting{{Starter: "s"}}, got.Starters)
	require.Len(t, got.Tests, 1)
	require.Len(t, got.Cranks, 2)
	require.Empty(t, got.Breakdowns)
	require.Equal(t, asOf, h.Batteries[0].RemovedOn.Or(0), "the history itself stays as it was")
}

func TestFittingIsInclusiveAtBothEnds(t *testing.T) {
	d := must(fleet.ParseDate("2025-03-10"))
	f := fleet.BatteryFitting{FittedOn: fleet.Known(d), RemovedOn: fleet.Known(d + 5)}
	for day, want := range map[fleet.Date]bool{d - 1: false, d: true, d + 5: true, d + 6: false} {
		require.Equal(t, want, f.FittedAt(day), "%s", day)
	}
	require.True(t, fleet.BatteryFitting{RemovedOn: fleet.Known(d)}.FittedAt(d-9999), "an unknown start is open")
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}
