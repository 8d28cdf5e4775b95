package reports_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

func coldNight() reports.TonightData {
	today := fleet.NewDate(2026, 1, 14)
	nor, sud := fleet.Depot{ID: "NOR", Name: "North yard"}, fleet.Depot{ID: "SUD"}
	return reports.TonightData{
		Today: today, AsOf: today, Depots: []fleet.Depot{sud, nor, {ID: "OST"}},
		Lows:  map[fleet.DepotID]fleet.Low{"NOR": {Depot: "NOR", Dawn: today + 1, C: -17.4, Typed: "mara"}, "SUD": {Depot: "SUD", Dawn: today + 1, C: -0.2}},
		Units: map[fleet.DepotID]int{"NOR": 40, "SUD": 12},
		Nights: map[fleet.DepotID][]alerts.Night{
			"NOR": {
				{Unit: "N-1", Depot: "NOR", ColdLimitC: -9, NoStartProbability: 0.97, Suspect: fleet.BatteryPart, Steps: []alerts.Step{{Remedy: fleet.PlugIn, NoStartProbability: 0.304}, {Remedy: fleet.RenewBattery, NoStartProbability: 0.001}}},
				{Unit: "N-2", Depot: "NOR", ColdLimitC: -16, NoStartProbability: 0.3, Suspect: fleet.ControlPart},
				{Unit: "N-3", Depot: "NOR", ColdLimitC: -31, NoStartProbability: 0.02, Suspect: fleet.ChargingPart, MayFreeze: true, FreezesAtC: fleet.Known(-16.1), Steps: []alerts.Step{{Remedy: fleet.Charge, NoStartProbability: 0.01}}},
				{Unit: "N-4", Depot: "NOR", ColdLimitC: -25, NoStartProbability: 0.05, Suspect: fleet.BatteryPart},
			},
		},
	}
}

func plainSpaces(s string) string { return strings.ReplaceAll(s, "\u00a0", " ") }

func TestTonightInWords(t *testing.T) {
	night, err := reports.ComposeTonight(coldNight())
	require.NoError(t, err)
	require.Equal(t, "1 unit will probably not start tonight at NOR, −17 °C", plainSpaces(night.Headline))
	require.Equal(t, []string{"OST"}, night.NoLow)
	at := night.Depots[0]
	require.Equal(t, fleet.DepotID("NOR"), at.Depot, "most trouble first")
	require.Equal(t, []string{"plug in the block heater, where there is one (leaves 30\u00a0%)", "swap the battery (leaves 1\u00a0%)"}, at.WontRun[0].Todo)
	require.Equal(t, []string{"nothing known helps enough overnight: plan with another unit"}, at.Doubtful[0].Todo)
	require.Contains(t, plainSpaces(at.Freezing[0].Freeze), "freezes from about −16 °C")
	require.Equal(t, "1 unit will probably not start, 1 more is doubtful; about 1 failed start is to be expected if nothing is done.", at.Said)
	require.Equal(t, "No unit is likely to fail; fewer than one failed start in two such mornings is to be expected.", night.Depots[1].Said)
	require.Equal(t, "The other 38 units should start.", at.Others)
	require.Equal(t, "All 12 units should start.", night.Depots[1].Others)

	warmer := coldNight()
	warmer.Nights = nil
	calm, err := reports.ComposeTonight(warmer)
	require.NoError(t, err)
	require.Equal(t, "All units should start tonight", calm.Headline)
	require.NotEqual(t, night.Mark, calm.Mark)

	unknown := coldNight()
	unknown.Lows = nil
	_, err = reports.ComposeTonight(unknown)
	require.ErrorIs(t, err, reports.ErrNoLow)
}

// The letter's two parts say the same, and the checklist has every unit that somebody should look at.
func TestTonightsLetter(t *testing.T) {
	night, err := reports.ComposeTonight(coldNight())
	require.NoError(t, err)
	c, err := night.Render([]fleet.Attachment{fleet.AttachPDF, fleet.AttachCSV})
	require.NoError(t, err)
	require.Equal(t, night.Headline, c.Subject)
	for _, part := range []string{c.Text, c.HTML} {
		words := strings.Join(strings.Fields(plainSpaces(part)), " ")
		for _, want := range []string{"N-1", "N-2", "N-3", "almost certain, 97 %", "swap the battery (leaves 1 %)", "typed in by mara", "No low is known for OST", "Never jump or charge a frozen battery"} {
			require.Contains(t, words, want)
		}
		require.NotContains(t, words, "N-4", "it should start")
	}
	pages, err := night.PDF()
	require.NoError(t, err)
	again, err := night.PDF()
	require.NoError(t, err)
	require.Equal(t, pages, again, "same input, same bytes")
	table, err := night.Table()
	require.NoError(t, err)
	require.Equal(t, 5, strings.Count(string(table), "\r\n"))
}

// foreseen are lows in memory.
type foreseen []fleet.Low

func (f foreseen) Lows(_ context.Context, from, to fleet.Date) (found []fleet.Low, err error) {
	for _, l := range f {
		if l.Dawn >= from && l.Dawn <= to {
			found = append(found, l)
		}
	}
	return found, nil
}

func TestLowsAreOfEachDepotsOwnNight(t *testing.T) {
	day := fleet.NewDate(2026, 1, 15)
	now := day.Midnight(time.UTC).Add(-30 * time.Minute) // half past midnight in Oslo, past noon in Auckland
	depots := []fleet.Depot{{ID: "NOR", Timezone: "Europe/Oslo"}, {ID: "AUK", Timezone: "Pacific/Auckland"}, {ID: "OST", Timezone: "Europe/Oslo"}}
	var from foreseen
	for _, depot := range []fleet.DepotID{"NOR", "AUK", "ELSE"} {
		for i := range fleet.Date(4) {
			from = append(from, fleet.Low{Depot: depot, Dawn: day - 1 + i, C: float64(i)})
		}
	}
	lows, err := reports.LowsTonight(t.Context(), from, depots, func(d fleet.Depot) fleet.Date { return reports.Dawn(d, now) })
	require.NoError(t, err)
	require.Equal(t, map[fleet.DepotID]fleet.Low{"NOR": {Depot: "NOR", Dawn: day, C: 1}, "AUK": {Depot: "AUK", Dawn: day + 1, C: 2}}, lows)
	none, err := reports.LowsTonight(t.Context(), from, nil, nil)
	require.NoError(t, err)
	require.Empty(t, none)
}
