package plan_test

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// largeFleet has 30 depots, each of which can put one unit in a hundred right in a week.
func largeFleet(units int) plan.Input {
	const depots, weeks = 30, 26
	r := rand.New(rand.NewPCG(1, 1))
	in := plan.Input{Monday: monday, Weeks: weeks, Rules: plan.DefaultRules()}
	for i := range depots {
		in.Depots = append(in.Depots, plan.Depot{ID: fleet.DepotID(fmt.Sprintf("D-%02d", i)), CapacityByWeek: []int{units / depots / 100}})
	}
	for i := range units {
		u := randomUnit(r, i, in.Depots[i%depots].ID, size{weeks: weeks})
		base := u.ChanceByWeek[len(u.ChanceByWeek)-1]
		u.ChanceIf = fleet.Known([5]float64{base * 0.4, base * 0.7, base, base + (1-base)*0.2, base + (1-base)*0.4})
		in.Units = append(in.Units, u)
	}
	return in
}

// BenchmarkMake plans 50,000 units, and tells how much longer that takes than to read them from JSON.
func BenchmarkMake(b *testing.B) {
	for name, limits := range map[string]func(*plan.Input){
		"visits": func(*plan.Input) {},
		"tests":  func(in *plan.Input) { each(in, func(d *plan.Depot) { d.TestsByWeek = []int{10} }) },
		"stock": func(in *plan.Input) {
			each(in, func(d *plan.Depot) {
				d.Stock = map[string]int{"B1": 60, "B2": 60, "S1": 5}
				d.LeadWeeks = fleet.Known(6)
			})
		},
		"all": func(in *plan.Input) {
			each(in, func(d *plan.Depot) {
				d.Stock, d.LeadWeeks, d.MinutesByWeek = map[string]int{"B1": 60, "B2": 60, "S1": 5}, fleet.Known(6), []int{1200}
			})
			in.Budget = fleet.Known(fleet.Money(100_000_000))
		},
	} {
		b.Run(name, func(b *testing.B) {
			in := largeFleet(50_000)
			limits(&in)
			text, err := json.Marshal(in.Units)
			require.NoError(b, err)
			began := processorTime(b)
			require.NoError(b, json.Unmarshal(text, new([]plan.Unit)))
			reading := processorTime(b) - began
			var p plan.Plan
			began = processorTime(b)
			for b.Loop() {
				p = made(b, in)
			}
			planning := (processorTime(b) - began) / float64(b.N)
			b.ReportMetric(planning, "core-s/op")
			b.ReportMetric(planning/reading, "readings")
			b.ReportMetric(100*(p.Bound.Or(0).Amount()/p.Saved.Or(0).Amount()-1), "%gap")
			b.ReportMetric(float64(len(p.Left)), "left")
			b.ReportMetric(float64(len(p.Retests)), "retests")
		})
	}
}

// processorTime is what the process has used so far of all cores, in seconds.
func processorTime(tb testing.TB) float64 {
	tb.Helper()
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

func each(in *plan.Input, set func(*plan.Depot)) {
	for i := range in.Depots {
		set(&in.Depots[i])
	}
}
