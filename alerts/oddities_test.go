package alerts_test

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
	"rimeyard/internal/proving/curves"
	"rimeyard/internal/proving/plates"
)

var (
	calmDepot       = fleet.Depot{ID: "HOL", Timezone: "Europe/Oslo", Latitude: fleet.Known(60.0)}
	calmAsOf        = fleet.NewDate(2025, time.October, 1)
	calmDays        = fleet.Date(3 * 365)
	calmUnits       = 36
	testEvery       = fleet.Date(28)
	nothingToChange = func(*calmUnit) {}
)

// calmUnit is a unit of which all readings tell the same, with noise: strength falls slowly and evenly.
type calmUnit struct {
	history  fleet.History
	strength func(d fleet.Date) float64 // of a new battery's, at position 1
	second   func(d fleet.Date) float64
	shown    func(tester string, d fleet.Date, share float64) float64
}

// calm is a fleet in which nothing is odd but what odd makes so, unit by unit.
func calm(odd map[int]func(*calmUnit)) alerts.Input {
	var days []fleet.DayTemp
	low := func(d fleet.Date) float64 { return 2 - 12*math.Cos(2*math.Pi*float64(d-20)/365.25) }
	for d := calmAsOf - calmDays - 400; d < calmAsOf; d++ {
		days = append(days, fleet.DayTemp{Depot: calmDepot.ID, Date: d, MinC: fleet.Known(low(d)), MaxC: fleet.Known(low(d) + 7)})
	}
	var all []fleet.History
	for i := range calmUnits {
		fitted := calmAsOf - calmDays - fleet.Date(20+i*23)
		u := calmUnit{history: fleet.History{
			Unit: fleet.Unit{ID: fleet.UnitID(fmt.Sprintf("U%02d", i)), Depot: calmDepot.ID, Class: "van", Fuel: fleet.Petrol, SystemVolts: 12, Batteries: 1},
		}}
		u.history.Batteries = []fleet.BatteryFitting{battery(u.history.Unit.ID, 1, fitted)}
		u.strength = func(d fleet.Date) float64 { return math.Exp(-0.0002 * float64(d-fitted)) }
		u.shown = func(_ string, _ fleet.Date, share float64) float64 { return share }
		if change := odd[i]; change != nil {
			change(&u)
		}
		u.read(rand.New(rand.NewPCG(9, uint64(i))), low, i)
		all = append(all, u.history)
	}
	return alerts.Input{AsOf: calmAsOf, Depots: []fleet.Depot{calmDepot}, Temps: map[fleet.DepotID][]fleet.DayTemp{calmDepot.ID: days}, Histories: each(all), Workers: 2}
}

func battery(unit fleet.UnitID, position int, on fleet.Date) fleet.BatteryFitting {
	return fleet.BatteryFitting{
		Battery: fmt.Sprintf("%s-%d-%s", unit, position, on), Unit: unit, Position: position, Part: "B70", Chemistry: fleet.Flooded,
		RatedCCAA: 640, CCAStandard: fleet.EN, FittedOn: fleet.Known(on),
	}
}

func (u *calmUnit) read(rng *rand.Rand, low func(fleet.Date) float64, i int) {
	h := &u.history
	twelves := float64(h.Unit.SystemVolts) / 12
	for d := calmAsOf - calmDays; d < calmAsOf; d++ {
		at := d.Midnight(calmDepot.Zone()).Add(6 * time.Hour)
		if d%3 == 0 {
			drop := (1.3 + 0.03*max(0, 10-low(d))) * (0.4 + 0.6/u.strength(d)) * (1 + 0.03*rng.NormFloat64())
			h.Cranks = append(h.Cranks, fleet.Crank{
				Unit: h.Unit.ID, At: at, RestV: fleet.Known(12.62 * twelves), MeanV: fleet.Known(round2((12.62 - drop) * twelves)), MinV: fleet.Known(round2((12.62 - 1.8*drop) * twelves)),
				TemperatureC: fleet.Known(low(d)), DurationMs: fleet.Known(math.Round(700 * (1 + 0.1*rng.NormFloat64()))), Outcome: fleet.Started,
			})
		}
		if d%testEvery != 0 {
			continue
		}
		tester := []string{"A", "B", "C", "D"}[(i+int(d/testEvery))%4]
		for p, strength := range []func(fleet.Date) float64{u.strength, u.second}[:h.Unit.Batteries] {
			h.Tests = append(h.Tests, fleet.Test{
				Unit: h.Unit.ID, Position: p + 1, At: at.Add(4 * time.Hour), RestV: fleet.Known(12.62), CCAStandard: fleet.EN, Tester: tester, TemperatureC: fleet.Known(low(d) + 4),
				CCAA: fleet.Known(math.Round(640 * u.shown(tester, d, strength(d)) * (1 + 0.03*rng.NormFloat64()))),
			})
		}
	}
}

