package store_test

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

func TestTroubles(t *testing.T) {
	db := store.New(pgtest.New(t))
	bring := func(batch string) {
		res, err := ingest.ImportBatch(t.Context(), db, strings.NewReader(batch), ingest.Options{Source: "test", Now: time.Date(2025, 11, 20, 12, 0, 0, 0, time.UTC)})
		require.NoError(t, err)
		require.NoError(t, res.Close())
	}
	began := time.Now().Add(-time.Minute)
	bring(`{"depots": [{"depot": "NOR", "name": "N", "timezone": "Europe/Oslo"}, {"depot": "SUD", "name": "S", "timezone": "Europe/Oslo"}],
	"vehicles": [{"unit": "N-1", "depot": "NOR", "class": "van", "fuel": "diesel", "system_volts": 12, "batteries": 1},
		{"unit": "N-2", "depot": "NOR", "class": "van", "fuel": "diesel", "system_volts": 12, "batteries": 1},
		{"unit": "S-1", "depot": "SUD", "class": "van", "fuel": "diesel", "system_volts": 12, "batteries": 1},
		{"unit": "S-2", "depot": "SUD", "class": "van", "fuel": "diesel", "system_volts": 12, "batteries": 1}]}`)
	bring(`{"battery_tests": [{"tested_at": "2025-11-01T08:00:00Z", "unit": "N-1", "rest_v": "12x"},
		{"tested_at": "2025-11-01T08:00:00Z", "unit": "S-1", "rest_v": "13y"}, {"tested_at": "2025-11-01T08:00:00Z", "unit": "nobody's", "rest_v": 12}]}`)

	found, err := db.Troubles(t.Context(), began)
	require.NoError(t, err)
	require.Len(t, found, 1, "an import without trouble is none")
	require.Len(t, found[0].Files, 1)
	require.EqualValues(t, 3, found[0].Files[0].KeptApart)
	none, err := db.Troubles(t.Context(), time.Now().Add(time.Hour))
	require.NoError(t, err)
	require.Empty(t, none)

	rows, all, err := db.KeptApartOf(t.Context(), []int64{found[0].ID}, nil, 2)
	require.NoError(t, err)
	require.Len(t, rows, 2)
	require.Equal(t, 3, all)
	rows, all, err = db.KeptApartOf(t.Context(), []int64{found[0].ID}, []fleet.DepotID{"SUD"}, 10)
	require.NoError(t, err)
	require.Equal(t, 1, all)
	require.Equal(t, "13y", rows[0].Value)
	rows, all, err = db.KeptApartOf(t.Context(), nil, nil, 10)
	require.NoError(t, err)
	require.Empty(t, rows)
	require.Zero(t, all)
}
