package demofleet

import (
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

var sound = plates{mass: 1, charge: 1}

// powerAt is the power a battery gives at 7.2 V, the voltage at which cold cranking current is rated.
func powerAt(p plates, tC float64) float64 {
	c := p.at(tC)
	return 7.2 * root(func(x float64) float64 { return c.v(x) - 7.2 }, 1e-4, nearLimit*c.xLim)
}

func TestCrankingPowerInTheCold(t *testing.T) {
	const warm = 26.7 // 80 °F, to which all figures refer
	for _, tc := range []struct {
		source         string
		tC, share, tol float64
	}{
		{"US Army TM 5-4210-230: 65 % at 32 °F", 0, 0.65, 0.03},
		{"US Army TM 5-4210-230: 40 % at 0 °F; also TM 9-8000 and TM 5-1185", -17.8, 0.40, 0.03},
		{"US Army TM 5-4210-230: 20 % at −20 °F, PS 696: 30 %", -28.9, 0.25, 0.05},
	} {
		t.Run(tc.source, func(t *testing.T) {
			require.InDelta(t, tc.share, powerAt(sound, tc.tC)/powerAt(sound, warm), tc.tol)
		})
	}
	require.InDelta(t, 7.2, sound.at(-18).v(1), 0.1, "SAE J537: 7.2 V at the rated current and −18 °C")
	require.InDelta(t, 12.65, sound.openV(25), 0.06, "a full battery at rest (common practice, 12.6–12.7 V)")
}

func TestCurrentOfASoundUnit(t *testing.T) {
	for _, c := range classes() {
		e := c.engine
		e.oil = thickOil
		at := func(tC float64) turn { return e.crank(bank{a: sound.at(tC)}, wear{}, tC) }
		ratio := at(-20).current / at(15).current
		require.True(t, ratio > 1.7 && ratio < 2.6, "%s: current at −20 °C over that at room temperature is %.2f; a car service manual has 2.55, trade texts 2", c.name, ratio)
		require.Greater(t, at(21).meanV, 9.6, "%s: TM 10-3930, 9.6 V at least at 21–27 °C", c.name)
		require.Greater(t, at(21).speed, 0.9, c.name)
		require.Greater(t, at(-15).speed, e.needed(-15), "%s: a new unit starts at −15 °C", c.name)
	}
}

func TestWalther(t *testing.T) {
	require.InDelta(t, 108, thickOil.viscosity(40), 1e-9)
	require.InDelta(t, 14.4, thickOil.viscosity(100), 1e-9)
	ratio := thickOil.viscosity(-20) / thinOil.viscosity(-20)
	require.True(t, ratio > 2 && ratio < 5, "5W oil is much thinner in the cold: %.1f", ratio)
}

func TestFaultsSignTheirNames(t *testing.T) {
	e := classes()[0].engine
	e.oil = thickOil
	k := bank{a: sound.at(0)}
	healthy := e.crank(k, wear{}, 0)
	cable := e.crank(k, wear{cableV: 3}, 0)
	require.Greater(t, cable.meanV, healthy.meanV-0.01, "a bad cable spares the battery's volts")
	require.Less(t, cable.speed, 0.95*healthy.speed)
	require.LessOrEqual(t, cable.current, healthy.current)
	drag := e.crank(k, wear{drag: 0.8}, 0)
	require.Greater(t, drag.current, 1.2*healthy.current, "a dragging starter draws more")
	require.Less(t, drag.meanV, healthy.meanV)
	faded := e.crank(bank{a: plates{mass: 0.4, corrosion: 0.8, charge: 0.9}.at(0)}, wear{}, 0)
	require.Less(t, faded.meanV, healthy.meanV-0.5, "a faded battery sags")
	require.InDelta(t, healthy.current, faded.current, 0.1*healthy.current, "at about the same current")
}

func TestBankLaws(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		draw := func(name string) plates {
			return plates{
				mass: rapid.Float64Range(0.2, 1).Draw(t, name+" mass"), charge: rapid.Float64Range(0.2, 1).Draw(t, name+" charge"),
				corrosion: rapid.Float64Range(0, 1).Draw(t, name+" corrosion"), shorted: rapid.Bool().Draw(t, name+" shorted"),
			}
		}
		tC := rapid.Float64Range(-35, 30).Draw(t, "°C")
		a, b := draw("a"), draw("b")
		pair := bank{a: a.at(tC), b: b.at(tC), two: true, parallel: rapid.Bool().Draw(t, "parallel")}
		x := rapid.Float64Range(0, 0.95).Draw(t, "share of the limit") * pair.most()
		require.LessOrEqual(t, pair.v(x*1.02), pair.v(x)+1e-6, "more current, fewer volts")
		twins := bank{a: a.at(tC), b: a.at(tC), two: true, parallel: pair.parallel}
		y := 0.9 * twins.a.xLim
		require.InDelta(t, twins.a.v(y), twins.v(y), 1e-9, "two alike are as one")

		e := classes()[rapid.IntRange(0, 3).Draw(t, "class")].engine
		e.oil = thinOil
		turns := e.crank(pair, wear{}, tC)
		require.True(t, turns.speed >= 0 && turns.current > 0 && turns.minV <= turns.meanV+1e-6 && turns.meanV <= turns.restV+1e-6, "%+v", turns)
		colder := e.crank(pair, wear{}, tC-3)
		require.LessOrEqual(t, colder.speed, turns.speed+0.01, "thicker oil, slower engine; close to the plates' limit the curve is too steep for more than a hundredth")
	})
}
