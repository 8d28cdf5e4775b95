package web

import (
	"net/url"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

func TestCronInWords(t *testing.T) {
	for line, words := range map[string]string{
		"0 6 * * 1":         "at 06:00 on Mondays",
		"0 6 * * MON":       "at 06:00 on Mondays",
		"30 5 * * 1-5":      "at 05:30 on Mondays to Fridays",
		"0 6,14 * * *":      "at 06:00 and 14:00 every day",
		"0 7 1 * *":         "at 07:00 on day 1 of the month",
		"0 7 1,15 * *":      "at 07:00 on day 1 and 15 of the month",
		"0 7 1 * 1":         "at 07:00 on day 1 of the month, and on Mondays",
		"0 7 */2 * *":       "at 07:00 on every 2nd day of the month",
		"0 7 * 10-12,jan *": "at 07:00 every day, in October to December and January",
		"*/15 * * * *":      "every 15 minutes of every hour every day",
		"* * * * *":         "every minute of every hour every day",
		"5 */3 * * *":       "at minute 5 of every 3rd hour every day",
		"0 8-17 * * *":      "at minute 0 of the hours 8 to 17 every day",
		"0 0 * * sat,sun":   "at 00:00 on Saturdays and Sundays",
		"@weekly":           "at 00:00 on Sundays",
		"@monthly":          "at 00:00 on day 1 of the month",
	} {
		_, err := reports.ParseTimetable(line, "UTC")
		require.NoError(t, err, line)
		require.Equal(t, words, cronWords(line), line)
	}
}

// What the plain choices write is read back as the same choice; everything else is a line of one's own.
func TestPlainChoicesComeBack(t *testing.T) {
	for _, values := range []url.Values{
		{"when": {onWeekday}, "weekday": {"0"}, "at": {"06:05"}},
		{"when": {onWorkdays}, "at": {"23:59"}},
		{"when": {onEveryDay}, "at": {"00:00"}},
		{"when": {onMonthDay}, "monthday": {"28"}, "at": {"6:00"}},
	} {
		f := blankForm(values)
		line := cronOf(f)
		require.Empty(t, f.wrong)
		back := url.Values{}
		fillCron(back, line)
		require.Equal(t, values.Get("when"), back.Get("when"))
		require.Equal(t, line, cronOf(blankForm(back)), "the same line again")
	}
	for _, line := range []string{"0 6 31 * *", "0 6 1 * 1", "0 6 * 3 *", "*/5 6 * * *", "@weekly", "0 6 * * 1,2", "0 6-8 * * *"} {
		back := url.Values{}
		fillCron(back, line)
		require.Equal(t, onOwnLine, back.Get("when"), line)
		require.Equal(t, line, cronOf(blankForm(back)))
	}
}

// Source of the changes: IANA time zone database, America/Toronto: 2026-03-08 02:00 EST to EDT, 2026-11-01 02:00 EDT to EST.
func TestRunsMarkWhatTheClockDoes(t *testing.T) {
	for _, tc := range []struct {
		line, from string
		marks      []string
	}{
		{"0 6 * * SUN", "2026-02-27T00:00:00Z", []string{"", "an hour earlier", ""}},
		{"0 6 * * SUN", "2026-10-20T00:00:00Z", []string{"", "an hour later", ""}},
		{"30 2 * * *", "2026-03-06T12:00:00Z", []string{"", "the clock jumps over its time", ""}},
		{"0 3 * * *", "2026-03-06T12:00:00Z", []string{"", "an hour earlier", ""}},
		{"30 1 * * *", "2026-10-30T12:00:00Z", []string{"", "shows this time twice", "an hour later"}},
		{"30 0 * * *", "2026-10-30T12:00:00Z", []string{"", "", "an hour later"}},
	} {
		from, err := time.Parse(time.RFC3339, tc.from)
		require.NoError(t, err)
		slots, err := reports.NextSlots(fleet.Schedule{Cron: tc.line, Timezone: "America/Toronto"}, from, len(tc.marks))
		require.NoError(t, err)
		for i, row := range newRunRows(slots, tc.line, from) {
			if tc.marks[i] == "" {
				require.Empty(t, row.Shift, "%s %s", tc.line, row.When)
			}
			require.Contains(t, row.Shift, tc.marks[i], "%s %s", tc.line, row.When)
		}
	}
}
