package reports_test

import (
	"flag"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func weekHref(depot fleet.DepotID, monday fleet.Date) string {
	return "https://rime.example.org/plan?depot=" + string(depot) + "&week=" + monday.String()
}

func TestThePlanAsACalendar(t *testing.T) {
	s := plannedYard()
	s.choices = []fleet.PlanChoice{{Unit: "N-1", Depot: "NOR", Monday: fleet.Known(planDay.Monday()), By: "mara", At: s.issue.IssuedAt}}
	got := plannedCalendar(t, s)
	requireICalendar(t, got)
	path := filepath.Join("..", "testdata", "reports", "plan.ics")
	if flag.Lookup("update").Value.String() == "true" { // go test ./reports -update
		require.NoError(t, os.WriteFile(path, []byte(got), 0o600))
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, string(want), got)
	require.Equal(t, got, plannedCalendar(t, s), "same plan, same bytes")
}

func plannedCalendar(t *testing.T, s *planStore) string {
	t.Helper()
	p := plannedOf(t, s)
	return string(p.Calendar("Plan", weekHref))
}

// A calendar that has read the plan before takes the new state for the newer one of the same event.
func TestEventsKeepTheirIdentity(t *testing.T) {
	s := plannedYard()
	before := requireICalendar(t, plannedCalendar(t, s))
	s.revised = map[fleet.DepotID]time.Time{"NOR": s.issue.IssuedAt.Add(90 * time.Minute)}
	after := requireICalendar(t, plannedCalendar(t, s))
	require.Len(t, after, len(before))
	moved := 0
	for i := range after {
		require.Equal(t, before[i]["UID"], after[i]["UID"])
		if strings.Contains(after[i]["LOCATION"], "North") {
			require.Greater(t, after[i]["SEQUENCE"], before[i]["SEQUENCE"])
			require.Equal(t, "20261125T070000Z", after[i]["DTSTAMP"])
			moved++
			continue
		}
		require.Equal(t, before[i], after[i], "nobody has changed SUD")
	}
	require.Positive(t, moved)
}

// contentLine is RFC 5545's grammar of a line once it is unfolded: name *(";" param) ":" value, section 3.1.
var contentLine = regexp.MustCompile(`^([A-Z][A-Z0-9-]*)((?:;[A-Z][A-Z0-9-]*=(?:[^",:;[:cntrl:]]*|"[^"[:cntrl:]]*"))*):([^\x00-\x08\x0a-\x1f\x7f]*)$`)

// valueForms are the grammars of the values that the plan uses: section 3.3, and RFC 3986 for addresses.
var valueForms = map[string]*regexp.Regexp{
	"DTSTAMP": regexp.MustCompile(`^\d{8}T\d{6}Z$`), "SEQUENCE": regexp.MustCompile(`^\d+$`), "URL": regexp.MustCompile(`^https?://[!#$&-;=?-Z_a-z~%]+$`),
	"DTSTART": regexp.MustCompile(`^\d{8}$`), "DTEND": regexp.MustCompile(`^\d{8}$`), "VERSION": regexp.MustCompile(`^2\.0$`), "METHOD": regexp.MustCompile(`^PUBLISH$`),
	"SUMMARY": escapedText, "DESCRIPTION": escapedText, "LOCATION": escapedText, "NAME": escapedText, "UID": escapedText, "PRODID": escapedText,
}

// escapedText is section 3.3.11: no bare comma, semicolon or backslash.
var escapedText = regexp.MustCompile(`^(?:[^\\;,[:cntrl:]]|\\[\\;,Nn])*$`)

// requireICalendar reads an iCalendar object by the grammar of RFC 5545 and nothing of ours, and returns the properties of its events.
func requireICalendar(t *testing.T, ics string) (events []map[string]string) {
	t.Helper()
	require.True(t, utf8.ValidString(ics))
	require.True(t, strings.HasSuffix(ics, "\r\n"))
	require.NotContains(t, strings.ReplaceAll(ics, "\r\n", ""), "\n")
	for _, line := range strings.Split(ics, "\r\n") {
		require.LessOrEqual(t, len(line), 75, "octets, section 3.1: %q", line)
		require.True(t, utf8.ValidString(line), "no character is torn: %q", line)
	}
	var open []string
	uids := map[string]bool{}
	head := map[string]int{}
	for _, line := range strings.Split(strings.TrimSuffix(strings.ReplaceAll(ics, "\r\n ", ""), "\r\n"), "\r\n") {
		parts := contentLine.FindStringSubmatch(line)
		require.NotNil(t, parts, "no content line: %q", line)
		name, params, value := parts[1], parts[2], parts[3]
		if form := valueForms[name]; form != nil {
			require.Regexp(t, form, value, name)
		}
		switch {
		case name == "BEGIN":
			if open = append(open, value); value == "VEVENT" {
				events = append(events, map[string]string{})
			}
		case name == "END":
			require.Equal(t, open[len(open)-1], value)
			open = open[:len(open)-1]
		case len(open) == 1:
			head[name]++
		default:
			require.Equal(t, []string{"VCALENDAR", "VEVENT"}, open)
			e := events[len(events)-1]
			require.NotContains(t, e, name, "each property of ours may be there once, section 3.6.1")
			e[name] = value
			if strings.HasPrefix(name, "DT") && name != "DTSTAMP" {
				require.Equal(t, ";VALUE=DATE", params)
			}
		}
	}
	require.Empty(t, open)
	require.Equal(t, []int{1, 1, 1}, []int{head["PRODID"], head["VERSION"], head["METHOD"]}, "section 3.6")
	require.NotEmpty(t, events)
	for _, e := range events {
		for _, must := range []string{"UID", "DTSTAMP", "DTSTART", "DTEND", "SUMMARY", "SEQUENCE"} {
			require.Contains(t, e, must)
		}
		require.False(t, uids[e["UID"]], "%s comes twice", e["UID"])
		uids[e["UID"]] = true
		require.Less(t, e["DTSTART"], e["DTEND"], "DTEND is the day after, section 3.6.1")
	}
	return events
}

// Nothing that people type can end a line or a property.
func TestNothingTypedBreaksTheCalendar(t *testing.T) {
	s := plannedYard()
	evil := fleet.UnitID("N\r\nEND:VEVENT\\;,\"é" + strings.Repeat("ß", 80))
	s.listed[0].Unit.ID, s.listed[0].Forecast.Unit, s.listed[0].Outlook.Unit = evil, evil, evil
	s.depots[0].Name = "A,\nB;\\ \x00\x7f"
	events := requireICalendar(t, plannedCalendar(t, s))
	require.True(t, strings.HasPrefix(events[0]["LOCATION"], `A\,\nB\;\\ `), events[0]["LOCATION"])
	p := plannedOf(t, s)
	require.NotContains(t, string(p.Calendar("Plan", nil)), "URL:")
}
