package alerts_test

import (
	"fmt"
	"runtime"
	"runtime/metrics"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func (w *world) input() alerts.Input {
	return alerts.Input{AsOf: w.asOf, Depots: w.depots, Temps: w.temps, Histories: each(w.histories), Workers: 2}
}

// BenchmarkRank is the nightly refit: 1,000 units with three years of cranks, some 1.5 million.
func BenchmarkRank(b *testing.B) {
	w := newWorld(1, 1000, 2)
	w.histories = w.until()
	cranks := 0
	for _, h := range w.histories {
		cranks += len(h.Cranks)
	}
	for b.Loop() {
		w.rank(b, w.histories, 2)
	}
	b.ReportMetric(float64(cranks), "cranks")
	b.ReportMetric(b.Elapsed().Seconds()/float64(b.N)/float64(cranks)*1e6, "µs/crank")
}

// BenchmarkRefitFromDigests begins where the weekly rows are in memory and ends with the list: learning, filter, season, causes and
// evidence of 20,000 units, each with three years of weekly rows. They are 1,000 simulated ones with twenty keys each.
func BenchmarkRefitFromDigests(b *testing.B) {
	const units, copies = 1000, 20
	w := newWorld(1, units, 1)
	read, err := alerts.ReadFleet(b.Context(), w.input())
	require.NoError(b, err)
	large := read.Times(copies)
	began := processorTime(b)
	for b.Loop() {
		list, err := large.Refit(b.Context(), 2)
		require.NoError(b, err)
		require.Len(b, list.Units, units*copies)
	}
	all := units * copies * float64(b.N)
	b.ReportMetric(all/b.Elapsed().Seconds(), "units/s")
	b.ReportMetric(all/(processorTime(b)-began), "units/core-s") // does not depend on what else the machine does
}

// processorTime is what the process has used so far of all cores, in seconds.
func processorTime(tb testing.TB) float64 {
	tb.Helper()
	var u syscall.Rusage
	require.NoError(tb, syscall.Getrusage(syscall.RUSAGE_SELF, &u))
	return time.Duration(u.Utime.Nano() + u.Stime.Nano()).Seconds()
}

// BenchmarkOneUnitAfterOneReading judges one unit anew after one more crank, from all its cranks of three years.
func BenchmarkOneUnitAfterOneReading(b *testing.B) {
	w := newWorld(1, 100, 2)
	w.histories = w.until()
	read, err := alerts.ReadFleet(b.Context(), w.input())
	require.NoError(b, err)
	h := w.histories[1]
	last := h.Cranks[len(h.Cranks)-1]
	last.At, last.RestV = last.At.Add(-time.Hour), fleet.Known(12.31)
	h.Cranks = append(h.Cranks, last) // the latest parcel need not bring the latest crank
	for b.Loop() {
		require.True(b, read.Again(h).ColdLimitC.IsKnown())
	}
	b.ReportMetric(float64(len(h.Cranks)), "cranks")
}

// BenchmarkPeak tells how much memory is in use at most while a fleet whose histories come one by one gets its list, what was there before
// left out: learned anew, and with what that has learned. Units are 100 simulated ones of three years with many keys each.
func BenchmarkPeak(b *testing.B) {
	for _, units := range []int{2000, 10_000} {
		b.Run(fmt.Sprint(units), func(b *testing.B) {
			w := newWorld(1, 100, 2).times(units / 100)
			for b.Loop() {
				in := w.inPieces(w.input(), map[fleet.UnitID]int{})
				var issued alerts.Issued
				issue := func() {
					var err error
					issued, err = alerts.Issue(b.Context(), in)
					require.NoError(b, err)
				}
				b.ReportMetric(peakLive(issue)/1e6, "MB-anew")
				learned := issued.Learned
				in.Kept, issued = &learned, alerts.Issued{}
				b.ReportMetric(peakLive(issue)/1e6, "MB-kept")
			}
		})
	}
}

// peakLive is the most that a garbage collection found in use while work was done, less what was in use before.
func peakLive(work func()) float64 {
	live := []metrics.Sample{{Name: "/gc/heap/live:bytes"}}
	runtime.GC()
	metrics.Read(live)
	before, most := live[0].Value.Uint64(), uint64(0)
	done, stopped := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(stopped)
		tick := time.NewTicker(time.Millisecond)
		defer tick.Stop()
		for {
			select {
			case <-done:
				return
			case <-tick.C:
				metrics.Read(live)
				most = max(most, live[0].Value.Uint64())
			}
		}
	}()
	work()
	close(done)
	<-stopped
	return float64(most) - float64(before)
}

// BenchmarkKept tells what a unit's history of three years takes once it is read.
func BenchmarkKept(b *testing.B) {
	const units = 300
	w := newWorld(1, units, 2)
	w.histories = w.until()
	held := func() float64 {
		runtime.GC()
		var m runtime.MemStats
		runtime.ReadMemStats(&m)
		return float64(m.HeapAlloc)
	}
	var bytes float64
	for b.Loop() {
		before := held()
		read, err := alerts.ReadFleet(b.Context(), w.input())
		require.NoError(b, err)
		bytes += held() - before
		runtime.KeepAlive(read)
	}
	b.ReportMetric(bytes/float64(b.N)/units, "B/unit")
}
