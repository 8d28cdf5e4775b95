package trend

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

// coldDays are eight years with cold spells, −14 °C in a middling January night.
func coldDays() []fleet.DayTemp {
	rng := rand.New(rand.NewPCG(11, 3))
	spell := 0.0
	var days []fleet.DayTemp
	for d := asOf - 2900; d < asOf+200; d++ {
		spell = 0.8*spell + 2.5*rng.NormFloat64()
		low := 1 - 15*math.Cos(2*math.Pi*float64(d-20)/365.25) + spell
		days = append(days, fleet.DayTemp{Depot: yard.ID, Date: d, MinC: fleet.Known(low), MaxC: fleet.Known(low + 7)})
	}
	return days
}

var coldWeather = sync.OnceValue(func() Weather {
	return NewWeather([]fleet.Depot{yard}, map[fleet.DepotID][]fleet.DayTemp{yard.ID: coldDays()}, asOf)
})

// lived is a unit that lost strength at its own pace for four years and broke down when a cold morning asked too much of it.
func lived(i int) fleet.History {
	rng := rand.New(rand.NewPCG(uint64(i), 17))
	id := fleet.UnitID(fmt.Sprintf("L%03d", i))
	h := fleet.History{Unit: fleet.Unit{ID: id, Depot: yard.ID, Class: []string{"van", "tipper"}[i%2], Fuel: []fleet.Fuel{fleet.Petrol, fleet.Diesel}[i%2], SystemVolts: 12, Batteries: 1}}
	fitted := asOf - 1460 - fleet.Date(rng.IntN(900))
	battery := func(on fleet.Date) fleet.BatteryFitting {
		return fleet.BatteryFitting{
			Battery: fmt.Sprint(id, on), Unit: id, Position: 1, Part: "B6", Chemistry: fleet.Flooded, RatedCCAA: 600, CCAStandard: fleet.EN, FittedOn: fleet.Known(on),
		}
	}
	h.Batteries = append(h.Batteries, battery(fitted))
	pace, drag := 0.0005*math.Exp(0.6*rng.NormFloat64()), 0.1*rng.NormFloat64()
	for d := asOf - 1460; d < asOf; d++ {
		loss := pace * float64(d-fitted)
		low, _, _ := coldWeather().Day(yard.ID, d)
		at := d.Midnight(yard.Zone()).Add(6 * time.Hour)
		if d%35 == fleet.Date(i%35) {
			h.Tests = append(h.Tests, fleet.Test{
				Unit: id, Position: 1, At: at.Add(3 * time.Hour), RestV: fleet.Known(12.6), CCAA: fleet.Known(math.Round(600 * math.Exp(-loss+0.04*rng.NormFloat64()))),
				CCAStandard: fleet.EN, Tester: []string{"A", "B"}[i/2%2],
			})
		}
		fails := low < -33+20*loss+30*drag+2*rng.NormFloat64()
		if !fails && d%3 != 0 {
			continue
		}
		lost := 1.5 * math.Exp(loss+drag-0.02*low+0.05*rng.NormFloat64())
		c := fleet.Crank{
			Unit: id, At: at, RestV: fleet.Known(12.6), MeanV: fleet.Known(max(5, 12.5-lost)), MinV: fleet.Known(max(4, 12.5-1.6*lost)),
			TemperatureC: fleet.Known(math.Round(low)), DurationMs: fleet.Known(700 * math.Exp(0.3*loss-0.01*low)), Outcome: fleet.Started,
		}
		if fails {
			c.Outcome = fleet.NoCrank
			cause := fleet.Suspects()[rng.IntN(2)]
			h.Breakdowns = append(h.Breakdowns, fleet.Breakdown{Unit: id, At: at, Cause: cause})
			h.Batteries[len(h.Batteries)-1].RemovedOn, h.Batteries[len(h.Batteries)-1].RemovedBecause = fleet.Known(d), fleet.RemovedFailed
			h.Batteries = append(h.Batteries, battery(d))
			fitted = d
		}
		h.Cranks = append(h.Cranks, c)
	}
	return h
}

const livedUnits = 48

type learnedFleet struct {
	histories []fleet.History
	tracks    []Track
	params    Params
}

// learned is a small fleet and what it teaches, once for all tests.
var learned = sync.OnceValue(func() (f learnedFleet) {
	for i := range livedUnits {
		h := lived(i)
		f.histories = append(f.histories, h)
		f.tracks = append(f.tracks, Compress(h, yard, coldWeather(), asOf))
	}
	var err error
	f.params, err = Learn(context.Background(), f.tracks, coldWeather(), 2)
	if err != nil {
		panic(err) // only the context can end learning
	}
	return f
})

