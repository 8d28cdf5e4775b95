package ledger_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/plan"
	"rimeyard/trend"
)

var monday = fleet.NewDate(2026, 10, 5)

// weakUnit fails with a chance that grows over 26 weeks to one that differs by winter.
func weakUnit(id fleet.UnitID, byWinter []float64) ledger.PaysUnit {
	u := ledger.PaysUnit{Unit: plan.Unit{
		ID: id, Depot: "NOR", Causes: map[fleet.Part]float64{fleet.BatteryPart: 1}, NoStartCost: fleet.Known(fleet.Money(600_00)),
		SwapCosts: map[fleet.Part]fleet.Money{fleet.BatteryPart: 200_00}, AgeYears: map[fleet.Part]float64{fleet.BatteryPart: 4},
	}, CostCentre: "100", LabourPerHour: fleet.Known(fleet.Money(60_00))}
	end := 0.0
	for k, p := range byWinter {
		u.ByWinter = append(u.ByWinter, fleet.PastWinter{Year: 2026 - len(byWinter) + k, Chance: []float64{p}})
		end += p / float64(len(byWinter))
	}
	for w := range 26 {
		u.ChanceByWeek = append(u.ChanceByWeek, end*math.Pow(float64(w+1)/26, 3))
	}
	return u
}

func TestSwapNowByHand(t *testing.T) {
	r := plan.DefaultRules()
	r.Cures = map[fleet.Part]float64{fleet.BatteryPart: 1}
	r.NewPartRisk, r.WholePrice = 0, true
	pays := ledger.Pays(monday, []ledger.PaysUnit{weakUnit("A", []float64{0.4, 0.8})}, r)
	u := pays.Units[0]
	// To run: 0.6 × 600, and between 240 and 480 at a tenth. Now: the battery, and an hour, 40 minutes and 20 to set up.
	require.Equal(t, []fleet.Money{360_00, 264_00, 260_00, 100_00}, []fleet.Money{u.Run.Expected, u.Run.Mild, u.Now.Expected, u.Saves})
	require.Equal(t, []fleet.Money{4_00, 196_00}, []fleet.Money{u.SavesMild, u.SavesHard}) // 240 − 260 and 480 − 260
	require.Equal(t, ledger.SwapNow, u.Cheapest)
	require.Equal(t, u.Run.Expected, pays.Run.Expected)
}

func TestPoliciesOfAFleet(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 2))
		var units []ledger.PaysUnit
		for i := range rapid.IntRange(1, 40).Draw(t, "units") {
			byWinter := make([]float64, 1+r.IntN(8))
			weak := math.Pow(r.Float64(), 3)
			for k := range byWinter {
				byWinter[k] = weak * r.Float64()
			}
			u := weakUnit(fleet.UnitID(fmt.Sprint("U", i)), byWinter)
			u.Depot = fleet.DepotID(fmt.Sprint("D", len(byWinter))) // winters are those of a depot
			switch r.IntN(12) {
			case 0:
				u.NoStartCost = fleet.Opt[fleet.Money]{}
			case 1:
				u.ChanceByWeek = nil
			case 2:
				u.SwapCosts = nil
			}
			units = append(units, u)
		}
		p := ledger.Pays(monday, units, plan.DefaultRules())
		require.LessOrEqual(t, len(p.Units)+p.Unknown+p.Unpriced, len(units))
		var saves, run fleet.Money
		for _, u := range p.Units {
			saves, run = saves+u.Saves, run+u.Run.Expected
			require.LessOrEqual(t, u.Run.Mild, u.Run.Hard)
			require.LessOrEqual(t, u.Best.Mild, u.Best.Hard)
			if len(u.Parts) == 0 {
				require.Equal(t, u.Run.Mild, u.Best.Mild)
			}
		}
		require.Equal(t, saves, p.Saves)
		require.Zero(t, p.Run.Expected-run)
		require.LessOrEqual(t, p.SavesLow, p.SavesTop)
	})
}

