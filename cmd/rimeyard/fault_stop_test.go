package main

import (
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// A search stopped by ice shows no job sheet, and asks for the ice first when somebody goes on with it.
func TestFaultGoesOnOnceTheBatteryHasThawed(t *testing.T) {
	noDatabase(t)
	s, err := faults.New(faults.Facts{SystemVolts: 12, TemperatureC: fleet.Known(-15.0)}, faults.Prior{})
	require.NoError(t, err)
	for check, says := range map[faults.Check]string{faults.Secure: "done", faults.Key: "clicks", faults.RestV: "11.0", faults.Frozen: "frozen"} {
		s, err = s.Answer(check, says, "ann", time.Unix(60, 0))
		require.NoError(t, err)
	}
	file := filepath.Join(t.TempDir(), "ice.json")
	require.NoError(t, keepSession(file, s))
	code, stdout, stderr := typed(t, nil, "fault", "--answers", file)
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, stdout, "Nothing goes on before it has thawed")
	require.NotContains(t, stdout, "JOB SHEET")

	_, stdout, _ = typed(t, []string{"2"}, "fault", "--resume", file)
	require.Contains(t, stdout, "See whether the battery is frozen")
	require.Equal(t, 2, strings.Count(stdout, "Nothing goes on before it has thawed"), "as it stood, and as it still stands")
	require.Contains(t, stdout, "--resume "+file)
	_, stdout, _ = typed(t, []string{"1"}, "fault", "--resume", file)
	require.Contains(t, stdout, "See whether the battery is frozen")
	require.Equal(t, 1, strings.Count(stdout, "Nothing goes on before it has thawed"))
	require.NotContains(t, stdout, "JOB SHEET")
}

func TestFiguresAsPeopleTypeThem(t *testing.T) {
	for said, want := range map[string]float64{"14 °F": -10, "-10": -10, "−3,5": -3.5, "640 A": 640, "70 Ah": 70, "1.6 l": 1.6} {
		got, err := plainFigure(said)
		require.NoError(t, err, said)
		require.InDelta(t, want, got, 1e-9, said)
	}
	_, err := plainFigure("cold")
	require.Error(t, err)
}