func (f *learnedFleet) state(h fleet.History) State {
	return Estimate(Compress(h, yard, coldWeather(), asOf), f.params)
}

// seasonChance is the chance over the depot's past winters.
func seasonChance(s State) float64 { return chanceOf(s.Outlook()) }

func chanceOf(o Outlook) (p float64) {
	winters, spread := coldWeather().RiskWinters(yard, SeasonOf(asOf, yard), asOf)
	for _, w := range winters {
		p += o.Risk(w.DawnC, 0, spread, nil) / float64(len(winters))
	}
	return p
}

func (f *learnedFleet) draw(t *rapid.T) fleet.History {
	return f.histories[rapid.IntRange(0, livedUnits-1).Draw(t, "unit")]
}

// The fleet holds what the laws are about, or they would hold of nothing.
func TestTheLearnedFleetHasFailures(t *testing.T) {
	f := learned()
	broke, weak := 0, 0
	for i := range f.histories {
		broke += len(f.histories[i].Breakdowns)
		weak += truth(seasonChance(f.state(f.histories[i])) > 0.3)
	}
	require.Greater(t, broke, 10)
	require.Positive(t, f.params.Foresight.Failures)
	require.Positive(t, weak)
	require.Less(t, weak, livedUnits)
}

func TestColderIsNeverLessLikelyToFail(t *testing.T) {
	f := learned()
	rapid.Check(t, func(t *rapid.T) {
		o := f.state(f.draw(t)).Outlook()
		low, colder := rapid.Float64Range(-45, 15).Draw(t, "low"), rapid.Float64Range(0, 20).Draw(t, "colder")
		require.GreaterOrEqual(t, MorningAt(o.Night(), low-colder), MorningAt(o.Night(), low))
		nights := rapid.SliceOfN(rapid.Float64Range(-35, 10), 1, 182).Draw(t, "nights")
		cold := slices.Clone(nights)
		for i := range cold {
			cold[i] -= colder * rapid.Float64Range(0, 1).Draw(t, "by")
		}
		spread, first := rapid.Float64Range(0, 4).Draw(t, "spread"), rapid.IntRange(0, 120).Draw(t, "first")
		byDay, coldByDay := make([]float64, len(nights)), make([]float64, len(nights))
		p, q := o.Risk(nights, first, spread, byDay), o.Risk(cold, first, spread, coldByDay)
		require.GreaterOrEqual(t, q, p-1e-12)
		for d := range nights {
			require.GreaterOrEqual(t, coldByDay[d], byDay[d]-1e-12, "day %d", d)
			require.True(t, d == 0 || byDay[d] >= byDay[d-1]-1e-12, "a chance that falls as days go by")
		}
		require.InDelta(t, p, byDay[len(nights)-1], 0)
	})
}

// lastTestLower is the same history with less shown by the last test.
func lastTestLower(h fleet.History, less float64) fleet.History {
	h.Tests = slices.Clone(h.Tests)
	last := &h.Tests[len(h.Tests)-1]
	last.CCAA = fleet.Known(last.CCAA.Or(0) * (1 - less))
	return h
}

// Of a unit that is only tested, a weaker test never lowers wear, limit or, with the same doubt about the limit, the chance: two tests that
// both surprise widen the doubt, and that draws a chance beyond a half back towards it. Where cranks read as before beside a weaker test, they
// say that the engine asks for less, or outweigh the test once it opens the belief: that may give a little back, no more.
func TestWeakerLastTestNeverLowersLimitOrChance(t *testing.T) {
	const givenBackWear, givenBackC, givenBack = 0.05, 0.3, 0.06
	f := learned()
	rapid.Check(t, func(t *rapid.T) {
		h, less := f.draw(t), rapid.Float64Range(0, 0.5).Draw(t, "less")
		before, after := f.state(h), f.state(lastTestLower(h, less))
		require.GreaterOrEqual(t, after.Wear, before.Wear-givenBackWear)
		require.GreaterOrEqual(t, after.ColdLimitC, before.ColdLimitC-givenBackC)
		require.GreaterOrEqual(t, seasonChance(after), seasonChance(before)-givenBack)
		h.Cranks = nil
		before, after = f.state(h), f.state(lastTestLower(h, less))
		require.GreaterOrEqual(t, after.Wear, before.Wear-1e-9)
		require.GreaterOrEqual(t, after.ColdLimitC, before.ColdLimitC-1e-9)
		alike := after.Outlook()
		alike.sdC = before.Outlook().sdC
		require.GreaterOrEqual(t, chanceOf(alike), seasonChance(before)-1e-9)
		require.GreaterOrEqual(t, seasonChance(after), seasonChance(before)-givenBack)
	})
}

