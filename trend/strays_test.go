package trend

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// A neighbour's row tells engine speed, which this unit's logger does not; a new logger does so from its first row on.
func TestRowsOfAnotherLoggerAreStrays(t *testing.T) {
	var s strays
	at := time.Date(2025, 1, 1, 5, 0, 0, 0, time.UTC)
	row := func(rpm bool) bool {
		at = at.Add(24 * time.Hour)
		c := fleet.Crank{At: at, MinV: fleet.Known(9.8), RestV: fleet.Known(12.6)}
		if rpm {
			c.RPM = fleet.Known(140.0)
		}
		return s.is(&c)
	}
	for range strayWindow {
		require.False(t, row(false))
	}
	require.True(t, row(true), "the neighbour's")
	for range strayWindow {
		require.False(t, row(false))
	}
	for range strayFew {
		require.True(t, row(true), "of a new logger the first rows are lost")
	}
	require.False(t, row(true))
	require.False(t, row(false), "a row that lacks a figure may be its own")
}
