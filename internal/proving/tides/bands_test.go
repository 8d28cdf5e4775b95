package tides

import (
	"math"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

func oneLike(wear float64) battery {
	return battery{piece: piece{crusts: 1, sheds: 1, clog: 1, shows: 1}, charge: 1, wear: wear}
}

// currentAt is the current in shares of the rating under which a battery still has so many volts.
func currentAt(b *battery, volts, celsius float64) float64 {
	p, t := b.plates(), coldAt(celsius)
	return rootOf(func(x float64) float64 { return p.volts(x, &t) - volts }, 0.001, 6)
}

func TestCrankingPowerInTheCold(t *testing.T) {
	fresh := oneLike(0)
	warm := currentAt(&fresh, 7.2, 26.7)
	for _, c := range []struct {
		source         string
		celsius        float64
		lowPct, topPct float64
	}{
		{"TM 5-4210-230, 65 %; PS-696, 67 %", 0, 55, 70},
		{"TM 5-4210-230 and AAA 2018, 40 %; PS-696, under 50 %", -17.8, 35, 50},
		{"TM 5-4210-230, 20 %; PS-696, 30 %", -28.9, 18, 32},
	} {
		pct := 100 * currentAt(&fresh, 7.2, c.celsius) / warm
		require.True(t, c.lowPct <= pct && pct <= c.topPct, "%s: %.0f %% at %.1f °C", c.source, pct, c.celsius)
	}
	require.InDelta(t, 1, currentAt(&fresh, 7.2, -17.8), 0.1, "the rating is what it gives at −18 °C")
}

// Makers of batteries print 12.65, 12.45, 12.24, 12.06 and 11.89 V at rest for quarters of charge.
func TestRestVoltsByCharge(t *testing.T) {
	for charge, want := range map[float64]float64{1: 12.65, 0.75: 12.45, 0.5: 12.24, 0.25: 12.06, 0: 11.89} {
		b := oneLike(0)
		b.charge = charge
		require.InDelta(t, want, b.rest(), 0.04, "charge %.2f", charge)
	}
}

// TM 5-4210-230 prints where acid freezes: 15, 5, −15, −35 and −75 °F.
func TestFreezingByCharge(t *testing.T) {
	for charge, fahrenheit := range map[float64]float64{0: 15, 0.25: 5, 0.5: -15, 0.75: -35, 1: -75} {
		require.InDelta(t, (fahrenheit-32)/1.8, freezesAt(charge), 0.1)
	}
	flat := oneLike(0.2)
	flat.charge = 0.1
	flat.pass(-20)
	require.Greater(t, flat.wear, 0.4, "frozen plates do not mend")
}

// A battery left alone in a mild climate ends between the three and seven years that clubs and makers give (48 months, 36–60; failures
// pile up at 60–72), and sooner where it is warm: by a year for each 7–12 °C.
func TestLivesOfBatteries(t *testing.T) {
	yearsAt := func(celsius float64) float64 {
		b := oneLike(0)
		b.pace = batteriesAge
		for days := 0; ; days++ {
			b.charge = 0.95
			if b.shown() < 0.4 {
				return float64(days) / 365
			}
			b.pass(celsius)
		}
	}
	mild := yearsAt(10)
	require.True(t, 3 <= mild && mild <= 7, "%.1f years", mild)
	require.Greater(t, mild-yearsAt(20), 0.8)
}

func newUnits(n int) []*unit {
	h := newHarbour(proving.Options{Seed: 11, Units: n, Years: 1, AgeYears: 7, AsOf: fleet.NewDate(2025, time.October, 1)})
	units := make([]*unit, n)
	for i := range units {
		units[i] = h.newUnit(i)
		for _, p := range fleet.Suspects() {
			units[i].machine.renew(p, 1, units[i].lives)
		}
	}
	return units
}

func TestSoundUnitsCrankAsManualsSay(t *testing.T) {
	for _, u := range newUnits(60) {
		at := func(celsius float64) (x, volts, n float64) {
			k := u.machine.circuit(meeting{airC: celsius, batteryC: celsius, oilC: celsius, windingC: celsius, soakH: 14})
			x, n = k.turning()
			return x, k.under(&k.bank, x), n
		}
		warmX, volts, n := at(20)
		require.Greater(t, volts, 9.6, "TM 10-3930: 9.6 V at 21–27 °C")
		require.InDelta(t, 1, n, 0.2)
		coldX, volts, slow := at(-20)
		require.Greater(t, volts, 7.0, "TM 5-3895: 6–8 V and above, −23 to −7 °C")
		require.Less(t, slow, n)
		ratio := coldX / warmX
		require.True(t, 1.2 < ratio && ratio < 2.8, "CAR-SVC-DRAW-B has 2.55 for a petrol engine, GARAGE-CA 2: %.2f", ratio)
		require.Less(t, u.coldLimit(), -18.0, "%s", u.class.name)
	}
}

// Every part that wears leaves less to spare, and its own trace in what is read.
func TestWearLeavesTraces(t *testing.T) {
	for _, u := range newUnits(12) {
		c := u.usualDawn(-5)
		read := func(wear func(*machine)) (x, volts, n, spare float64) {
			m := u.machine
			wear(&m)
			k := m.circuit(c)
			x, n = k.turning()
			return x, k.under(&k.bank, x), n, k.spare()
		}
		x0, volts0, n0, spare0 := read(func(*machine) {})
		_, volts, _, spare := read(func(m *machine) { m.batteries[0].wear, m.batteries[1].wear = 1, 1 })
		require.True(t, volts < volts0-0.5 && spare < spare0)
		_, volts, n, spare := read(func(m *machine) { m.cable.wear = 1.3 })
		require.True(t, volts > volts0-0.1 && n < n0 && spare < spare0, "the battery's volts do not tell")
		x, _, n, spare := read(func(m *machine) { m.starter.wear, m.rubs = 1.2, 1 })
		require.True(t, x > x0 && n < n0 && spare < spare0, "bearings")
		x, _, n, spare = read(func(m *machine) { m.starter.wear, m.rubs = 1.2, 0 })
		require.True(t, x < x0 && n < n0 && spare < spare0, "brushes")
		_, _, _, spare = read(func(m *machine) { m.control.wear = 1.5 })
		require.Less(t, spare, spare0)
	}
}

// A charging system that fades lets the battery down over months.
func TestFadingChargingShowsAtRest(t *testing.T) {
	for _, u := range newUnits(12) {
		m, sound := u.machine, u.machine
		m.charging = fading{running: true, pace: 1, lost: 0.1}
		sound.charging = fading{}
		for i := range 300 {
			d := day{on: fleet.Date(i), minC: 2, maxC: 8, hours: 3, starts: 3, dark: 0.6, shaken: 1}
			m.pass(&d, u.lives)
			sound.pass(&d, u.lives)
		}
		a, b := sound.bank(5), m.bank(5)
		require.Greater(t, a.rest, b.rest+0.15)
		require.Greater(t, a.rest, 12.5)
	}
}

func TestRootIsFound(t *testing.T) {
	require.InDelta(t, math.Ln2, rootOf(func(x float64) float64 { return 2 - math.Exp(x) }, 0, 5), 1e-4)
	require.Zero(t, rootOf(func(float64) float64 { return -1 }, 0, 5))
	require.InDelta(t, 5, rootOf(func(float64) float64 { return 1 }, 0, 5), 0)
}
