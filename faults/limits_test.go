package faults

import (
	"strconv"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/witness"
)

// one is the value of the only row with these columns.
func one(tb testing.TB, name string, columns ...string) float64 {
	tb.Helper()
	var found []float64
	for _, r := range witness.Table(tb, "reference/"+name) {
		fits := true
		for i := 0; i < len(columns); i += 2 {
			fits = fits && r[columns[i]] == columns[i+1]
		}
		if fits {
			found = append(found, witness.Number(tb, r["value"]))
		}
	}
	require.Len(tb, found, 1, "%v", columns)
	return found[0]
}

func volts(system int) Facts { return Facts{SystemVolts: system} }

func TestLoadTestLimitIsThePrintedTable(t *testing.T) {
	n := 0
	for _, r := range witness.Table(t, "reference/04_load_test_min_voltage.csv") {
		if r["source"] != "CAR-SVC-LOAD-A" {
			continue
		}
		f := Facts{TemperatureC: fleet.Known(witness.Number(t, r["temp_c"]))}
		require.InDelta(t, witness.Number(t, r["value"]), f.LoadTestLimitV(), 1e-12, "%v", r)
		n++
	}
	require.Equal(t, 8, n)
	require.InDelta(t, 9.6, Facts{TemperatureC: fleet.Known(35.0)}.LoadTestLimitV(), 0, "20 and above")
	require.InDelta(t, 8.5, Facts{TemperatureC: fleet.Known(-30.0)}.LoadTestLimitV(), 0)
	trap := func(name string) float64 { return one(t, "18_traps.csv", "trap", name) }
	require.InDelta(t, trap("load test in the cold"), Facts{TemperatureC: fleet.Known(-18.0)}.LoadTestLimitV(), 1e-9)
	require.InDelta(t, trap("load table is not straight"), Facts{TemperatureC: fleet.Known((30 - 32) / 1.8)}.LoadTestLimitV(), 0.01)
}

func TestRestLimitsArePrinted(t *testing.T) {
	f := Facts{}.restLimits()
	require.InDelta(t, one(t, "04b_load_test_procedure.csv", "parameter", "min_ocv_to_load_test"), f.fineV, 0)
	ocv := func(kind, source, soc string) float64 {
		return one(t, "01_open_circuit_and_gravity.csv", "battery_type", kind, "source", source, "soc_pct", soc, "quantity", "ocv_12v")
	}
	require.InDelta(t, ocv("flooded", "TM5-3805-262-20", "75"), f.fineV, 0)
	require.InDelta(t, ocv("flooded", "TM5-3805-262-20", "50"), f.enoughV, 0)
	require.InDelta(t, ocv("flooded", "BATT-MAKER-OCV", "0"), f.flatV, 0.011)
	agm := Facts{Chemistry: fleet.AGM}.restLimits()
	require.InDelta(t, ocv("agm", "REF-AGM", "75"), agm.fineV, 0)
	require.InDelta(t, ocv("agm", "REF-AGM", "50"), agm.enoughV, 0)
	require.InDelta(t, ocv("agm", "REF-AGM", "0"), agm.flatV, 0)
}

func TestCrankingBandsArePrinted(t *testing.T) {
	n := 0
	for _, r := range witness.Table(t, "reference/06_cranking_voltage_by_temperature.csv") {
		if r["item"] != "typical_band" {
			continue
		}
		system := int(witness.Number(t, r["system_v"]))
		middle := (witness.Number(t, r["temp_low_c"]) + witness.Number(t, r["temp_high_c"])) / 2
		f := Facts{SystemVolts: system, Fuel: fleet.Diesel, TemperatureC: fleet.Known(middle)}
		require.InDelta(t, witness.Number(t, r["low"]), f.CrankLowV(), 0, "%v", r)
		require.Less(t, witness.Number(t, r["high"]), f.IdleCrankV()+1e-9, "a crank is told from none, %v", r)
		n++
	}
	require.Equal(t, 6, n)
	warm := Facts{SystemVolts: 12, Fuel: fleet.Petrol, TemperatureC: fleet.Known(24.0)}
	require.InDelta(t, one(t, "06_cranking_voltage_by_temperature.csv", "item", "minimum_while_cranking", "source", "TM10-3930"), warm.CrankLowV(), 0)
}

func TestVoltageDropsArePrinted(t *testing.T) {
	const file = "07_voltage_drop_limits.csv"
	for _, system := range []int{12, 24} {
		v := strconv.Itoa(system)
		require.InDelta(t, one(t, file, "system_v", v, "path", "battery positive post to starter positive terminal"), volts(system).PositiveDropV(), 1e-12)
		_, most := volts(system).GroundDropV()
		require.InDelta(t, one(t, file, "system_v", v, "path", "battery negative post to starter ground"), most, 1e-12)
	}
	strict, _ := volts(12).GroundDropV()
	require.InDelta(t, one(t, file, "path", "negative cable battery to block"), strict, 0)
	require.InDelta(t, one(t, file, "path", "positive cable battery to starter"), volts(12).PositiveDropV(), 0)
	require.InDelta(t, 0.3, volts(12).SolenoidDropV(), 0) // workshop limit, from memory
	require.InDelta(t, 0.1, volts(12).ClampDropV(), 0)    // trade practice, from memory; TM 10-3930 allows none
	require.InDelta(t, one(t, file, "path", "solenoid circuit while cranking, bad above"), volts(12).SignalLossV(), 0)
}

