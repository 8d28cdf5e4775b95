package ingest_test

import (
	"errors"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// What is typed is judged as what comes in files.
func TestTypedRowsAreJudgedAsThoseOfFiles(t *testing.T) {
	about := ingest.About{Unit: fleet.Unit{ID: "U", Depot: "A", SystemVolts: 12, Batteries: 1}, Depot: fleet.Depot{ID: "A", Timezone: "Europe/Oslo"}}
	now := time.Date(2026, 11, 30, 9, 0, 0, 0, time.UTC)
	battery := func(change, to string) map[string]string {
		row := map[string]string{
			"unit": "U", "battery": " N-1 ", "position": "1", "part": "B-70", "chemistry": "agm", "rated_cca_a": "760,5", "cca_standard": "en",
			"fitted_on": "2026-11-30", "price": "140,50", "removed_on": "",
		}
		row[change] = to
		return row
	}
	got, err := ingest.JudgeTyped(fleet.BatteriesKind, battery("rated_ah", "70"), about, now)
	require.NoError(t, err)
	require.Equal(t, &fleet.BatteryFitting{
		Battery: "N-1", Unit: "U", Position: 1, Part: "B-70", Chemistry: fleet.AGM, RatedCCAA: 760.5, CCAStandard: fleet.EN, RatedAh: fleet.Known(70.0),
		FittedOn: fleet.Known(fleet.NewDate(2026, 11, 30)), Price: fleet.Known(fleet.Money(14050)),
	}, got)
	for column, text := range map[string]string{
		"position": "2", "cca_standard": "", "rated_cca_a": "9000", "made_on": "8/2026", "removed_on": "2026-11-29", "battery": "a\xffb", "unit": "V",
	} {
		_, err := ingest.JudgeTyped(fleet.BatteriesKind, battery(column, text), about, now)
		flaw, is := errors.AsType[ingest.FlawError](err)
		require.True(t, is, "%s: %v", column, err)
		require.Equal(t, column, flaw.Column)
		require.NotEmpty(t, flaw.Reason)
	}
	crank, err := ingest.JudgeTyped(fleet.CranksKind, map[string]string{"unit": "U", "cranked_at": now.Format(time.RFC3339), "min_v": "9,8", "temperature_f": "14"}, about, now)
	require.NoError(t, err)
	require.InDelta(t, -10, crank.(*fleet.Crank).TemperatureC.Or(0), 1e-9)
	_, err = ingest.JudgeTyped(fleet.CranksKind, map[string]string{"unit": "U", "cranked_at": now.AddDate(0, 0, 3).Format(time.RFC3339), "min_v": "9.8"}, about, now)
	require.ErrorContains(t, err, "cranked_at")
}