// A cheap battery that dies young costs more by the month than a dear one that lasts, and most of the dear ones being alive still does not
// hide it.
func TestCheapPartsThatDieYoungShow(t *testing.T) {
	r := rand.New(rand.NewPCG(4, 4))
	today := fleet.NewDate(2026, 11, 28)
	f := ledger.Facts{Currency: "EUR"}
	fit := func(part string, chemistry fleet.Chemistry, price fleet.Money, life trend.Weibull) {
		for i := range 300 {
			from := today - fleet.Date(r.IntN(2600)) - 1
			b := fleet.BatteryFitting{Battery: fmt.Sprint(part, i), Unit: fleet.UnitID(fmt.Sprint("U", i)), Part: part, Chemistry: chemistry, FittedOn: fleet.Known(from), Price: fleet.Known(price)}
			years := life.Scale * math.Pow(-math.Log(1-r.Float64()), 1/life.Shape)
			if end := from + fleet.Date(years*365.25); end <= today {
				b.RemovedOn, b.RemovedBecause = fleet.Known(end), fleet.RemovedFailed
			} else if i%4 == 0 {
				b.RemovedOn, b.RemovedBecause = fleet.Known(today-1), fleet.RemovedPreventive
			}
			f.Batteries = append(f.Batteries, b)
		}
	}
	fit("CHEAP", fleet.Flooded, 90_00, trend.Weibull{Shape: 2.5, Scale: 2})
	fit("DEAR", fleet.AGM, 180_00, trend.Weibull{Shape: 2.5, Scale: 7})
	for i := range 300 {
		f.Units = append(f.Units, fleet.Unit{ID: fleet.UnitID(fmt.Sprint("U", i)), StartsPerDay: fleet.Known(8.0)})
	}
	all := ledger.ServiceCosts(f, fleet.Known(fleet.NewDate(2010, 1, 1)), map[fleet.Part]fleet.Money{fleet.BatteryPart: 250_00}, today)
	at := map[string]ledger.ServiceCost{}
	for _, c := range all {
		if c.Part != "" {
			at[c.Part] = c
		}
	}
	require.Len(t, all, 4) // two parts, two chemistries
	cheap, dear := at["CHEAP"], at["DEAR"]
	require.InEpsilon(t, 2*math.Gamma(1.4), cheap.LifeYears, 0.1)
	require.InEpsilon(t, 7*math.Gamma(1.4), dear.LifeYears, 0.15)
	require.InEpsilon(t, 340/cheap.LifeYears/12, cheap.PerMonth.Or(0).Amount(), 1e-3)
	require.Greater(t, cheap.Low.Or(0), dear.High.Or(0))
	require.Less(t, dear.Low.Or(0), dear.PerMonth.Or(0))
	require.InEpsilon(t, cheap.PerMonth.Or(0).Amount()/(8*365.25/12), cheap.PerStart.Or(0), 1e-3)
	require.InEpsilon(t, 2, float64(cheap.Seen.Or(0))/float64(cheap.PerMonth.Or(0))*2, 0.15) // without the fit, much the same
	require.False(t, cheap.TooFew)

	// Counting only what has failed would make the dear one's life half as long; to leave out that old ones were met alive, too long.
	failedOnly, n := 0.0, 0
	for _, b := range f.Batteries {
		if b.Part == "DEAR" && b.RemovedBecause == fleet.RemovedFailed {
			failedOnly += float64(b.RemovedOn.Or(0)-b.FittedOn.Or(0)) / 365.25
			n++
		}
	}
	require.Less(t, failedOnly/float64(n), 0.75*dear.LifeYears)
}

// Records begin late: batteries that died before were never written down, and those met alive must not count from birth.
func TestRecordsThatBeginLate(t *testing.T) {
	r := rand.New(rand.NewPCG(8, 8))
	today, since := fleet.NewDate(2026, 11, 28), fleet.NewDate(2024, 11, 28)
	f := ledger.Facts{}
	for i := range 4000 {
		from := today - fleet.Date(r.IntN(3650)) - 1
		end := from + fleet.Date(4*math.Pow(-math.Log(1-r.Float64()), 1/2.5)*365.25)
		if end < since {
			continue
		}
		b := fleet.BatteryFitting{Battery: fmt.Sprint(i), Part: "P", Chemistry: fleet.EFB, FittedOn: fleet.Known(from)}
		if end <= today {
			b.RemovedOn, b.RemovedBecause = fleet.Known(end), fleet.RemovedFailed
		}
		f.Batteries = append(f.Batteries, b)
	}
	for _, day := range []fleet.Opt[fleet.Date]{fleet.Known(since), {}} { // the first removal tells as much
		c := ledger.ServiceCosts(f, day, nil, today)[1]
		require.InEpsilon(t, 4*math.Gamma(1.4), c.LifeYears, 0.05)
		require.Less(t, c.LifeLow, c.LifeYears)
		require.Less(t, c.LifeYears, c.LifeHigh)
		require.False(t, c.PerMonth.IsKnown()) // no price
	}
	c := ledger.ServiceCosts(f, fleet.Known(fleet.NewDate(2000, 1, 1)), nil, today)[1]
	require.Greater(t, c.LifeYears, 1.15*4*math.Gamma(1.4)) // what ignoring it would say
}

func TestBestAgeWithDoubt(t *testing.T) {
	fit := trend.WeibullFit{Weibull: trend.Weibull{Shape: 2.5, Scale: 5}, Covariance: [2][2]float64{{0.04, 0}, {0, 0.01}}}
	sure, doubtful := ledger.ReplaceAt(fit, 200_00, 900_00), fit
	require.Less(t, sure.Low.Or(0), sure.AgeYears.Or(0))
	require.Greater(t, sure.High.Or(0), sure.AgeYears.Or(0))
	doubtful.Covariance[0][0] = 0.5
	require.False(t, ledger.ReplaceAt(doubtful, 200_00, 900_00).High.IsKnown()) // it may not wear out at all
	never := ledger.ReplaceAt(fit, 900_00, 900_00)
	require.False(t, never.AgeYears.IsKnown())
	require.Equal(t, never.RunToFailure, never.PerYear)

	hardly := trend.WeibullFit{Weibull: trend.Weibull{Shape: 1.5, Scale: 5}}
	_, rate, pays := ledger.AgeReplacement(hardly.Weibull, 340, 500)
	require.True(t, pays)
	require.InDelta(t, 500/hardly.Mean(), rate, 0.001)
	require.False(t, ledger.ReplaceAt(hardly, 340_00, 500_00).AgeYears.IsKnown(), "nobody swaps at 27 years for less than a cent")
	require.True(t, ledger.ReplaceAt(hardly, 100_00, 500_00).AgeYears.IsKnown())
}

func TestWhatTheListSavedAgainstRules(t *testing.T) {
	known := fleet.Known[fleet.Money]
	got := ledger.AgainstRules(1000_00, []ledger.AuditMoney{
		{Name: "age", Saved: 200_00, Low: known(300_00), High: known(1300_00)}, {Name: "last test", Saved: 900_00}, {Name: "volts", Saved: 900_00, Low: known(-50_00), High: known(250_00)},
	})
	require.Equal(t, ledger.AgainstRule{Rule: "age", More: 800_00, Low: known(300_00), High: known(1300_00), Clear: true}, got[0])
	require.False(t, got[1].Low.IsKnown())
	require.False(t, got[1].Clear)
	require.False(t, got[2].Clear)
}
