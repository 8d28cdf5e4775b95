package reports

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

// clockChange is one turn of a zone's clock, worked out from the published rules and not from the machine's time zones.
type clockChange struct {
	zone          string
	at            time.Time
	before, after time.Duration // ahead of UTC
}

// publishedChanges works out what testdata/clockchanges/rules.txt says for the years from first to last.
func publishedChanges(t *testing.T, first, last int) (changes []clockChange) {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "testdata", "clockchanges", "rules.txt"))
	require.NoError(t, err)
	rules := map[string][][]string{}
	for line := range strings.Lines(string(b)) {
		f := strings.Fields(line)
		switch f[0] {
		case "R":
			rules[f[1]] = append(rules[f[1]], f)
		case "Z":
			require.Len(t, rules[f[3]], 2, "one rule for summer and one for winter")
			standard := hours(t, f[2])
			for year := first; year <= last; year++ {
				for i, rule := range rules[f[3]] {
					before := standard + hours(t, rules[f[3]][1-i][8])
					change := clockChange{zone: f[1], before: before, after: standard + hours(t, rule[8])}
					change.at = dayOf(t, year, rule[5], rule[6]).Add(hours(t, strings.TrimRight(rule[7], "us")))
					switch {
					case strings.HasSuffix(rule[7], "u"):
					case strings.HasSuffix(rule[7], "s"):
						change.at = change.at.Add(-standard)
					default:
						change.at = change.at.Add(-before)
					}
					changes = append(changes, change)
				}
			}
		}
	}
	return changes
}

func hours(t *testing.T, s string) time.Duration {
	t.Helper()
	n, err := strconv.Atoi(s)
	require.NoError(t, err)
	return time.Duration(n) * time.Hour
}

// dayOf is the midnight, kept as UTC, of a day like lastSu or Su>=8.
func dayOf(t *testing.T, year int, month, day string) time.Time {
	t.Helper()
	m, known := map[string]time.Month{"Mar": time.March, "Ap": time.April, "O": time.October, "N": time.November}[month]
	require.True(t, known, month)
	if day == "lastSu" {
		d := time.Date(year, m+1, 0, 0, 0, 0, 0, time.UTC)
		return d.AddDate(0, 0, -int(d.Weekday()))
	}
	from, err := strconv.Atoi(strings.TrimPrefix(day, "Su>="))
	require.NoError(t, err)
	d := time.Date(year, m, from, 0, 0, 0, 0, time.UTC)
	return d.AddDate(0, 0, (7-int(d.Weekday()))%7)
}

// due is when a letter for that time of the clock must go out: at its first showing, or where the clock jumps over it, at the jump.
func (c clockChange) due(wall time.Time) time.Time {
	if early := wall.Add(-c.before); early.Before(c.at) {
		return early
	}
	if late := wall.Add(-c.after); !late.Before(c.at) {
		return late
	}
	return c.at
}

// A few changes as newspapers and statute books have them, so that the working out above is held against something too (names
// of the acts from memory).
func TestPublishedChangesAreWorkedOutRight(t *testing.T) {
	changes := publishedChanges(t, 2024, 2026)
	require.Len(t, changes, 18)
	for _, want := range []struct{ zone, at string }{
		{"Europe/Berlin", "2025-03-30T01:00:00Z"}, {"Europe/Berlin", "2024-10-27T01:00:00Z"}, // Directive 2000/84/EC
		{"America/New_York", "2025-03-09T07:00:00Z"}, {"America/New_York", "2025-11-02T06:00:00Z"}, // 15 U.S.C. § 260a
		{"Australia/Sydney", "2025-04-05T16:00:00Z"}, {"Australia/Sydney", "2025-10-04T16:00:00Z"}, // Standard Time Act 1987 (NSW), order of 2007
	} {
		require.True(t, slices.ContainsFunc(changes, func(c clockChange) bool { return c.zone == want.zone && c.at.Equal(at(t, want.at)) }), want)
	}
}

// Daily lines at every quarter of an hour, over every change of three zones in twenty-six years.
func TestSlotsOverAllPublishedChanges(t *testing.T) {
	held := 0
	for _, change := range publishedChanges(t, 2010, 2035) {
		day := change.at.Add(change.before).Truncate(24 * time.Hour) // midnight of the clock, kept as UTC
		for quarter := range 24 * 4 {
			clock := time.Duration(quarter) * 15 * time.Minute
			line := fmt.Sprintf("%d %d * * *", int(clock.Minutes())%60, int(clock.Hours()))
			tt, err := ParseTimetable(line, change.zone)
			require.NoError(t, err)
			last := day.AddDate(0, 0, -1).Add(clock).Add(-change.before)
			for offset := range 3 { // the day of the change and two after it
				want := change.due(day.AddDate(0, 0, offset).Add(clock))
				require.True(t, tt.NextSlot(last).Equal(want), "%s %s: got %s, want %s", change.zone, line, tt.NextSlot(last), want)
				_, early := tt.DueSlot(last, want.Add(-time.Second))
				slot, due := tt.DueSlot(last, want)
				require.True(t, !early && due && slot.Equal(want), "%s %s at %s", change.zone, line, want)
				last = want
				held++
			}
		}
	}
	require.Equal(t, 3*26*2*96*3, held)
}

func TestNextSlotsAreInTheSchedulesOwnTime(t *testing.T) {
	s := mondayOf(WinterListName, "NOR")
	slots, err := NextSlots(s, at(t, "2025-10-15T12:00:00Z"), 3)
	require.NoError(t, err)
	var got []string
	for _, slot := range slots {
		got = append(got, slot.Format(time.RFC3339))
	}
	require.Equal(t, []string{"2025-10-20T06:00:00+02:00", "2025-10-27T06:00:00+01:00", "2025-11-03T06:00:00+01:00"}, got)
	s.Cron = "0 6 29 2 *"
	slots, err = NextSlots(s, at(t, "2025-10-15T12:00:00Z"), 5)
	require.NoError(t, err)
	require.NotEmpty(t, slots)
	s.Cron = "monday"
	_, err = NextSlots(s, time.Time{}, 1)
	require.ErrorContains(t, err, "want five fields")
}
