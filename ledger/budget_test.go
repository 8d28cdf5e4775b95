package ledger

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
	"rimeyard/trend"
)

var october = fleet.NewDate(2026, 10, 1)

func prices2026() []Price {
	return []Price{
		{Part: "B1", From: october - 300, Price: 200_00},
		{Part: "B1", From: fleet.NewDate(2027, 1, 1), Price: 230_00},
		{Part: "B2", From: october - 300, Price: 310_00},
		{Part: "S1", From: october - 300, Price: 450_00},
	}
}

// fleetOf makes units whose chances go with a temper that all share in each winter.
func fleetOf(r *rand.Rand, units, depots, winters int) BudgetInput {
	in := BudgetInput{Currency: "EUR", From: october, Months: 12, Prices: prices2026(), Cures: map[fleet.Part]float64{fleet.BatteryPart: 0.95}}
	in.Rates = Rates{Season: [12]bool{0: true, 1: true, 2: true, 9: true, 10: true, 11: true}, Lives: map[fleet.Part]trend.Weibull{fleet.BatteryPart: {Shape: 2.6, Scale: 5.5}}}
	for m, cold := range in.Rates.Season {
		in.Rates.ByMonth[m] = 0.002
		if cold {
			in.Rates.ByMonth[m] = 0.01
		}
	}
	temper := make([]float64, winters)
	for k := range temper {
		temper[k] = math.Exp(0.7 * r.NormFloat64())
	}
	for i := range units {
		u := BudgetUnit{
			ID: fleet.UnitID(fmt.Sprintf("U-%05d", i)), Depot: fleet.DepotID(fmt.Sprintf("D-%02d", i%depots)), CostCentre: fmt.Sprint(100 + i%depots/2*100),
			FirstMonth: MonthOf(october), Causes: map[fleet.Part]float64{fleet.BatteryPart: 0.7, fleet.StarterPart: 0.1, fleet.CablePart: 0.2},
			NoStartCost: fleet.Known(fleet.Money(150_00 + 10_00*(i%4))), Fitted: map[fleet.Part][]string{fleet.BatteryPart: {"B1"}, fleet.StarterPart: {"S1"}},
			AgeYears: map[fleet.Part]float64{fleet.BatteryPart: r.Float64() * 6},
		}
		if i%3 == 0 {
			u.Fitted[fleet.BatteryPart] = []string{"B2", "B2"}
		}
		weak := math.Exp(-6 + 1.2*r.NormFloat64())
		for k := range winters {
			months, hazard := make([]float64, 6), 0.0
			for m, share := range []float64{0.3, 0.8, 1.5, 2, 1.5, 0.5} {
				hazard += weak * share * temper[k]
				months[m] = 1 - math.Exp(-hazard)
			}
			u.ByWinter = append(u.ByWinter, fleet.PastWinter{Year: 2026 - winters + k, Chance: months})
		}
		in.Units = append(in.Units, u)
	}
	return in
}

func budgetOf(t require.TestingT, in BudgetInput) Budget {
	b, err := MakeBudget(in)
	require.NoError(t, err)
	return b
}

func whole(b Budget) BudgetLine { return b.Total[len(b.Total)-1] }

// Two units, one winter, one month: by hand.
func TestBudgetByHand(t *testing.T) {
	in := BudgetInput{Currency: "EUR", From: october, Months: 1, Prices: prices2026(), Units: []BudgetUnit{one("A", "NOR", []float64{0.5}), one("B", "NOR", []float64{0.2})}}
	in.Units[1].CostCentre = "200"
	b := budgetOf(t, in)
	require.Equal(t, 1, b.Winters)
	require.Len(t, b.Lines, 4)
	w := whole(b)
	require.Equal(t, []fleet.Money{150_00, 60_00, 210_00}, []fleet.Money{b.Lines[0].Expected, b.Lines[2].Expected, w.Expected}) // 0.5 and 0.2 × (200 + 100)
	require.InDelta(t, 0.7, w.Failed, 1e-12)
	// 0: 0.40, 300: 0.50, 600: 0.10
	require.Equal(t, []fleet.Money{0, 300_00, 300_00}, []fleet.Money{w.P10, w.P50, w.P90})

	in.Planned = []Planned{{Unit: "A", On: october.Monday(), Parts: []fleet.Part{fleet.BatteryPart}, Cost: fleet.Known(fleet.Money(50_00))}}
	in.Cures = map[fleet.Part]float64{fleet.BatteryPart: 1}
	b = budgetOf(t, in)
	require.Equal(t, fleet.Money(250_00), b.Lines[0].Planned) // the list's price and labour
	require.Equal(t, fleet.Money(0), b.Lines[0].Failures)     // cured
	require.EqualValues(t, 310_00, whole(b).Expected)
	require.Equal(t, fleet.Money(250_00), whole(b).P10)
}

