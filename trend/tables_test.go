package trend

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/internal/witness"
)

// batteryCold is a battery's resistance at a temperature over that at 25 °C.
func batteryCold(c float64) float64 { return math.Exp(perDegree * (25 - c)) }

func TestStateOfChargeIsThePrintedTable(t *testing.T) {
	checked := 0
	for _, r := range witness.Table(t, "reference/01_open_circuit_and_gravity.csv") {
		chemistry := map[string]fleet.Chemistry{"flooded BATT-MAKER-OCV": fleet.Flooded, "agm REF-AGM": fleet.AGM}[r["battery_type"]+" "+r["source"]]
		if chemistry == "" || r["quantity"] != "ocv_12v" {
			continue
		}
		checked++
		require.InDelta(t, witness.Number(t, r["soc_pct"])/100, StateOfCharge(chemistry, witness.Number(t, r["value"])), 1e-12, "%v", r)
	}
	require.Equal(t, 10, checked)
	require.InDelta(t, 0.5, StateOfCharge(fleet.EFB, 12.24), 1e-12)
	require.InDelta(t, 0.5, StateOfCharge(fleet.Gel, 12.30), 1e-12)
}

func TestChargeNeverRisesWhenVoltsFall(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := rapid.Float64Range(10, 14).Draw(t, "v")
		dv := rapid.Float64Range(0, 1).Draw(t, "dv")
		for _, c := range []fleet.Chemistry{fleet.Flooded, fleet.AGM} {
			require.LessOrEqual(t, StateOfCharge(c, v-dv), StateOfCharge(c, v))
			require.GreaterOrEqual(t, FreezingPointC(StateOfCharge(c, v-dv)), FreezingPointC(StateOfCharge(c, v)))
		}
	})
}

func TestFreezingPointIsTheArmysTable(t *testing.T) {
	checked := 0
	for _, r := range witness.Table(t, "reference/02_freezing_point.csv") {
		if r["source"] == "TM5-4210-230" {
			checked++
			require.InDelta(t, witness.Number(t, r["value"]), FreezingPointC(witness.Number(t, r["soc_pct"])/100), 0.05, "%v", r) // printed to 0.1 °C
		}
	}
	require.Equal(t, 5, checked)
}

// The rating is the circuit's unit of measure: at −18 °C the rated current must leave about what SAE J537 asks for.
func TestCircuitHoldsTheRatingsVolts(t *testing.T) {
	left := fullRestV - ratedDropV*batteryCold(-18)
	found := 0
	for _, r := range witness.Table(t, "reference/03_cold_cranking_definitions.csv") {
		if r["rating"] == "CCA (SAE)" && r["unit"] == "V" {
			found++
			require.InDelta(t, witness.Number(t, r["min_voltage_12v"]), left, 0.5)
		}
	}
	require.Equal(t, 1, found)
}

// Power at hand and power wanted in the cold, against the printed figures; the bands are those between sources.
func TestColdTakesPowerAsPrinted(t *testing.T) {
	band := map[string]map[string][2]float64{}
	for _, r := range witness.Table(t, "reference/05_cranking_power_vs_temperature.csv") {
		if s := r["source"]; s != "GARAGE-TABLE" && s != "AAA-2018" && s != "TM5-4210-230" && s != "PS-696" {
			continue
		}
		if band[r["quantity"]] == nil {
			band[r["quantity"]] = map[string][2]float64{}
		}
		v := witness.Number(t, r["value"])
		b, seen := band[r["quantity"]][r["temp_c"]]
		if !seen {
			b = [2]float64{v, v}
		}
		band[r["quantity"]][r["temp_c"]] = [2]float64{min(b[0], v), max(b[1], v)}
	}
	const slackPct = 10 // the sources differ by as much
	for quantity, of := range map[string]func(c float64) float64{
		"battery_cranking_power_available": func(c float64) float64 { return 100 * batteryCold(26.7) / batteryCold(c) },
		"engine_cranking_power_required":   func(c float64) float64 { return 100 * oilDemand(c) / oilDemand(26.7) },
	} {
		for at, b := range band[quantity] {
			got := of(witness.Number(t, at))
			require.True(t, got >= b[0]*0.9-slackPct && got <= b[1]*1.1+slackPct, "%s at %s °C: %.0f %%, printed %v", quantity, at, got, b)
		}
	}
}
