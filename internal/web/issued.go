package web

import (
	"context"
	"fmt"
	"sync"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// memo remembers what follows from the newest list and does not change while it is the newest, so that a page of fifty thousand units costs
// what its fifty rows cost.
type memo[K comparable, V any] struct {
	mu    sync.Mutex
	issue int64
	kept  map[K]V
}

const mostRemembered = 500 // filters can be many

// of answers from what is kept of a list, else asks. Asking holds nobody up.
func (m *memo[K, V]) of(issue int64, key K, ask func() (V, error)) (V, error) {
	m.mu.Lock()
	if m.issue != issue || m.kept == nil || len(m.kept) > mostRemembered {
		m.issue, m.kept = issue, map[K]V{}
	}
	v, known := m.kept[key]
	m.mu.Unlock()
	if known {
		return v, nil
	}
	v, err := ask()
	if err != nil {
		return v, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.issue == issue {
		m.kept[key] = v
	}
	return v, nil
}

// issued is what is remembered of the newest list.
type issued struct {
	list       memo[string, *listIndex]
	winters    memo[fleet.DepotID, []float64]
	classes    memo[string, []string]
	planBefore memo[string, keptBefore]
}

// winterMinimaC are the coldest nights of a depot's past winters, as they were known to the list.
func (s *Server) winterMinimaC(ctx context.Context, issue fleet.Issue, depot fleet.Depot) ([]float64, error) {
	return s.issued.winters.of(issue.ID, depot.ID, func() (minimaC []float64, err error) {
		temps, err := s.store.DepotTemps(ctx, depot.ID)
		for _, w := range trend.Winters(temps, trend.SeasonOf(issue.AsOf, depot), issue.AsOf) {
			minimaC = append(minimaC, w.MinC)
		}
		return minimaC, err
	})
}

// classesOf are those of the viewer's units.
func (s *Server) classesOf(ctx context.Context, issue int64, v viewer) ([]string, error) {
	own := v.depots()
	return s.issued.classes.of(issue, fmt.Sprintf("%t %q", own == nil, own), func() ([]string, error) { return s.store.Classes(ctx, own) })
}