func TestDrainFollowsCapacity(t *testing.T) {
	const file = "09_parasitic_drain.csv"
	require.InDelta(t, one(t, file, "item", "key_off_drain_max", "source", "WEB-PARASITIC-A"), Facts{}.DrainMA(), 0)
	for reserve, allowed := range map[float64]float64{100: 25, 120: 30} { // a car maker's bulletin, from memory; 0.4 Ah for each reserve minute
		require.InDelta(t, allowed, Facts{RatedAh: fleet.Known(0.4 * reserve)}.DrainMA(), 1e-9)
	}
	f := Facts{RatedAh: fleet.Known(60.0)} // 100 reserve minutes by the rule of that table's rows
	require.InDelta(t, one(t, file, "item", "days_to_no_start_at_50mA_100RC"), f.DaysToNoStart(50).Or(0), 0.05)
	require.InDelta(t, one(t, file, "item", "days_to_no_start_at_30mA_100RC"), f.DaysToNoStart(30).Or(0), 0.05)
	require.False(t, Facts{}.DaysToNoStart(50).IsKnown())
}

func TestStarterCurrentIsThePrintedRange(t *testing.T) {
	const file = "08_starter_current_and_duty.csv"
	for litres, engine := range map[float64]string{1.6: "4 cylinder", 3.0: "6 cylinder", 5.0: "8 cylinder"} {
		f := Facts{SystemVolts: 12, Fuel: fleet.Petrol, EngineLitres: fleet.Known(litres), TemperatureC: fleet.Known(21.0)}
		_, most, ok := f.StarterCurrentA()
		require.True(t, ok)
		require.InDelta(t, one(t, file, "item", "starter_current_max", "engine_or_condition", engine), most, 1e-9)
	}
	cold := Facts{SystemVolts: 12, Fuel: fleet.Petrol, EngineLitres: fleet.Known(1.9), TemperatureC: fleet.Known(-20.0)}
	low, high, _ := cold.StarterCurrentA()
	require.Greater(t, 230.0, low)
	require.Less(t, 280.0, high, "a car's service manual: 230 to 280 A at −20 °C is normal")
	_, _, ok := Facts{SystemVolts: 24, EngineLitres: fleet.Known(9.0)}.StarterCurrentA()
	require.False(t, ok)
}

func TestThePriorIsThePublishedShares(t *testing.T) {
	const file = "11_breakdown_shares_and_costs.csv"
	p := Prior{}.chances(volts(12))
	batteries, starters := p[Flat.index()]+p[Worn.index()]+p[Drain.index()], p.ofJob(jobStarter)
	require.InDelta(t, one(t, file, "item", "ratio_battery_to_starter_jobs"), batteries/starters, 0.02)
	unserviceable, flat := one(t, file, "item", "calls_winter_battery_unserviceable"), one(t, file, "item", "calls_winter_battery_flat")
	require.InDelta(t, flat/(flat+unserviceable), 1-p[Worn.index()]/batteries, 0.005)
	require.InDelta(t, one(t, file, "item", "calls_winter_alternator")/one(t, file, "item", "calls_winter_starter")/3, p[Charging.index()]/starters, 0.01)
}

func TestTheTablesAreWhole(t *testing.T) {
	seen := map[Check]bool{}
	for _, c := range checks {
		require.False(t, seen[c.id], "%s is there twice", c.id)
		seen[c.id] = true
		require.True(t, c.title != "" && c.why != "" && len(c.how) > 0 && c.expect != "" && c.minutes > 0, "%s", c.id)
		require.Empty(t, c.rows[0].of, "%s: its first row is for all", c.id)
		named := map[Cause]bool{}
		for _, r := range c.rows {
			sum := 0.0
			require.Len(t, r.p, len(c.answers), "%s", c.id)
			for _, v := range r.p {
				require.True(t, v >= 0 && v <= 1)
				sum += v
			}
			require.InDelta(t, 1, sum, 1e-9, "%s %v", c.id, r)
			for _, id := range r.of {
				require.NotPanics(t, func() { id.index() }, "%s", id)
				named[id] = true
			}
		}
		for _, l := range c.likelihoods().said {
			for _, v := range l {
				require.True(t, v > 0 || c.misread == 0, "%s rules a cause out for good", c.id)
			}
		}
		for _, system := range []int{12, 24} {
			for _, box := range []fleet.Gearbox{"", fleet.Automatic, fleet.Manual} {
				s, err := New(Facts{SystemVolts: system, Gearbox: box}, Prior{})
				require.NoError(t, err)
				ask, err := s.Look(c.id)
				require.NoError(t, err)
				for _, text := range append([]string{ask.Expect, ask.Why, ask.Title}, ask.How...) {
					require.NotRegexp(t, `[{}]`, text, "%s", c.id)
				}
				for _, o := range ask.Outcomes {
					require.NotRegexp(t, `[{}]`, o.Text+o.Means, "%s", c.id)
				}
			}
		}
	}
}
