package fleet

import (
	"fmt"
	"time"
)

// Date is a calendar day, counted in days from 1970-01-01. It has no time zone of its own:
// whoever turns an instant into a Date says in which zone the day is meant.
type Date int32

const secondsPerDay = 24 * 60 * 60

// NewDate normalises like time.Date, so month 14 or day 0 are fine.
func NewDate(year int, month time.Month, day int) Date {
	return Date(time.Date(year, month, day, 0, 0, 0, 0, time.UTC).Unix() / secondsPerDay)
}

// DateOf is the day on which t falls in zone.
func DateOf(t time.Time, zone *time.Location) Date {
	y, m, d := t.In(zone).Date()
	return NewDate(y, m, d)
}

// ParseDate reads YYYY-MM-DD and nothing else.
func ParseDate(s string) (Date, error) {
	t, err := time.Parse(time.DateOnly, s)
	if err != nil {
		return 0, fmt.Errorf("date %q: want YYYY-MM-DD, like 2025-10-01", s)
	}
	return NewDate(t.Date()), nil
}

// Midnight is the first instant of d in zone.
func (d Date) Midnight(zone *time.Location) time.Time {
	y, m, day := d.YMD()
	return time.Date(y, m, day, 0, 0, 0, 0, zone)
}

// YMD splits d into its calendar parts.
func (d Date) YMD() (year int, month time.Month, day int) { return d.utc().Date() }

// Weekday is d's day of the week.
func (d Date) Weekday() time.Weekday { return d.utc().Weekday() }

// AddMonths keeps the day of the month where the month has it, else takes the month's last day.
func (d Date) AddMonths(n int) Date {
	y, m, day := d.YMD()
	last := NewDate(y, m+time.Month(n)+1, 0)
	return min(NewDate(y, m+time.Month(n), 1)+Date(day-1), last)
}

// Monday is the first day of d's ISO week.
func (d Date) Monday() Date { return d - Date((int(d.Weekday())+6)%7) }

func (d Date) String() string { return d.utc().Format(time.DateOnly) }

// MarshalText writes YYYY-MM-DD, also inside JSON.
func (d Date) MarshalText() ([]byte, error) { return []byte(d.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (d *Date) UnmarshalText(b []byte) (err error) {
	*d, err = ParseDate(string(b))
	return err
}

func (d Date) utc() time.Time { return time.Unix(int64(d)*secondsPerDay, 0).UTC() }