// winters are the last up to that of 2025, with the chances of a unit.
func winters(chances ...[]float64) (past []fleet.PastWinter) {
	for k, c := range chances {
		past = append(past, fleet.PastWinter{Year: 2026 - len(chances) + k, Chance: c})
	}
	return past
}

// Work on a unit that the list does not have is not in the budget, and that is said.
func TestPlannedWorkOfUnlistedUnitsIsTold(t *testing.T) {
	in := BudgetInput{Currency: "EUR", From: october, Months: 2, Prices: prices2026(), Units: []BudgetUnit{one("A", "NOR", []float64{0.5})}}
	swap := func(unit fleet.UnitID, on fleet.Date) Planned {
		return Planned{Unit: unit, On: on, Parts: []fleet.Part{fleet.BatteryPart}}
	}
	in.Planned = []Planned{swap("Z", october+7), swap("A", october+7), swap("B", october+14), swap("Z", october+21), swap("C", october+100), swap("D", october-30)}
	b := budgetOf(t, in)
	require.Equal(t, []fleet.UnitID{"B", "Z"}, b.Unlisted)
	require.Equal(t, fleet.Money(200_00), whole(b).Planned)
	text, err := json.Marshal(b)
	require.NoError(t, err)
	require.Contains(t, string(text), `"planned_unlisted":["B","Z"]`)
	in.Planned = in.Planned[1:2]
	require.Empty(t, budgetOf(t, in).Unlisted)
}

// one unit of a depot, with its chances.
func one(id fleet.UnitID, depot fleet.DepotID, byWinter ...[]float64) BudgetUnit {
	return BudgetUnit{
		ID: id, Depot: depot, CostCentre: "100", FirstMonth: MonthOf(october), ByWinter: winters(byWinter...), Causes: map[fleet.Part]float64{fleet.BatteryPart: 1},
		NoStartCost: fleet.Known(fleet.Money(100_00)), Fitted: map[fleet.Part][]string{fleet.BatteryPart: {"B1"}},
	}
}

// Each depot's mean is over its own winters, however many others have; its newest is met with theirs.
func TestDepotsWithFewerWinters(t *testing.T) {
	in := BudgetInput{Currency: "EUR", From: october, Months: 1, Prices: prices2026(), Units: []BudgetUnit{
		one("A", "AKL", []float64{0}, []float64{0.3}, []float64{0.9}), one("B", "NOR", []float64{0.2}, []float64{0.8}),
	}}
	b := budgetOf(t, in)
	require.Equal(t, 3, b.Winters)
	require.InDelta(t, 0.4+0.5, whole(b).Failed, 1e-12)
	in.Winters = []int{0}
	require.InDelta(t, 0.9+0.8, whole(budgetOf(t, in)).Failed, 1e-12)
	in.Winters = []int{2} // 2023 was mild at the one, so it is reckoned as the mild one at the other
	require.InDelta(t, 0+0.2, whole(budgetOf(t, in)).Failed, 1e-12)
}

