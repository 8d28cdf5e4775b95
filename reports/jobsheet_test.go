package reports

import (
	"bytes"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// What the fleet has noted is printed, what it has not is a blank; cautions stand before the step that they are for.
func TestPrintedJobSheet(t *testing.T) {
	notes := faults.ClassNotes{Torques: []faults.Torque{{Fastener: "starter bolts", NewtonMetres: 27}}, CableOrder: []string{"red to B"}, Fasteners: []string{"the upper bolt is longer"}, Reach: "below", StarterKg: fleet.Known(9.0)}
	facts := faults.Facts{Unit: "V-12", Class: "van", SystemVolts: 12}
	j := JobSheet{Sheet: faults.SheetFor(faults.StarterMotor, facts, notes), Head: []string{"Job 7, NOR"}, At: time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC)}
	first, err := JobSheetPDF(j)
	require.NoError(t, err)
	again, err := JobSheetPDF(j)
	require.NoError(t, err)
	require.True(t, bytes.Equal(first, again), "the same sheet, the same bytes")
	words := printedWords(t, first)
	for _, want := range []string{"Change the starter", "V-12, van, 12 V", "Job 7, NOR", "Starter bolts 27 N·m", "red to B", "the upper bolt is longer", "9 kg by the fleet's notes", "battery terminal nut: ________ N·m", "done by"} {
		require.Contains(t, words, want)
	}
	require.NotContains(t, words, "□")
	plain, err := JobSheetPDF(JobSheet{Sheet: faults.SheetFor(faults.Worn, faults.Facts{SystemVolts: 24}, faults.ClassNotes{}), At: j.At})
	require.NoError(t, err)
	words = printedWords(t, plain)
	require.Contains(t, words, "Change both batteries")
	require.Contains(t, words, "hold-down: ________ N·m")
}
