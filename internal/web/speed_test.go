package web

import (
	"net/http"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// BenchmarkWinterListOfFiftyThousand reports how long the whole page takes to come, at the middle and at the 99th of a hundred.
func BenchmarkWinterListOfFiftyThousand(b *testing.B) {
	w := newWorld(b)
	w.addBigFleet(50_000)
	w.addPerson("mara", fleet.Manager)
	who := w.as("mara")
	paths := []string{"/winter-list", "/winter-list?page=700", "/winter-list?sort=cold_limit", "/winter-list?band=watch&sort=chance", "/winter-list?q=0042"}
	var took []time.Duration
	for b.Loop() {
		for _, path := range paths {
			start := time.Now()
			require.Equal(b, http.StatusOK, who.get(path).status)
			took = append(took, time.Since(start))
		}
	}
	slices.Sort(took)
	b.ReportMetric(float64(took[len(took)/2].Microseconds())/1000, "ms-p50")
	b.ReportMetric(float64(took[len(took)*99/100].Microseconds())/1000, "ms-p99")
}