// A unit that is sure to fail once in the season costs the same in each year, whichever month it is.
func TestMonthsOfASeasonExcludeEachOther(t *testing.T) {
	in := BudgetInput{Currency: "EUR", From: october, Months: 3, Prices: prices2026(), Units: []BudgetUnit{one("A", "NOR", []float64{0.2, 0.5, 1})}}
	w := whole(budgetOf(t, in))
	require.Equal(t, []fleet.Money{300_00, 300_00, 300_00}, []fleet.Money{w.P10, w.P90, w.Failures})
	g, err := newBudgeting(in)
	require.NoError(t, err)
	require.InDelta(t, 0, g.groups[0].sums[0][3].variance, 1e-3)
	require.Positive(t, g.groups[0].sums[0][0].variance)
}

// Work that comes after the season changes nothing before it.
func TestWorkCuresFromItsWeekOn(t *testing.T) {
	in := BudgetInput{Currency: "EUR", From: october, Months: 6, Prices: prices2026(), Cures: map[fleet.Part]float64{fleet.BatteryPart: 1}, Units: []BudgetUnit{one("A", "NOR", []float64{0.5, 0.75, 0.8, 0.9, 0.96, 0.98})}}
	left := budgetOf(t, in)
	in.Planned = []Planned{{Unit: "A", On: fleet.NewDate(2027, 2, 1), Parts: []fleet.Part{fleet.BatteryPart}}}
	b := budgetOf(t, in)
	for m := range 4 {
		require.InDelta(t, left.Total[m].Failed, b.Total[m].Failed, 1e-12)
	}
	require.InDelta(t, 0, b.Total[4].Failed, 1e-12)
	in.Planned[0].On = fleet.NewDate(2026, 11, 16) // in the middle of November
	require.InDelta(t, 0.5*(1-math.Sqrt(0.5)), budgetOf(t, in).Total[1].Failed, 1e-12)
}

// Many units of which a few are likely to fail, against their exact convolution.
func TestFewLikelyAmongMany(t *testing.T) {
	in := BudgetInput{Currency: "EUR", From: october, Months: 1, Prices: prices2026()}
	var risks [][]outcome
	for i := range 500 {
		p := 0.001
		if i%50 == 0 {
			p = 0.85
		}
		in.Units = append(in.Units, one(fleet.UnitID(fmt.Sprint(i)), "NOR", []float64{p}))
		risks = append(risks, []outcome{{p, 300_00}})
	}
	exact := convolved(risks, 300_00, 100)
	w := whole(budgetOf(t, in))
	for p, got := range map[float64]fleet.Money{0.1: w.P10, 0.5: w.P50, 0.9: w.P90} {
		require.InDelta(t, mixture{exact}.quantile(p, 0, 300_00, 100*300_00), float64(got), 0.5)
	}
	g, err := newBudgeting(in)
	require.NoError(t, err)
	f := g.frame(figure{g.groups, 0}, 500)
	r := newRows(g.groups, 1)
	r.fill(0)
	d := r.grid(&f, 0, false)
	for n := range 20 {
		require.InDelta(t, exact.upTo(float64(n)*300_00), d.upTo(float64(n)*300_00), 1e-6)
	}
}