// testDay is a day of tests some time before the list.
func testDay(back fleet.Date) fleet.Date { return (calmAsOf - back) / testEvery * testEvery }

func worn(from fleet.Date, share float64) func(fleet.Date) float64 {
	return func(d fleet.Date) float64 { return max(share, 1-0.0012*float64(d-from)) }
}

func TestEachKindOfOddityIsFound(t *testing.T) {
	first := calmAsOf - calmDays
	swapped, wrong := testDay(300), testDay(200)
	onlyOn := func(day fleet.Date, share float64) func(string, fleet.Date, float64) float64 {
		return func(_ string, d fleet.Date, was float64) float64 {
			if d == day {
				return share
			}
			return was
		}
	}
	everyone := map[int]func(*calmUnit){}
	for i := range calmUnits {
		everyone[i] = func(u *calmUnit) {
			u.shown = func(tester string, d fleet.Date, share float64) float64 {
				if tester == "C" {
					share *= 1 - 0.2*max(0, float64(d-first-400)/365)
				}
				return share
			}
		}
	}
	for _, tc := range []struct {
		kind alerts.OddityKind
		odd  map[int]func(*calmUnit)
		want alerts.Oddity
		near fleet.Date // days by which the date may be off
		says []string
	}{
		{"", map[int]func(*calmUnit){3: nothingToChange}, alerts.Oddity{}, 0, nil},
		{alerts.SwapNotBooked, map[int]func(*calmUnit){5: func(u *calmUnit) {
			old := worn(first, 0.5)
			u.strength = func(d fleet.Date) float64 {
				if d < swapped {
					return old(d)
				}
				return 1
			}
		}}, alerts.Oddity{On: swapped.Monday(), Unit: "U05", Depot: "HOL"}, 14, []string{"strength", "no fitting on record"}},
		{alerts.SwapNotSeen, map[int]func(*calmUnit){6: func(u *calmUnit) {
			u.strength = worn(first, 0.5)
			u.history.Batteries[0].RemovedOn = fleet.Known(swapped)
			u.history.Batteries = append(u.history.Batteries, battery("U06", 1, swapped))
		}}, alerts.Oddity{On: swapped.Monday(), Unit: "U06", Depot: "HOL"}, 0, []string{swapped.Monday().String(), "read as before"}},
		{alerts.Exchanged, map[int]func(*calmUnit){
			7: func(u *calmUnit) { u.strength, u.shown = worn(first, 0.5), onlyOn(wrong, 0.85) },
			8: func(u *calmUnit) { u.shown = onlyOn(wrong, 0.5) },
		}, alerts.Oddity{On: wrong, Unit: "U07", OtherUnit: "U08", Depot: "HOL"}, 0, []string{"U08", wrong.String(), "exchanged, both fit"}},
		{alerts.FarOff, map[int]func(*calmUnit){9: func(u *calmUnit) { u.shown = onlyOn(wrong, 0.4) }}, alerts.Oddity{On: wrong, Unit: "U09", Depot: "HOL"}, 0, []string{"of 640 A rated", "the next test was as before"}},
		{alerts.PairDiffers, map[int]func(*calmUnit){10: func(u *calmUnit) {
			u.history.Unit.SystemVolts, u.history.Unit.Batteries = 24, 2
			u.history.Batteries = append(u.history.Batteries, battery("U10", 2, u.history.Batteries[0].FittedOn.Or(0)))
			u.second = func(d fleet.Date) float64 { return 0.6 * u.strength(d) }
		}}, alerts.Oddity{On: testDay(0), Unit: "U10", Depot: "HOL"}, 0, []string{"each of the last two tests", "%"}},
		{alerts.TesterDrifts, everyone, alerts.Oddity{On: first + 400, Depot: "HOL", Tester: "C"}, 150, []string{"Tester C", "% less"}},
	} {
		t.Run(string(tc.kind), func(t *testing.T) {
			found, err := alerts.Oddities(t.Context(), calm(tc.odd))
			require.NoError(t, err)
			if tc.kind == "" {
				require.NotNil(t, found)
				require.Empty(t, found)
				return
			}
			require.Len(t, found, 1, "%+v", found)
			got := found[0]
			require.InDelta(t, float64(tc.want.On), float64(got.On), float64(tc.near), got.Sentence)
			require.Equal(t, []any{tc.kind, tc.want.Unit, tc.want.OtherUnit, tc.want.Depot}, []any{got.Kind, got.Unit, got.OtherUnit, got.Depot})
			if tc.want.Tester != "" {
				require.Equal(t, tc.want.Tester, got.Tester)
			}
			for _, said := range tc.says {
				require.Contains(t, got.Sentence, said)
			}
		})
	}
}

