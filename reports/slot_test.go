package reports

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func at(t *testing.T, s string) time.Time {
	t.Helper()
	parsed, err := time.Parse(time.RFC3339, s)
	require.NoError(t, err)
	return parsed
}

// The changes of the clock are those of the IANA time zone database.
func TestDueSlotOverClockChanges(t *testing.T) {
	const none = ""
	for _, tc := range []struct {
		name, zone, line, last, now, want string
	}{
		{"ordinary day", "Europe/Berlin", "0 6 * * *", "2025-01-06T06:00:00+01:00", "2025-01-07T06:00:00+01:00", "2025-01-07T06:00:00+01:00"},
		{"a second too early", "Europe/Berlin", "0 6 * * *", "2025-01-06T06:00:00+01:00", "2025-01-07T05:59:59+01:00", none},
		{"three missed, the latest once", "Europe/Berlin", "0 6 * * *", "2025-01-06T06:00:00+01:00", "2025-01-09T11:00:00+01:00", "2025-01-09T06:00:00+01:00"},
		{"six o'clock after the spring change", "Europe/Berlin", "0 6 * * *", "2025-03-29T06:00:00+01:00", "2025-03-30T06:00:00+02:00", "2025-03-30T06:00:00+02:00"},
		{"six o'clock after the autumn change", "Europe/Berlin", "0 6 * * *", "2025-10-25T06:00:00+02:00", "2025-10-26T06:00:00+01:00", "2025-10-26T06:00:00+01:00"},

		{"Berlin spring gap, before", "Europe/Berlin", "30 2 * * *", "2025-03-29T02:30:00+01:00", "2025-03-30T01:59:59+01:00", none},
		{"Berlin spring gap, right after", "Europe/Berlin", "30 2 * * *", "2025-03-29T02:30:00+01:00", "2025-03-30T03:00:00+02:00", "2025-03-30T03:00:00+02:00"},
		{"Berlin spring gap, not again", "Europe/Berlin", "30 2 * * *", "2025-03-30T03:00:00+02:00", "2025-03-30T23:00:00+02:00", none},
		{"Berlin spring gap, two lines in it are one", "Europe/Berlin", "0,30 2 * * *", "2025-03-30T03:00:00+02:00", "2025-03-30T23:00:00+02:00", none},
		{"Berlin autumn, first pass", "Europe/Berlin", "30 2 * * *", "2025-10-25T02:30:00+02:00", "2025-10-26T02:30:00+02:00", "2025-10-26T02:30:00+02:00"},
		{"Berlin autumn, second pass is not due", "Europe/Berlin", "30 2 * * *", "2025-10-26T02:30:00+02:00", "2025-10-26T02:45:00+01:00", none},
		{"Berlin autumn, caught up in the second pass", "Europe/Berlin", "30 2 * * *", "2025-10-25T02:30:00+02:00", "2025-10-26T02:10:00+01:00", "2025-10-26T02:30:00+02:00"},
		{"Berlin autumn, next day again", "Europe/Berlin", "30 2 * * *", "2025-10-26T02:30:00+02:00", "2025-10-27T02:30:00+01:00", "2025-10-27T02:30:00+01:00"},

		{"New York spring gap", "America/New_York", "15 2 * * SUN", "2025-03-02T02:15:00-05:00", "2025-03-09T03:00:00-04:00", "2025-03-09T03:00:00-04:00"},
		{"New York autumn, first pass", "America/New_York", "30 1 * * *", "2025-11-01T01:30:00-04:00", "2025-11-02T01:30:00-04:00", "2025-11-02T01:30:00-04:00"},
		{"New York autumn, not twice", "America/New_York", "30 1 * * *", "2025-11-02T01:30:00-04:00", "2025-11-02T01:30:00-05:00", none},

		{"Lord Howe spring gap of half an hour", "Australia/Lord_Howe", "15 2 * * *", "2025-10-04T02:15:00+10:30", "2025-10-05T02:30:00+11:00", "2025-10-05T02:30:00+11:00"},
		{"Lord Howe spring, half past two exists", "Australia/Lord_Howe", "30 2 * * *", "2025-10-04T02:30:00+10:30", "2025-10-05T02:30:00+11:00", "2025-10-05T02:30:00+11:00"},
		{"Lord Howe autumn, first pass", "Australia/Lord_Howe", "45 1 * * *", "2025-04-05T01:45:00+11:00", "2025-04-06T01:45:00+11:00", "2025-04-06T01:45:00+11:00"},
		{"Lord Howe autumn, not twice", "Australia/Lord_Howe", "45 1 * * *", "2025-04-06T01:45:00+11:00", "2025-04-06T01:45:00+10:30", none},

		{"Apia, the day that was left out", "Pacific/Apia", "0 6 30 12 *", "2011-12-01T00:00:00-10:00", "2011-12-31T00:00:00+14:00", "2011-12-31T00:00:00+14:00"},
		{"a minutely line after a year", "Europe/Berlin", "* * * * *", "2024-01-01T00:00:00+01:00", "2025-01-01T00:00:30+01:00", "2025-01-01T00:00:00+01:00"},
		{"a leap day", "Europe/Berlin", "0 6 29 2 *", "2020-03-01T00:00:00+01:00", "2025-01-01T00:00:00+01:00", "2024-02-29T06:00:00+01:00"},
		{"the clock went back", "Europe/Berlin", "0 6 * * *", "2025-01-08T06:00:00+01:00", "2025-01-07T12:00:00+01:00", none},
	} {
		t.Run(tc.name, func(t *testing.T) {
			tt, err := ParseTimetable(tc.line, tc.zone)
			require.NoError(t, err)
			slot, due := tt.DueSlot(at(t, tc.last), at(t, tc.now))
			require.Equal(t, tc.want != none, due)
			if due {
				require.True(t, slot.Equal(at(t, tc.want)), "got %s", slot.In(tt.zone))
			}
		})
	}
}

