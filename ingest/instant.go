package ingest

import (
	"errors"
	"time"

	"rimeyard/internal/fleet"
)

var (
	errNotInstant = errors.New("want a time like 2025-10-01T06:40:00+02:00: date, T, hours, minutes and seconds, then the offset from UTC (Z for UTC itself)")
	errGap        = errors.New("this time does not exist in the depot's time zone, where clocks were put forward over it: correct it, or write it with its offset from UTC")
	errNotDate    = errors.New("want a date as YYYY-MM-DD, like 2025-10-01")
)

// A wall is a time as written: the reading of a clock, and the offset from UTC where it says one.
type wall struct {
	clock     time.Time // the clock's reading as if it were UTC
	offset    time.Duration
	hasOffset bool
}

// parseWall reads RFC 3339, whose section 5.6 allows a space for the T, with or without the offset. Parts of a second
// beyond microseconds are cut off, because the store keeps no finer ones.
func parseWall(s []byte) (wall, error) {
	const shortest = len("2006-01-02T15:04:05")
	if len(s) < shortest || s[4] != '-' || s[7] != '-' || s[13] != ':' || s[16] != ':' || (s[10] != 'T' && s[10] != 't' && s[10] != ' ') {
		return wall{}, errNotInstant
	}
	year, month, day := digits(s[0:4]), digits(s[5:7]), digits(s[8:10])
	hour, minute, second := digits(s[11:13]), digits(s[14:16]), digits(s[17:19])
	if !validDate(year, month, day) || uint(hour) > 23 || uint(minute) > 59 || uint(second) > 59 {
		return wall{}, errNotInstant
	}
	rest := s[shortest:]
	micros := 0
	if len(rest) > 0 && rest[0] == '.' {
		n := 1
		for unit := 100000; n < len(rest) && '0' <= rest[n] && rest[n] <= '9'; n++ {
			micros += unit * int(rest[n]-'0')
			unit /= 10
		}
		if n == 1 {
			return wall{}, errNotInstant
		}
		rest = rest[n:]
	}
	w := wall{clock: time.Date(year, time.Month(month), day, hour, minute, second, micros*1000, time.UTC)}
	switch {
	case len(rest) == 0:
		return w, nil
	case len(rest) == 1 && (rest[0] == 'Z' || rest[0] == 'z'):
		w.hasOffset = true
		return w, nil
	case len(rest) != len("+01:00") || rest[3] != ':' || (rest[0] != '+' && rest[0] != '-'):
		return wall{}, errNotInstant
	}
	oh, om := digits(rest[1:3]), digits(rest[4:6])
	if uint(oh) > 23 || uint(om) > 59 {
		return wall{}, errNotInstant
	}
	w.hasOffset, w.offset = true, time.Duration(oh)*time.Hour+time.Duration(om)*time.Minute
	if rest[0] == '-' {
		w.offset = -w.offset
	}
	return w, nil
}

// in is the instant, UTC. Without an offset the clock hung in zone: a reading that was passed twice there is taken as
// the earlier one, and one that was skipped is an error.
func (w wall) in(zone *time.Location) (at time.Time, twice bool, err error) {
	if w.hasOffset {
		return w.clock.Add(-w.offset), false, nil
	}
	// Zones change their offset at most once within a day or so: the two that may hold are those of a day before and after.
	before, after := offsetAt(w.clock.Add(-24*time.Hour), zone), offsetAt(w.clock.Add(24*time.Hour), zone)
	early, late := w.clock.Add(-max(before, after)), w.clock.Add(-min(before, after))
	earlyHolds, lateHolds := early.Add(offsetAt(early, zone)).Equal(w.clock), late.Add(offsetAt(late, zone)).Equal(w.clock)
	switch {
	case earlyHolds:
		return early, lateHolds && late.After(early), nil
	case lateHolds:
		return late, false, nil
	}
	return time.Time{}, false, errGap
}

func offsetAt(t time.Time, zone *time.Location) time.Duration {
	_, seconds := t.In(zone).Zone()
	return time.Duration(seconds) * time.Second
}

func parseDate(s []byte) (fleet.Date, error) {
	if len(s) != len(time.DateOnly) || s[4] != '-' || s[7] != '-' {
		return 0, errNotDate
	}
	year, month, day := digits(s[0:4]), digits(s[5:7]), digits(s[8:10])
	if !validDate(year, month, day) {
		return 0, errNotDate
	}
	return fleet.NewDate(year, time.Month(month), day), nil
}

func validDate(year, month, day int) bool {
	if year < 1 || month < 1 || month > 12 || day < 1 {
		return false
	}
	return day <= 28 || day <= time.Date(year, time.Month(month)+1, 0, 0, 0, 0, 0, time.UTC).Day()
}

// digits reads digits alone; anything else among them gives a negative number.
func digits(s []byte) int {
	n := 0
	for _, b := range s {
		if b < '0' || b > '9' {
			return -1
		}
		n = n*10 + int(b-'0')
	}
	return n
}