func TestOdditiesSameWhateverTheOrderAndTheWorkers(t *testing.T) {
	w := newWorld(4, 60, 1)
	said := func(histories []fleet.History, workers int) string {
		found, err := alerts.Oddities(t.Context(), alerts.Input{AsOf: w.asOf, Depots: w.depots, Temps: w.temps, Histories: each(histories), Workers: workers})
		require.NoError(t, err)
		b, err := json.Marshal(found)
		require.NoError(t, err)
		return string(b)
	}
	want := said(w.until(), 1)
	require.Equal(t, want, said(w.shuffled(), 4), "order of rows, workers, or rows not known yet changed the answer")
}

// In fleets with records as bad as real ones, most of what is listed did happen: what was spoiled is known from the same fleet with sound records.
func TestMostListedOdditiesAreReal(t *testing.T) {
	listed, right := map[alerts.OddityKind]int{}, map[alerts.OddityKind]int{}
	for seed, physics := range map[uint64]proving.Physics{51: plates.New(), 52: curves.New()} {
		o := proving.Options{Seed: seed, Units: 240}
		sound, err := proving.Build(t.Context(), physics, o)
		require.NoError(t, err)
		o.Dirt = true
		dirty, err := proving.Build(t.Context(), physics, o)
		require.NoError(t, err)
		found, err := alerts.Oddities(t.Context(), alerts.Input{AsOf: dirty.AsOf, Depots: dirty.Depots, Temps: dirty.Temps, Histories: each(dirty.Histories), Workers: 2})
		require.NoError(t, err)
		spoiled := whatWasSpoiled(sound, dirty)
		for _, one := range found {
			listed[one.Kind]++
			if spoiled.explains(one) {
				right[one.Kind]++
			}
		}
	}
	t.Logf("listed %v, real %v", listed, right)
	require.Positive(t, listed[alerts.SwapNotBooked])
	require.GreaterOrEqual(t, share(right, listed, alerts.SwapNotBooked), 0.7)
	require.Greater(t, listed[alerts.FarOff], 15)
	require.GreaterOrEqual(t, share(right, listed, alerts.FarOff, alerts.Exchanged), 0.7)
	require.Equal(t, 2, listed[alerts.TesterDrifts], "one tester drifts in each fleet")
	require.Zero(t, listed[alerts.SwapNotSeen], "no fitting was booked that did not happen")
}

func share(right, listed map[alerts.OddityKind]int, kinds ...alerts.OddityKind) float64 {
	a, b := 0, 0
	for _, k := range kinds {
		a, b = a+right[k], b+listed[k]
	}
	return float64(a) / float64(b)
}

// spoiled is what the dirt did to the records: fittings left out, and tests under another unit's number.
type spoiled struct {
	swaps map[fleet.UnitID][]fleet.Date
	tests map[fleet.UnitID][]time.Time
}

func whatWasSpoiled(sound, dirty proving.Fleet) spoiled {
	s := spoiled{map[fleet.UnitID][]fleet.Date{}, map[fleet.UnitID][]time.Time{}}
	for i, h := range sound.Histories {
		for _, b := range h.Batteries {
			if !slices.ContainsFunc(dirty.Histories[i].Batteries, func(o fleet.BatteryFitting) bool { return o.Battery == b.Battery }) {
				s.swaps[h.Unit.ID] = append(s.swaps[h.Unit.ID], b.FittedOn.Or(0))
			}
		}
		for _, x := range dirty.Histories[i].Tests {
			if !slices.ContainsFunc(h.Tests, func(o fleet.Test) bool { return o.At.Equal(x.At) && o.Position == x.Position }) {
				s.tests[h.Unit.ID] = append(s.tests[h.Unit.ID], x.At)
			}
		}
	}
	return s
}

// explains allows a swap to show up to ten weeks late: a unit may not be read at once.
func (s spoiled) explains(o alerts.Oddity) bool {
	if o.Kind == alerts.SwapNotBooked {
		return slices.ContainsFunc(s.swaps[o.Unit], func(d fleet.Date) bool { return o.On >= d-14 && o.On <= d+70 })
	}
	return slices.ContainsFunc(s.tests[o.Unit], func(at time.Time) bool { return fleet.DateOf(at, time.UTC) == o.On })
}
