package gravel

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// Cranking power and what the engine asks for, by temperature: TM 5-4210-230, and a garage's table for the engine.
func TestPowerInTheCold(t *testing.T) {
	for _, tc := range []struct{ airC, left, asked float64 }{{26.7, 1, 1}, {0, 0.65, 1.55}, {-17.8, 0.4, 2.1}, {-28.9, 0.2, 3.5}} {
		one := kit{}
		require.InDelta(t, tc.left, one.supply([2]float64{}, 1, tc.airC), 0.05, "%.1f °C", tc.airC) // the two sources differ by 0.05
		asked := one.wanted(tc.airC)
		require.InDelta(t, tc.asked, asked, 1e-9, "%.1f °C", tc.airC)
	}
}

// A battery that is not full freezes: TM 5-4210-230, −15, 5 and 15 °F at half, a quarter and no charge.
func TestAFlatBatteryFreezes(t *testing.T) {
	one := kit{}
	for _, tc := range []struct{ charge, freezesC float64 }{{0.5, -26.1}, {0.25, -15}, {0.05, -10.2}} {
		above := one.supply([2]float64{}, tc.charge, tc.freezesC+5)
		require.Less(t, one.supply([2]float64{}, tc.charge, tc.freezesC-5), above/10, "charge %.2f", tc.charge)
	}
}

// Rested volts by charge: 12.65, 12.45, 12.24, 12.06, 11.89 V (a battery maker's technical bulletin).
func TestRestedVolts(t *testing.T) {
	k := kit{twelves: 1}
	for i, want := range []float64{11.89, 12.06, 12.24, 12.45, 12.65} {
		s := state{charge: [lanes]float64{float64(i) / 4}}
		require.InDelta(t, want, k.rest(&s, &dawn{soakH: 48}), 0.005)
	}
}

// typical is the mean of a hundred cranks of a new unit of a class at rest for a night at that air.
func typical(c *class, airC, wearOfBattery float64) read {
	k := kit{
		series: c.volts == 24, diesel: c.fuel == fleet.Diesel, margin: c.margin, crankA: c.crankA, crankMs: c.crankMs, twelves: float64(c.volts) / 12,
	}
	s := state{charge: [lanes]float64{1, 1, 1}}
	s.wear[batteryA], s.wear[batteryB] = wearOfBattery, wearOfBattery
	r, sum := rand.New(rand.NewPCG(1, 2)), read{}
	for range 100 {
		q := k.crank(&s, &dawn{airC: airC, soakH: 14, batteryC: airC, oilC: airC}, r)
		sum.minV += q.minV / k.twelves / 100
		sum.amps += q.amps / 100
		sum.ms += q.ms / 100
	}
	return sum
}

// Least volts while cranking, per 12 V: TM 5-3895 gives 6 to 8 V from −23 to −7 °C, 7 to 9 to 10 °C, 8 to 10 to 27 °C for machines in
// service; 9.5 V warm is where others begin to look for faults. Sound units lie in the upper half or not far above.
func TestVoltsWhileCranking(t *testing.T) {
	for i := range classSet {
		c := &classSet[i]
		for _, band := range []struct{ airC, low, high float64 }{{-18, 7, 8.9}, {0, 8, 10}, {25, 9.4, 10.8}} {
			got := typical(c, band.airC, 0.3).minV
			require.True(t, got > band.low && got < band.high, "%s at %.0f °C: %.2f V", c.name, band.airC, got)
		}
	}
}

// A petrol engine draws 255 A at −20 °C and 100 A at room temperature (a service manual): 2.55 times. One of 1.0 to 1.9 l draws
// 80 to 130 A between 5 and 27 °C.
func TestAmperesInTheCold(t *testing.T) {
	c := &classSet[len(classSet)-1]
	require.Equal(t, fleet.Petrol, c.fuel)
	warm := typical(c, 20, 0).amps
	require.InDelta(t, 105, warm, 25)
	require.InDelta(t, 2.55, typical(c, -20, 0).amps/warm, 0.6)
}

func TestWornBatteriesCrankLongerAndDeeper(t *testing.T) {
	c := &classSet[0]
	for _, airC := range []float64{-10, 5} {
		fresh, worn := typical(c, airC, 0.1), typical(c, airC, 1)
		require.Less(t, worn.minV, fresh.minV-0.4)
		require.Greater(t, worn.ms, fresh.ms)
	}
}

// Each surface of wear and charge is monotone.
func TestSurfacesAreMonotone(t *testing.T) {
	for name, tc := range map[string]struct {
		s    *spline
		sign float64
		to   float64
	}{
		"power left": {&powerLeft, -1, 2}, "drawn left": {&drawnLeft, -1, 1.6}, "turned left": {&turnedLeft, -1, 1.6},
		"charge left": {&chargeLeft, 1, 1}, "shown": {&shownAt, -1, 2}, "filled to": {&filledTo, -1, 1.6}, "rest": {&restOf, 1, 1},
	} {
		for x := 0.0; x < tc.to; x += 0.01 {
			require.LessOrEqual(t, 0.0, tc.sign*(tc.s.at(x+0.01)-tc.s.at(x)), "%s at %.2f", name, x)
		}
	}
}

// Life halves per 8 to 10 °C (stationary practice, makers' bulletins).
func TestHeatShortensLife(t *testing.T) {
	for _, c := range []float64{13, 20, 30} {
		require.InDelta(t, 9, 10*math.Ln2/math.Log(heatOf.at(c+10)/heatOf.at(c)), 1.2, "%.0f °C", c)
	}
}

func TestInverseGaussianHasItsMoments(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	const n, mean, shape = 200_000, 0.004, 0.008
	var sum, squares float64
	for range n {
		x := inverseGaussian(r, mean, shape)
		sum, squares = sum+x, squares+x*x
	}
	got := sum / n
	require.InEpsilon(t, mean, got, 0.01)
	require.InEpsilon(t, mean*mean*mean/shape, squares/n-got*got, 0.05)
}
