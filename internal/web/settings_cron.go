package web

import (
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeyard/reports"
)

// The plain choices of when a schedule is due. Everything else is a cron line of one's own.
const (
	onWeekday  = "weekly"
	onWorkdays = "workdays"
	onEveryDay = "daily"
	onMonthDay = "monthly"
	onOwnLine  = "own"
)

// longestMonthDay is the last day that every month has.
const longestMonthDay = 28

// cronOf writes the choice made in a form as a cron line; what is wrong is put down in the form.
func cronOf(f *form) string {
	when := f.get("when")
	if when == onOwnLine {
		line := strings.Join(strings.Fields(f.get("cron")), " ")
		if line == "" {
			f.blame("cron", errors.New("write five fields: minute, hour, day of the month, month, weekday"))
		}
		return line
	}
	at, err := time.Parse("15:04", strings.TrimSpace(f.get("at")))
	if err != nil {
		f.blame("at", fmt.Errorf("time %q: want hours and minutes like 06:00", f.get("at")))
	}
	clock := fmt.Sprintf("%d %d ", at.Minute(), at.Hour())
	switch when {
	case onEveryDay:
		return clock + "* * *"
	case onWorkdays:
		return clock + "* * 1-5"
	case onWeekday:
		day, err := strconv.Atoi(f.get("weekday"))
		if err != nil || day < 0 || day > 6 {
			f.blame("weekday", fmt.Errorf("%q is no day of the week", f.get("weekday")))
		}
		return clock + "* * " + strconv.Itoa(day)
	case onMonthDay:
		day, err := strconv.Atoi(f.get("monthday"))
		if err != nil || day < 1 || day > longestMonthDay {
			f.blame("monthday", fmt.Errorf("day %q: want one that every month has, 1 to %d", f.get("monthday"), longestMonthDay))
		}
		return clock + strconv.Itoa(day) + " * *"
	}
	f.blame("when", errors.New("say when it is due"))
	return ""
}

// fillCron writes a cron line as the choice in a form that gives it.
func fillCron(values url.Values, line string) {
	values.Set("cron", line)
	values.Set("when", onOwnLine)
	values.Set("at", "06:00")
	values.Set("weekday", "1")
	values.Set("monthday", "1")
	fields := strings.Fields(line)
	if len(fields) != 5 || fields[3] != "*" {
		return
	}
	minute, err := strconv.Atoi(fields[0])
	hour, err2 := strconv.Atoi(fields[1])
	if err != nil || err2 != nil {
		return
	}
	day, isDay := strconv.Atoi(fields[2])
	weekday, known := weekdayOf(fields[4])
	switch {
	case fields[2] == "*" && fields[4] == "*":
		values.Set("when", onEveryDay)
	case fields[2] == "*" && (fields[4] == "1-5" || strings.EqualFold(fields[4], "mon-fri")):
		values.Set("when", onWorkdays)
	case fields[2] == "*" && known:
		values.Set("when", onWeekday)
		values.Set("weekday", strconv.Itoa(weekday))
	case isDay == nil && day <= longestMonthDay && fields[4] == "*":
		values.Set("when", onMonthDay)
		values.Set("monthday", strconv.Itoa(day))
	default:
		return
	}
	values.Set("at", fmt.Sprintf("%02d:%02d", hour, minute))
}

func weekdayOf(field string) (int, bool) {
	if day, err := strconv.Atoi(field); err == nil && day >= 0 && day <= 6 {
		return day, true
	}
	day := slices.Index(dayNames, strings.ToLower(field))
	return day, day >= 0
}

var (
	dayNames   = []string{"sun", "mon", "tue", "wed", "thu", "fri", "sat"}
	monthNames = []string{"", "jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"}
	nicknames  = map[string]string{
		"@yearly": "0 0 1 1 *", "@annually": "0 0 1 1 *", "@monthly": "0 0 1 * *", "@weekly": "0 0 * * 0", "@daily": "0 0 * * *",
		"@midnight": "0 0 * * *", "@hourly": "0 * * * *",
	}
)

// cronWords says in words what a valid cron line means: at 06:00 on Mondays.
func cronWords(line string) string {
	if plain, ok := nicknames[strings.TrimSpace(line)]; ok {
		line = plain
	}
	fields := strings.Fields(line)
	if len(fields) != 5 {
		return line
	}
	words := clockWords(fields[0], fields[1])
	day := fieldWords(fields[2], "", func(v string) string { return v })
	weekday := fieldWords(fields[4], "weekday", func(v string) string { return weekdayWord(v) + "s" })
	switch {
	case isAny(fields[2]) && isAny(fields[4]):
		words += " every day"
	case isAny(fields[2]):
		words += " on " + weekday
	case isAny(fields[4]):
		words += " on " + daysOf(day)
	case strings.HasPrefix(fields[2], "*") || strings.HasPrefix(fields[4], "*"): // a step on all is no limit of its own
		words += " on " + daysOf(day) + ", or on " + weekday
	default:
		words += " on " + daysOf(day) + ", and on " + weekday
	}
	if !isAny(fields[3]) {
		words += ", in " + fieldWords(fields[3], "month", monthWord)
	}
	return words
}

func isAny(field string) bool { return field == "*" || field == "?" }

func daysOf(days string) string {
	if strings.HasPrefix(days, "every") {
		return days + " day of the month"
	}
	return "day " + days + " of the month"
}

