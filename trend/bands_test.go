package trend

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/witness"
)

// printed are the rows of a table whose text was read, by item.
func printed(tb testing.TB, file, item string) (rows []map[string]string) {
	tb.Helper()
	for _, r := range witness.Table(tb, "reference/"+file) {
		if r["item"] == item && r["status"] == "found" {
			rows = append(rows, r)
		}
	}
	require.NotEmpty(tb, rows, item)
	return rows
}

// Before a fleet has told how long its batteries last they are taken to last as long as the battery council's survey and the
// automobile clubs print, and most to fail about when the German club sees it.
func TestUsualLifeIsThePrintedOne(t *testing.T) {
	const file, weeksPerMonth = "10_end_of_life_and_ageing.csv", 365.25 / 7 / 12
	life := defaultParams(&taught).Life
	var months []float64
	for _, item := range []string{"mean_life_2010", "mean_life_2010_north", "mean_life_2010_south"} {
		months = append(months, witness.Number(t, printed(t, file, item)[0]["value"]))
	}
	mean := life.Mean() / weeksPerMonth
	require.True(t, mean >= slices.Min(months) && mean <= slices.Max(months), "%.0f months, printed %v", mean, months)
	typical := printed(t, file, "typical_life_range")[0]
	low, high := witness.Number(t, typical["low"])*weeksPerMonth, witness.Number(t, typical["high"])*weeksPerMonth
	peak := witness.Number(t, printed(t, file, "age_of_battery_failure_peak_germany")[0]["high"]) * weeksPerMonth
	mode := life.Scale * math.Pow(1-1/life.Shape, 1/life.Shape)
	require.True(t, mode >= low && mode <= peak, "most fail in week %.0f", mode)
	require.Greater(t, life.Survival(low)-life.Survival(peak), 0.5, "between three and six years most of them end")
	require.Less(t, life.Survival(2*high), 0.05)
}

// A 1.9 L petrol engine's starter draws 230 to 280 A at −20 °C and 80 to 120 A between 5 and 27 °C.
func TestEngineAsksForMoreCurrentInTheCold(t *testing.T) {
	at := map[string][2]float64{}
	for _, r := range printed(t, "08_starter_current_and_duty.csv", "starter_current_normal") {
		at[r["engine_or_condition"]] = [2]float64{witness.Number(t, r["low"]), witness.Number(t, r["high"])}
	}
	room, frost := at["1.9 L petrol, 5 to 27 degC"], at["1.9 L petrol, -20 degC"]
	got := oilDemand(-20) / oilDemand((5+27)/2)
	require.True(t, got >= frost[0]/room[1] && got <= frost[1]/room[0], "%.2f times", got)
	// With the rating of such a car's battery, 400 to 500 A, the demand that learning begins at lies in the band for room temperature.
	require.True(t, petrolDemand*400 <= room[1] && petrolDemand*500 >= room[0])
}

// What a battery can give over what an engine wants, against the printed quotients: within 15 % down to −18 °C. At −29 °C 20 to 30 % are
// printed to be at hand and 300 to 350 % wanted, so the quotient may lie anywhere between those.
func TestMarginInTheColdIsThePrintedOne(t *testing.T) {
	const slack = 1.15
	margin := func(c float64) float64 { return batteryCold(26.7) / batteryCold(c) * oilDemand(26.7) / oilDemand(c) }
	checked := 0
	var given, wanted []float64
	for _, r := range witness.Table(t, "reference/05_cranking_power_vs_temperature.csv") {
		c, v := witness.Number(t, r["temp_c"]), witness.Number(t, r["value"])
		switch {
		case r["quantity"] == "power_margin_ratio_available_over_required" && c > -20:
			checked++
			require.InDelta(t, 0, math.Log(margin(c)/v), math.Log(slack), "%v: %.3f", r, margin(c))
		case r["status"] != "found" || c > -27 || r["source"] == "TRADE-AUTOTXT": // the last reprints °C as °F
		case r["quantity"] == "battery_cranking_power_available":
			given = append(given, v)
		case r["quantity"] == "engine_cranking_power_required":
			wanted = append(wanted, v)
		}
	}
	require.Equal(t, 5, checked)
	got := margin(-28.9)
	require.True(t, got >= slices.Min(given)/slices.Max(wanted)/slack && got <= slices.Max(given)/slices.Min(wanted)*slack, "%.3f", got)
}
