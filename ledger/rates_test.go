package ledger

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// Many failures in deep winter and few in October: each month has its own rate, and over the year they come to what was seen.
func TestLearnRates(t *testing.T) {
	f := Facts{Depots: []fleet.Depot{{ID: "NOR", Timezone: "Europe/Oslo"}}}
	const units = 1000
	for i := range units {
		f.Units = append(f.Units, fleet.Unit{ID: fleet.UnitID(fmt.Sprint(i)), Depot: "NOR"})
	}
	seen := map[time.Month]int{time.October: 4, time.November: 30, time.December: 90, time.January: 200, time.February: 120, time.March: 20, time.June: 12}
	total := 0
	for month, n := range seen {
		year := 2026
		if month >= time.October {
			year--
		}
		total += n
		for i := range n {
			at := fleet.NewDate(year, month, 1+i%28).Midnight(f.Depots[0].Zone())
			f.Breakdowns = append(f.Breakdowns, fleet.Breakdown{Unit: "1", At: at.Add(time.Duration(i) * time.Second), Cause: fleet.BatteryPart})
		}
	}
	f.Breakdowns = append(f.Breakdowns, fleet.Breakdown{Unit: "1", At: fleet.NewDate(2026, 1, 5).Midnight(f.Depots[0].Zone()), Cause: fleet.OtherPart})
	season := fleet.Season{From: october, To: fleet.NewDate(2027, 3, 31)}
	r := LearnRates(f, season, fleet.NewDate(2025, 10, 1), fleet.NewDate(2026, 9, 30))
	require.Equal(t, [12]bool{0: true, 1: true, 2: true, 9: true, 10: true, 11: true}, r.Season)
	year := 0.0
	for m, rate := range r.ByMonth {
		year += rate * units * float64(NewMonth(2026, time.Month(m+1)).Days()) / daysPerMonth
		require.Positive(t, rate, "none seen is not none expected")
	}
	require.InEpsilon(t, float64(total)+1, year, 1e-9, "half a failure more in the season and out of it")
	require.InEpsilon(t, 200.0/units, r.ByMonth[0], 0.05)
	require.Less(t, r.ByMonth[9], r.ByMonth[0]/15, "October is no January")
	require.Greater(t, r.ByMonth[9], 4.0/units, "drawn a little towards its season")

	few := Facts{Depots: f.Depots, Units: f.Units, Breakdowns: f.Breakdowns[:1]}
	r = LearnRates(few, season, fleet.NewDate(2025, 10, 1), fleet.NewDate(2026, 9, 30))
	require.InEpsilon(t, r.ByMonth[0], r.ByMonth[1], 0.7, "one failure tells little of months")
}

// However rates are shared out among units, by age and by what each risks without cold, the year comes to what the rates say.
func TestSharingOutKeepsTheYear(t *testing.T) {
	in := fleetOf(rand.New(rand.NewPCG(6, 6)), 400, 3, 5)
	flat := Rates{Season: in.Rates.Season, ByMonth: in.Rates.ByMonth}
	for i := range in.Units {
		in.Units[i].ByWinter = nil // no month has an outlook
		if i%7 > 0 {
			in.Units[i].Quiet = fleet.Known(0.0001 * float64(1+i%5))
		}
	}
	shared := flat
	shared.Lives = map[fleet.Part]trend.Weibull{fleet.BatteryPart: {Shape: 1, Scale: 6}} // a hazard that does not grow: age moves none from year to year
	expected := func(r Rates, units []BudgetUnit) float64 {
		one := in
		one.Rates, one.Units = r, units
		g, err := newBudgeting(one)
		require.NoError(t, err)
		hazard := 0.0
		for _, group := range g.groups {
			for k := range group.units {
				for m, calm := range group.units[k].calm {
					if !group.units[k].cold[m] {
						calm = -math.Log1p(-calm)
					}
					hazard += calm
				}
			}
		}
		return hazard
	}
	alike := slices.Clone(in.Units)
	for i := range alike {
		alike[i].Quiet, alike[i].AgeYears = fleet.Opt[float64]{}, nil
	}
	require.InEpsilon(t, expected(flat, alike), expected(shared, in.Units), 1e-9)

	// A unit that risks more without cold costs more out of the season, and no more in it.
	in.Rates = flat
	for i := range in.Units {
		in.Units[i].CostCentre, in.Units[i].Quiet = "calm", fleet.Known(0.0001)
		if i%2 == 0 {
			in.Units[i].CostCentre, in.Units[i].Quiet = "not calm", fleet.Known(0.0003)
		}
	}
	b := budgetOf(t, in)
	n := len(b.Months) + 1
	january, may := 3, 7
	require.InEpsilon(t, 3, b.Lines[n+may].Failed/b.Lines[may].Failed, 0.01)
	require.InEpsilon(t, 1, b.Lines[n+january].Failed/b.Lines[january].Failed, 1e-9)
}

// A fleet whose batteries die young has a life of its own; one without failures the usual one.
func TestLearnLives(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	f := Facts{}
	today := fleet.NewDate(2026, 11, 25)
	for i := range 600 {
		from := today - fleet.Date(365*10) + fleet.Date(r.IntN(365*7))
		lived := fleet.Date(365 * 3 * math.Pow(-math.Log(r.Float64()), 1/3.0)) // Weibull of shape 3 and scale 3 years
		b := fleet.BatteryFitting{Battery: fmt.Sprint(i), FittedOn: fleet.Known(from)}
		if from+lived < today {
			b.RemovedOn, b.RemovedBecause = fleet.Known(from+lived), fleet.RemovedFailed
		}
		f.Batteries = append(f.Batteries, b)
	}
	lives := LearnLives(f, today)
	require.InEpsilon(t, 3, lives[fleet.BatteryPart].Scale, 0.1)
	require.InEpsilon(t, 3, lives[fleet.BatteryPart].Shape, 0.15)
	require.InEpsilon(t, 12, lives[fleet.StarterPart].Scale, 1e-6)
	require.InEpsilon(t, 5.5, LearnLives(Facts{}, today)[fleet.BatteryPart].Scale, 1e-6)
}