// Sums over months and cost centres are exact; quantiles stand in order, and lie between nothing and everything.
func TestBudgetAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 1))
		in := fleetOf(r, rapid.IntRange(1, 60).Draw(t, "units"), rapid.IntRange(1, 5).Draw(t, "depots"), rapid.IntRange(1, 6).Draw(t, "winters"))
		for i := range in.Units {
			if r.IntN(5) == 0 {
				in.Planned = append(in.Planned, Planned{Unit: in.Units[i].ID, On: october.Monday() + fleet.Date(7*r.IntN(30)), Parts: []fleet.Part{fleet.BatteryPart}, Cost: fleet.Known(fleet.Money(35_55))})
			}
			if r.IntN(20) == 0 {
				in.Units[i].ByWinter = nil
			}
		}
		b := budgetOf(t, in)
		n := len(b.Months) + 1
		sums := make([]BudgetLine, n)
		for i, l := range b.Lines {
			require.LessOrEqual(t, l.Planned, l.P10)
			require.LessOrEqual(t, l.P10, l.P50)
			require.LessOrEqual(t, l.P50, l.P90)
			require.Zero(t, l.Planned+l.Failures-l.Expected)
			sums[i%n].Planned += l.Planned
			sums[i%n].Failures += l.Failures
		}
		overMonths := fleet.Money(0)
		for m, l := range b.Total {
			require.Equal(t, sums[m].Planned, l.Planned)
			require.Equal(t, sums[m].Failures, l.Failures)
			require.LessOrEqual(t, l.P10, l.P90)
			if m < n-1 {
				overMonths += l.Expected
			}
		}
		require.Zero(t, overMonths-whole(b).Expected)

		slices.Reverse(in.Units)
		slices.Reverse(in.Planned)
		again, err := json.Marshal(budgetOf(t, in))
		require.NoError(t, err)
		first, err := json.Marshal(b)
		require.NoError(t, err)
		require.JSONEq(t, string(first), string(again)) // the order of the input means nothing

		joined := in
		joined.Units = slices.Clone(in.Units)
		for i := range joined.Units {
			joined.Units[i].CostCentre = "all"
		}
		require.InDelta(t, float64(whole(b).Expected), float64(whole(budgetOf(t, joined)).Expected), float64(len(b.Lines))/2+1) // cells are rounded to cents
	})
}

// A budget's quantiles against simulated winters: draws of a winter for all, then of each unit's failures.
func TestBudgetAgainstSimulation(t *testing.T) {
	for _, units := range []int{40, 900, 3000} {
		r := rand.New(rand.NewPCG(7, uint64(units)))
		in := fleetOf(r, units, 2, 12)
		in.Months = 6
		b := budgetOf(t, in)
		g, err := newBudgeting(in)
		require.NoError(t, err)
		const runs = 4800
		all, january := make([]float64, runs), make([]float64, runs)
		chances := make([]float64, 6)
		for i := range all {
			winter := i % 12
			for _, group := range g.groups {
				for k := range group.units {
					u := &group.units[k]
					u.chances(group.at[winter], 1, chances)
					x := r.Float64()
					for m, q := range chances {
						if x -= q; x < 0 {
							cost := draw(r, u.outcomes[u.priced[m]])
							all[i] += cost
							if m == 3 {
								january[i] += cost
							}
							break
						}
					}
				}
			}
		}
		for _, c := range []struct {
			line BudgetLine
			seen []float64
		}{{whole(b), all}, {b.Total[3], january}} {
			slices.Sort(c.seen)
			sum, square := 0.0, 0.0
			for _, x := range c.seen {
				sum += x
				square += x * x
			}
			mean := sum / runs
			sd := math.Sqrt(square/runs - mean*mean)
			require.InDelta(t, mean, float64(c.line.Expected), 4*sd/math.Sqrt(runs), "%d units", units)
			for p, q := range map[float64]fleet.Money{0.1: c.line.P10, 0.5: c.line.P50, 0.9: c.line.P90} {
				// as many draws are at or below the quantile as it says, give or take what draws vary by
				at := float64(countUpTo(c.seen, float64(q)+0.03*sd)) / runs
				below := float64(countUpTo(c.seen, float64(q)-0.03*sd)) / runs
				require.GreaterOrEqual(t, at, p-0.015, "%d units P%v", units, 100*p)
				require.LessOrEqual(t, below, p+0.015, "%d units P%v", units, 100*p)
			}
		}
	}
}

func draw(r *rand.Rand, outcomes []outcome) float64 {
	x := r.Float64()
	for _, o := range outcomes {
		if x -= o.p; x < 0 {
			return o.cost
		}
	}
	return outcomes[len(outcomes)-1].cost
}

func countUpTo(sorted []float64, x float64) int {
	n, _ := slices.BinarySearch(sorted, x+0.5)
	return n
}

