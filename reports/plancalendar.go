package reports

import (
	"bytes"
	"encoding/hex"
	"fmt"
	"strings"
	"time"
	"unicode/utf8"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// CalendarType is the media type of a calendar, RFC 5545 section 8.1.
const CalendarType = "text/calendar; charset=utf-8"

// calendarEpoch is what an event's revision is counted from, so that the number grows with every list and every choice and stays small.
var calendarEpoch = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// Calendar is the plan as an iCalendar object (RFC 5545): for each depot and week with work one event over its working days. href gives
// the address of a week's page; nil: events have none.
//
// An event keeps its UID for good. DTSTAMP is when the list was issued or people last changed something, SEQUENCE the minutes from 2026 to then: the same plan gives
// the same bytes, and a later one a higher number.
func (p *Planned) Calendar(name string, href func(fleet.DepotID, fleet.Date) string) []byte {
	var c contentLines
	c.line("BEGIN:VCALENDAR")
	c.line("VERSION:2.0")
	c.line("PRODID:-//rimeyard//plan//EN")
	c.line("CALSCALE:GREGORIAN")
	c.line("METHOD:PUBLISH")
	c.text("NAME", name) // RFC 7986
	c.text("X-WR-CALNAME", name)
	c.line("REFRESH-INTERVAL;VALUE=DURATION:PT6H") // RFC 7986
	for _, d := range p.Plan.Depots {
		for _, w := range d.Weeks {
			if len(w.Visits)+w.Tests > 0 {
				p.event(&c, d.Depot, w, href)
			}
		}
	}
	c.line("END:VCALENDAR")
	return c.Bytes()
}

func (p *Planned) event(c *contentLines, depot fleet.DepotID, w plan.Week, href func(fleet.DepotID, fleet.Date) string) {
	const workingDays = 5
	revised := p.Revised[depot].UTC().Truncate(time.Minute)
	c.line("BEGIN:VEVENT")
	c.line(fmt.Sprintf("UID:%s-%s@plan.rimeyard", w.Monday, hex.EncodeToString([]byte(depot))))
	c.line("DTSTAMP:" + revised.Format("20060102T150405Z"))
	c.line(fmt.Sprintf("SEQUENCE:%d", max(0, int(revised.Sub(calendarEpoch)/time.Minute))))
	c.line("DTSTART;VALUE=DATE:" + compact(w.Monday))
	c.line("DTEND;VALUE=DATE:" + compact(w.Monday+workingDays)) // the day after, section 3.6.1
	c.line("TRANSP:TRANSPARENT")
	c.text("SUMMARY", fmt.Sprintf("%s: %s", p.Name(depot), eventWords(w)))
	c.text("LOCATION", p.Name(depot))
	c.text("DESCRIPTION", p.eventText(depot, w))
	if href != nil {
		c.line("URL:" + href(depot, w.Monday))
	}
	c.line("END:VEVENT")
}

func eventWords(w plan.Week) string {
	if w.Tests == 0 {
		return SlotWords(w)
	}
	return SlotWords(w) + ", " + Count(w.Tests, "test")
}

func (p *Planned) eventText(depot fleet.DepotID, w plan.Week) string {
	var lines []string
	for _, v := range w.Visits {
		line := fmt.Sprintf("%s: %s", v.Unit, VisitWords(v))
		if parts := pieces(numbersOf(v)); parts != "" {
			line += " (" + parts + ")"
		}
		if v.Who != "" {
			line += ", " + v.Who
		}
		lines = append(lines, line)
	}
	for _, t := range p.Plan.Retests {
		if t.Depot == depot && t.Monday == w.Monday {
			lines = append(lines, fmt.Sprintf("%s: test again", t.Unit))
		}
	}
	return strings.Join(lines, "\n")
}

func compact(d fleet.Date) string { return strings.ReplaceAll(d.String(), "-", "") }

// contentLines writes an object line by line.
type contentLines struct{ bytes.Buffer }

// text writes a property of type TEXT: section 3.3.11.
func (c *contentLines) text(property, value string) {
	value = strings.Map(func(r rune) rune {
		if r == '\n' || r >= ' ' && r != '\x7f' {
			return r
		}
		return -1
	}, strings.ToValidUTF8(value, "?"))
	c.line(property + ":" + strings.NewReplacer(`\`, `\\`, ";", `\;`, ",", `\,`, "\n", `\n`).Replace(value))
}

// line writes a content line, folded where it is longer than 75 octets: section 3.1. No character is torn.
func (c *contentLines) line(s string) {
	const longest = 75 // octets, without the line break
	for room := longest; len(s) > room; room = longest - 1 {
		n := room
		for !utf8.RuneStart(s[n]) {
			n--
		}
		c.WriteString(s[:n] + "\r\n ")
		s = s[n:]
	}
	c.WriteString(s + "\r\n")
}
