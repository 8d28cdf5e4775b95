package reports

import (
	"encoding/csv"
	"fmt"
	"io"
	"iter"
	"runtime"
	"testing"
	"time"

	"rimeyard/internal/fleet"

	"github.com/stretchr/testify/require"
)

// benchedForecasts is the list of a fleet of n units.
func benchedForecasts(n int) WinterList {
	w := WinterList{Place: "the whole fleet", data: WinterListData{PastMinimaC: someData().PastMinimaC}}
	for i := range n {
		f := forecast(i+1, fmt.Sprintf("P-%06d", i), []string{"NOR", "SUD"}[i%2], Looks()[i%5].Band, float64(i%1000)/1000, -30+float64(i%300)/10, fleet.Money(i*37%100_000))
		w.forecasts = append(w.forecasts, f)
	}
	return w
}

// peak watches the heap while rows pass and bytes are written.
type peak struct {
	io.Writer
	bytes uint64
}

func (p *peak) look() {
	var m runtime.MemStats
	runtime.ReadMemStats(&m)
	p.bytes = max(p.bytes, m.HeapInuse)
}

// Write looks, and passes on.
func (p *peak) Write(b []byte) (int, error) {
	p.look()
	return p.Writer.Write(b)
}

func (p *peak) watching(rows iter.Seq2[[]any, error]) iter.Seq2[[]any, error] {
	return func(yield func([]any, error) bool) {
		n := 0
		for row, err := range rows {
			if n++; n%5000 == 0 {
				p.look()
			}
			if !yield(row, err) {
				return
			}
		}
	}
}

// BenchmarkWorkbook writes the sheet of 200,000 units, and for comparison the same rows as CSV. Memory is the highest use of the heap
// beside what the rows themselves need.
func BenchmarkWorkbook(b *testing.B) {
	const rows = 200_000
	w := benchedForecasts(rows)
	runtime.GC()
	var before runtime.MemStats
	runtime.ReadMemStats(&before)
	var asBook, asCSV time.Duration
	var most uint64
	for b.Loop() {
		p := &peak{Writer: io.Discard}
		s := w.unitsSheet()
		s.Rows = p.watching(s.Rows)
		start := time.Now()
		require.NoError(b, WriteWorkbook(p, WorkbookHead{Title: "Winter list"}, []Sheet{s}, winterListDefinitions()))
		asBook += time.Since(start)
		most = max(most, p.bytes-before.HeapInuse)
		start = time.Now()
		out := csv.NewWriter(io.Discard)
		for _, f := range w.forecasts {
			require.NoError(b, out.Write(TableRow(f, 0, nil)))
		}
		out.Flush()
		asCSV += time.Since(start)
	}
	b.ReportMetric(float64(b.N)*rows/asBook.Seconds(), "rows/s")
	b.ReportMetric(asBook.Seconds()/asCSV.Seconds(), "times-csv")
	b.ReportMetric(float64(most)/1e6, "MB-heap")
	b.ReportMetric(0, "ns/op")
}

// BenchmarkPDF prints a list of 500 units.
func BenchmarkPDF(b *testing.B) {
	d := someData()
	d.List.Units = benchedForecasts(500).forecasts
	w, err := Compose(d, 500)
	require.NoError(b, err)
	for b.Loop() {
		_, err := w.PDF()
		require.NoError(b, err)
	}
}