// Reckoned as if each unit had a winter of its own, the band of a large fleet would be several times too narrow.
func TestWintersAreShared(t *testing.T) {
	in := fleetOf(rand.New(rand.NewPCG(3, 3)), 3000, 3, 20)
	in.Months = 6
	shared := whole(budgetOf(t, in))
	for i := range in.Units {
		mean := make([]float64, 6)
		for _, w := range in.Units[i].ByWinter {
			for m := range w.Chance {
				mean[m] += w.Chance[m] / 20
			}
		}
		in.Units[i].ByWinter = winters(mean)
	}
	alone := whole(budgetOf(t, in))
	require.InEpsilon(t, float64(shared.Expected), float64(alone.Expected), 1e-6)
	require.Greater(t, shared.P90-shared.P10, 3*(alone.P90-alone.P10))
}

func TestWhatIf(t *testing.T) {
	in := fleetOf(rand.New(rand.NewPCG(5, 5)), 400, 3, 25)
	usual := budgetOf(t, in)
	cold, err := Coldest(in)
	require.NoError(t, err)
	require.Len(t, cold.Winters, 3)
	require.Greater(t, whole(budgetOf(t, cold)).Expected, whole(usual).P90*9/10)
	require.Greater(t, whole(budgetOf(t, cold)).P10, whole(usual).P50)

	in.Planned = []Planned{{Unit: "U-00001", On: fleet.NewDate(2026, 11, 2), Parts: []fleet.Part{fleet.BatteryPart}}}
	swapped := budgetOf(t, in)
	require.Equal(t, fleet.Money(200_00), whole(swapped).Planned)
	require.Less(t, whole(swapped).Failures, whole(usual).Failures)
	require.Equal(t, usual, budgetOf(t, Waiting(in)))

	cheap := Buying(in, "B3", "B2")
	require.Equal(t, []string{"B3"}, budgetOf(t, cheap).NoPrice) // no list has it: said, not counted at the old price
	cheap.Prices = append(cheap.Prices, Price{Part: "B3", From: october, Price: 100_00})
	require.Less(t, whole(budgetOf(t, cheap)).Expected, whole(swapped).Expected)
	require.Nil(t, in.Instead)
}

func TestMoreVisitsAreSharedOut(t *testing.T) {
	in := plan.Input{Rules: plan.DefaultRules(), Depots: []plan.Depot{
		{ID: "B", CapacityByWeek: []int{2, 0}, MinutesByWeek: []int{100, 0}}, {ID: "A", CapacityByWeek: []int{8}}, {ID: "C"},
	}}
	more := MoreVisits(in, 5)
	require.Equal(t, []int{12}, more.Depots[0].CapacityByWeek)
	require.Equal(t, []int{3, 1}, more.Depots[1].CapacityByWeek)
	require.Equal(t, []int{160, 60}, more.Depots[1].MinutesByWeek)
	require.Empty(t, more.Depots[2].CapacityByWeek)
	require.Equal(t, []int{2, 0}, in.Depots[0].CapacityByWeek)
}

func TestAgainst(t *testing.T) {
	in := fleetOf(rand.New(rand.NewPCG(9, 9)), 200, 2, 10)
	kept := budgetOf(t, in)
	later := in
	later.From, later.Months = fleet.NewDate(2026, 12, 1), 10
	newest := budgetOf(t, later)
	entries := []Entry{
		{Booked: october + 3, Kind: PartFitted, CostCentre: "100", Amount: 500_00, Currency: "EUR"},
		{Booked: october + 3, Kind: DepositPaid, CostCentre: "100", Amount: 20_00, Currency: "EUR"},
		{Booked: october + 40, Kind: BreakdownCost, CostCentre: "900", Amount: 70_00, Currency: "EUR"},
		{Booked: fleet.NewDate(2026, 12, 1), Kind: PartFitted, CostCentre: "100", Amount: 1, Currency: "EUR"}, // the newest budget's
	}
	all := Against(kept, newest, entries)
	total := all[len(all)-1]
	require.True(t, total.Whole)
	require.Equal(t, fleet.Known(fleet.Money(570_00)), total.Actual)
	ahead := fleet.Money(0)
	for _, l := range newest.Total {
		if m, one := l.Month.Get(); one && m <= kept.Months[11] {
			ahead += l.Expected
		}
	}
	require.Equal(t, 570_00+ahead, total.Forecast.Or(0))
	require.Equal(t, total.Forecast.Or(0)-whole(kept).Expected, total.Over.Or(0))
	require.Equal(t, fleet.Known(fleet.Money(500_00)), all[0].Actual)
	require.Equal(t, kept.Lines[0].Month, all[0].Month)
	require.False(t, all[2].Actual.IsKnown()) // December is ahead
	other := slices.IndexFunc(all, func(c Compared) bool { return c.CostCentre == "900" })
	require.Equal(t, fleet.Money(70_00), all[other].Forecast.Or(0))
}