// Laws: asked every minute or rarely, a daily line is due once a day, whatever the clocks do; and what is next is what
// then becomes due.
func TestDailyLineIsDueOncePerDay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zone := rapid.SampledFrom([]string{"Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "UTC", "Asia/Kolkata"}).Draw(t, "zone")
		hour, minute := rapid.IntRange(0, 23).Draw(t, "hour"), rapid.IntRange(0, 59).Draw(t, "minute")
		tt, err := ParseTimetable(time.Date(0, 1, 1, hour, minute, 0, 0, time.UTC).Format("4 15 * * *"), zone)
		require.NoError(t, err)
		first := time.Date(2025, 1, 1, 12, 0, 0, 0, time.UTC)
		const days = 365
		last, runs := first, 0
		for now := first; now.Before(first.AddDate(0, 0, days)); now = now.Add(time.Duration(rapid.IntRange(1, 1200).Draw(t, "minutes")) * time.Minute) {
			next := tt.NextSlot(last)
			slot, due := tt.DueSlot(last, now)
			require.Equal(t, !next.After(now), due)
			if due {
				require.True(t, slot.Equal(next))
				last = slot
				runs++
			}
		}
		require.InDelta(t, days, runs, 1)
	})
}

func TestParseTimetableSaysWhatIsWrong(t *testing.T) {
	for name, tc := range map[string]struct{ line, zone, want string }{
		"six fields":    {"0 0 6 * * *", "UTC", "want five fields"},
		"not a line":    {"monday", "UTC", "want five fields"},
		"own zone":      {"TZ=UTC 0 6 * * *", "UTC", "want five fields"},
		"a distance":    {"@every 5m", "UTC", "not a distance in time"},
		"no zone":       {"0 6 * * *", "", "want a name like Europe/Berlin"},
		"no such zone":  {"0 6 * * *", "Europe/Atlantis", "want a name like Europe/Berlin"},
		"no such date":  {"0 6 30 2 *", "UTC", "no such time ever comes"},
		"a lone comma":  {", 6 * * *", "UTC", "no such time ever comes"},
		"out of bounds": {"0 25 * * *", "UTC", "want five fields"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := ParseTimetable(tc.line, tc.zone)
			require.ErrorContains(t, err, tc.want)
		})
	}
}

func FuzzParseTimetable(f *testing.F) {
	for _, line := range []string{"0 6 * * MON", "*/5 1-3,7 * JAN-MAR *", "@weekly", "0 6 30 2 *", "@every 1h", "TZ=x", "CRON_TZ=UTC"} {
		f.Add(line)
	}
	now := time.Date(2025, 11, 2, 6, 30, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, line string) {
		tt, err := ParseTimetable(line, "America/New_York")
		if err != nil {
			return
		}
		if slot, due := tt.DueSlot(now.AddDate(-1, 0, 0), now); due {
			require.False(t, slot.After(now))
			require.True(t, slot.After(now.AddDate(-1, 0, 0)))
		}
	})
}
