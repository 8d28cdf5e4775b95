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

// Of a unit that has no logger of that kind a neighbour's rows are few from the start.
func TestStraysAreFoundEarly(t *testing.T) {
	var s strays
	row := func(rpm bool) bool {
		c := fleet.Crank{MinV: fleet.Known(9.8), RestV: fleet.Known(12.6)}
		if rpm {
			c.RPM = fleet.Known(140.0)
		}
		return s.is(&c)
	}
	for range 7 {
		require.False(t, row(false), "nothing is known yet")
	}
	require.False(t, row(false), "seen before")
	require.True(t, row(true), "never seen in eight rows")
	require.False(t, row(true), "once in nine")
}