func TestBudgetNamesBadInput(t *testing.T) {
	good := fleetOf(rand.New(rand.NewPCG(1, 1)), 3, 1, 2)
	for want, spoil := range map[string]func(*BudgetInput){
		"months":            func(in *BudgetInput) { in.Months = 0 },
		"U-00001":           func(in *BudgetInput) { in.Units[2].ID = "U-00001" },
		"do not fall":       func(in *BudgetInput) { in.Units[0].ByWinter[1].Chance[2] = 0 },
		"winter 2":          func(in *BudgetInput) { in.Units[0].ByWinter[1].Chance = []float64{0.1} },
		"from the newest":   func(in *BudgetInput) { in.Winters = []int{-1} },
		"must not be below": func(in *BudgetInput) { in.Rates.ByMonth[3] = math.NaN() },
		"no winter is left": func(in *BudgetInput) { in.Winters = []int{} },
	} {
		raw, err := json.Marshal(good)
		require.NoError(t, err)
		var in BudgetInput
		require.NoError(t, json.Unmarshal(raw, &in))
		spoil(&in)
		_, err = MakeBudget(in)
		require.ErrorContains(t, err, want)
	}
}

func TestMonthsOutOfTheOutlook(t *testing.T) {
	in := fleetOf(rand.New(rand.NewPCG(2, 2)), 100, 1, 5)
	in.Rates.Lives = nil
	b := budgetOf(t, in)
	require.InEpsilon(t, 100*(1-math.Exp(-0.002)), b.Total[7].Failed, 1e-9) // May, a warm month
	in.From = fleet.NewDate(2027, 1, 16)
	b = budgetOf(t, in)
	require.InEpsilon(t, 100*(1-math.Exp(-0.002)), b.Total[3].Failed, 1e-9)
	require.InEpsilon(t, 1.0, b.Total[9].Failed, 0.1) // October of the season after: a unit in a hundred, harder in hard winters
	early, late := 0.0, 0.0
	for i := range in.Units { // what was behind is given to have gone well
		for _, w := range in.Units[i].ByWinter {
			late += (w.Chance[3] - w.Chance[2]) / (1 - w.Chance[2]) / 5
			early += (w.Chance[3] - w.Chance[2]) / 5
		}
	}
	require.InEpsilon(t, late, b.Total[0].Failed, 1e-9)
	require.Greater(t, late, early)
}

// BenchmarkBudget budgets a year of 50,000 units and 30 winters, and tells how much longer that takes than to read it from JSON.
func BenchmarkBudget(b *testing.B) {
	in := fleetOf(rand.New(rand.NewPCG(1, 1)), 50_000, 30, 30)
	text, err := json.Marshal(in.Units)
	require.NoError(b, err)
	began := processorTime(b)
	require.NoError(b, json.Unmarshal(text, new([]BudgetUnit)))
	reading := processorTime(b) - began
	began = processorTime(b)
	for b.Loop() {
		budgetOf(b, in)
	}
	making := (processorTime(b) - began) / float64(b.N)
	b.ReportMetric(making, "core-s/op")
	b.ReportMetric(making/reading, "readings")
}

// processorTime is what this process has used, in seconds: other work on the machine does not count.
func processorTime(b *testing.B) float64 {
	b.Helper()
	var u syscall.Rusage
	require.NoError(b, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return (time.Duration(u.Utime.Nano()) + time.Duration(u.Stime.Nano())).Seconds()
}