func shuffled[T any](t *rapid.T, rows []T, name string) []T {
	return rapid.Permutation(slices.Clone(rows)).Draw(t, name)
}

func TestOrderOfRowsDoesNotMatter(t *testing.T) {
	f := learned()
	rapid.Check(t, func(t *rapid.T) {
		h := f.draw(t)
		mixed := h
		mixed.Tests, mixed.Cranks = shuffled(t, h.Tests, "tests"), shuffled(t, h.Cranks, "cranks")
		mixed.Batteries, mixed.Breakdowns = shuffled(t, h.Batteries, "batteries"), shuffled(t, h.Breakdowns, "breakdowns")
		require.Equal(t, Compress(h, yard, coldWeather(), asOf), Compress(mixed, yard, coldWeather(), asOf))
	})
}

func jsonOf(tb testing.TB, v any) string {
	tb.Helper()
	b, err := json.Marshal(v)
	require.NoError(tb, err)
	return string(b)
}

func TestLearningIsTheSameForAnyWorkersAndOrder(t *testing.T) {
	f := learned()
	want := jsonOf(t, f.params)
	for _, workers := range []int{1, 8} {
		tracks := slices.Clone(f.tracks)
		rand.New(rand.NewPCG(5, uint64(workers))).Shuffle(len(tracks), func(i, j int) { tracks[i], tracks[j] = tracks[j], tracks[i] })
		p, err := Learn(context.Background(), tracks, coldWeather(), workers)
		require.NoError(t, err)
		require.Equal(t, want, jsonOf(t, p), "%d workers", workers)
	}
}

// A test without a figure, and starts of a warm engine: a warm start profile itself dips to 7 V, and its volts at rest
// are those of a battery just charged.
func TestRowsThatSayNothingChangeNothing(t *testing.T) {
	f := learned()
	rapid.Check(t, func(t *rapid.T) {
		h := f.draw(t)
		more := h
		more.Tests, more.Cranks = slices.Clone(h.Tests), slices.Clone(h.Cranks)
		for range rapid.IntRange(1, 5).Draw(t, "rows") {
			at := (asOf - fleet.Date(rapid.IntRange(1, 1400).Draw(t, "back"))).Midnight(yard.Zone()).Add(time.Duration(rapid.IntRange(8, 20).Draw(t, "hour")) * time.Hour)
			more.Tests = append(more.Tests, fleet.Test{Unit: h.Unit.ID, Position: 1, At: at, Tester: "C"})
			more.Cranks = append(more.Cranks, fleet.Crank{Unit: h.Unit.ID, At: at, RestV: fleet.Known(12.9), MinV: fleet.Known(7.0), CoolantC: fleet.Known(80.0), Outcome: fleet.Started})
		}
		for _, c := range h.Cranks { // and one soon after each morning's
			c.At, c.RestV, c.MinV, c.MeanV, c.DurationMs = c.At.Add(20*time.Minute), fleet.Known(12.9), fleet.Known(7.0), fleet.Opt[float64]{}, fleet.Known(400.0)
			if c.Outcome == fleet.Started {
				more.Cranks = append(more.Cranks, c)
			}
		}
		require.Equal(t, fmt.Sprint(f.state(h).belief), fmt.Sprint(f.state(more).belief))
		require.InDelta(t, seasonChance(f.state(h)), seasonChance(f.state(more)), 0)
	})
}

func TestTheFutureIsNotSeen(t *testing.T) {
	f := learned()
	season := SeasonOf(asOf, yard)
	rapid.Check(t, func(t *rapid.T) {
		h := f.draw(t)
		told := h
		ahead := func() time.Time {
			return asOf.Midnight(yard.Zone()).Add(time.Duration(rapid.IntRange(0, 4000).Draw(t, "hours")) * time.Hour)
		}
		told.Tests = append(slices.Clone(h.Tests), fleet.Test{Unit: h.Unit.ID, Position: 1, At: ahead(), RestV: fleet.Known(11.5), CCAA: fleet.Known(100.0), CCAStandard: fleet.EN, Tester: "A"})
		told.Cranks = append(slices.Clone(h.Cranks), fleet.Crank{Unit: h.Unit.ID, At: ahead(), MinV: fleet.Known(5.0), Outcome: fleet.NoCrank})
		told.Breakdowns = append(slices.Clone(h.Breakdowns), fleet.Breakdown{Unit: h.Unit.ID, At: ahead(), Cause: fleet.BatteryPart})
		told.Batteries = slices.Clone(h.Batteries)
		last := &told.Batteries[len(told.Batteries)-1]
		last.RemovedOn, last.RemovedBecause = fleet.Known(asOf+fleet.Date(rapid.IntRange(0, 170).Draw(t, "removed"))), fleet.RemovedFailed
		require.Equal(t, Compress(h, yard, coldWeather(), asOf), Compress(told, yard, coldWeather(), asOf))
	})
	days := coldDays()
	for i := range days {
		if days[i].Date >= asOf {
			days[i].MinC = fleet.Known(-40.0)
		}
	}
	told := NewWeather([]fleet.Depot{yard}, map[fleet.DepotID][]fleet.DayTemp{yard.ID: days}, asOf)
	known, _ := coldWeather().RiskWinters(yard, season, asOf)
	after, _ := told.RiskWinters(yard, season, asOf)
	require.Equal(t, known, after)
}