// clockWords says minutes and hours: as times of the day where they are few.
func clockWords(minute, hour string) string {
	const few = 6
	minutes, hours := numbers(minute), numbers(hour)
	if len(minutes)*len(hours) > 0 && len(minutes)*len(hours) <= few {
		var times []string
		for _, h := range hours {
			for _, m := range minutes {
				times = append(times, fmt.Sprintf("%02d:%02d", h, m))
			}
		}
		return "at " + listed(times)
	}
	same := func(v string) string { return v }
	past := "every minute"
	if step, ok := strings.CutPrefix(minute, "*/"); ok && step != "1" {
		past = "every " + step + " minutes"
	} else if !isAny(minute) && minute != "*/1" {
		past = "at minute " + fieldWords(minute, "", same)
	}
	switch step, isStep := strings.CutPrefix(hour, "*/"); {
	case isAny(hour) || isStep && step == "1":
		return past + " of every hour"
	case isStep:
		return past + " of every " + ordinal(step) + " hour"
	}
	return past + " of the hours " + fieldWords(hour, "", same)
}

// numbers are the values of a field that lists single numbers; nil: it does not.
func numbers(field string) []int {
	var out []int
	for part := range strings.SplitSeq(field, ",") {
		n, err := strconv.Atoi(part)
		if err != nil {
			return nil
		}
		out = append(out, n)
	}
	slices.Sort(out)
	return out
}

// fieldWords says a field's lists, spans and steps; of is what one value is called.
func fieldWords(field, of string, word func(string) string) string {
	var parts []string
	for part := range strings.SplitSeq(field, ",") {
		span, step, stepped := strings.Cut(part, "/")
		from, to, isSpan := strings.Cut(span, "-")
		said := word(from)
		switch {
		case isAny(span):
			said = "every"
			if of != "" && !stepped {
				said = "every " + of
			}
		case isSpan:
			said = word(from) + " to " + word(to)
		}
		if stepped {
			every := "every " + ordinal(step)
			if of != "" {
				every += " " + of
			}
			switch {
			case isAny(span):
				said = every
			case isSpan:
				said = every + " from " + said
			default:
				said = every + " from " + said + " on"
			}
		}
		parts = append(parts, said)
	}
	return listed(parts)
}

func weekdayWord(v string) string {
	if day, ok := weekdayOf(v); ok {
		return time.Weekday(day).String()
	}
	return v
}

func monthWord(v string) string {
	n, err := strconv.Atoi(v)
	if err != nil {
		n = slices.Index(monthNames, strings.ToLower(v))
	}
	if n < 1 || n > 12 {
		return v
	}
	return time.Month(n).String()
}

func ordinal(n string) string {
	switch {
	case strings.HasSuffix(n, "11") || strings.HasSuffix(n, "12") || strings.HasSuffix(n, "13"):
		return n + "th"
	case strings.HasSuffix(n, "1"):
		return n + "st"
	case strings.HasSuffix(n, "2"):
		return n + "nd"
	case strings.HasSuffix(n, "3"):
		return n + "rd"
	}
	return n + "th"
}

// listed joins words: a, b and c.
func listed(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// runRow is one due time to come, on the clock of its schedule.
type runRow struct {
	When  string // Mon 30 Nov 2026, 06:00 EST
	Shift string // what a change of the clock does to it; empty: nothing
}

// newRunRows writes due times and marks what a change of the clock does to them. before is the moment from which they were asked for.
func newRunRows(slots []time.Time, line string, before time.Time) []runRow {
	rows := make([]runRow, len(slots))
	for i, slot := range slots {
		rows[i] = runRow{When: slot.Format("Mon 2 Jan 2006, 15:04 MST"), Shift: shiftOf(slot, line)}
		_, was := before.In(slot.Location()).Zone()
		if _, is := slot.Zone(); is != was && rows[i].Shift == "" {
			rows[i].Shift = fmt.Sprintf("the clocks have changed before this one: by a clock that stays, it comes %s", earlier(is-was))
		}
		before = slot
	}
	return rows
}

// earlier says by how much a wall clock's time moves when its zone's offset grows by so many seconds.
func earlier(seconds int) string {
	by := time.Duration(seconds) * time.Second
	word := "earlier"
	if by < 0 {
		by, word = -by, "later"
	}
	if by == time.Hour {
		return "an hour " + word
	}
	return fmt.Sprintf("%.0f minutes %s", by.Minutes(), word)
}

// shiftOf says where the clock of a zone leaves out the time of a slot, or shows it twice.
func shiftOf(slot time.Time, line string) string {
	wall := time.Date(slot.Year(), slot.Month(), slot.Day(), slot.Hour(), slot.Minute(), 0, 0, time.UTC)
	plain, err := reports.ParseTimetable(line, "UTC")
	if err != nil {
		return ""
	}
	if !plain.NextSlot(wall.Add(-time.Second)).Equal(wall) {
		return "the clock jumps over its time that day: it comes right after"
	}
	_, end := slot.ZoneBounds()
	if end.IsZero() {
		return ""
	}
	_, is := slot.Zone()
	_, next := end.Zone()
	back := time.Duration(is-next) * time.Second
	if again := slot.Add(back); back > 0 && !again.Before(end) {
		return "the clock shows this time twice that day: it comes the first time, and once"
	}
	return ""
}