// Whatever the weights and signs, the suspects' chances are chances, and sum to 1.
func TestSuspectsSumToOne(t *testing.T) {
	f := learned()
	total := func(shares map[fleet.Part]float64) (sum float64) {
		require.Len(t, shares, causeCount)
		for _, p := range shares {
			require.True(t, p > 0 && p < 1, "%v", shares)
			sum += p
		}
		return sum
	}
	for i := range f.histories {
		require.InDelta(t, 1, total(f.state(f.histories[i]).Suspects()), 1e-12)
	}
	rapid.Check(t, func(t *rapid.T) {
		var c Causes
		var s signs
		for j := range s {
			s[j] = rapid.Float64Range(-5, 5).Draw(t, "sign")
			for i := range c {
				c[i][j] = rapid.Float64Range(-20, 20).Draw(t, "weight")
			}
		}
		sum := 0.0
		for _, p := range c.shares(&s) {
			require.True(t, p >= 0 && p <= 1)
			sum += p
		}
		require.InDelta(t, 1, sum, 1e-12)
	})
}

// What a fleet teaches never turns a sign round that can only go one way, from the taught prior or from next to none.
func TestSignsKeepTheirDirection(t *testing.T) {
	f := learned()
	wide, err := LearnFrom(context.Background(), f.tracks, coldWeather(), 2, WidePrior())
	require.NoError(t, err)
	for name, p := range map[string]Params{"taught": f.params, "wide": wide} {
		for i, w := range worse {
			require.GreaterOrEqual(t, w*p.Foresight.Level[i], 0.0, "%s, level of sign %d", name, i)
			require.GreaterOrEqual(t, w*p.Foresight.Growth[i], 0.0, "%s, growth of sign %d", name, i)
		}
	}
}

// Volts of a pair of batteries, or of one: what is learned and what is foreseen is the same.
func TestUnitsOfMeasureCommute(t *testing.T) {
	f := learned()
	rapid.Check(t, func(t *rapid.T) {
		h := f.draw(t)
		pair := h
		pair.Unit.SystemVolts, pair.Unit.Batteries = 24, 2
		pair.Batteries, pair.Tests, pair.Cranks = slices.Clone(h.Batteries), slices.Clone(h.Tests), slices.Clone(h.Cranks)
		for _, b := range h.Batteries {
			b.Position, b.Battery = 2, b.Battery+"'"
			pair.Batteries = append(pair.Batteries, b)
		}
		for _, x := range h.Tests {
			x.Position = 2
			pair.Tests = append(pair.Tests, x)
		}
		for i := range pair.Cranks {
			c := &pair.Cranks[i]
			c.RestV, c.MeanV, c.MinV = fleet.Known(2*c.RestV.Or(0)), fleet.Known(2*c.MeanV.Or(0)), fleet.Known(2*c.MinV.Or(0))
		}
		one, two := Compress(h, yard, coldWeather(), asOf), Compress(pair, yard, coldWeather(), asOf)
		two.Group = one.Group // else the pair would be of a class that nothing was learned of
		a, b := Estimate(one, f.params), Estimate(two, f.params)
		require.InDelta(t, a.ColdLimitC, b.ColdLimitC, 1e-9)
		require.InDelta(t, seasonChance(a), seasonChance(b), 1e-9)

		fahrenheit := h // the logger's thermometer, all through: in deep frost no single row tells which scale it is in
		fahrenheit.Cranks = slices.Clone(h.Cranks)
		for i := range fahrenheit.Cranks {
			c := &fahrenheit.Cranks[i]
			c.TemperatureC = fleet.Known(c.TemperatureC.Or(0)*1.8 + 32)
		}
		require.InDelta(t, a.ColdLimitC, f.state(fahrenheit).ColdLimitC, 1e-6)
	})
}
