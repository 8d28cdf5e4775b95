package ledger

import (
	"fmt"
	"time"

	"rimeyard/internal/fleet"
)

// Month is a calendar month, counted from January of year 0. In text it is YYYY-MM.
type Month int32

const monthsPerYear = 12

// NewMonth normalises like fleet.NewDate, so month 14 is February of the year after.
func NewMonth(year int, month time.Month) Month { return Month(year*monthsPerYear + int(month) - 1) }

// MonthOf is the month in which d lies.
func MonthOf(d fleet.Date) Month {
	year, month, _ := d.YMD()
	return NewMonth(year, month)
}

// ParseMonth reads YYYY-MM and nothing else.
func ParseMonth(s string) (Month, error) {
	t, err := time.Parse("2006-01", s)
	if err != nil {
		return 0, fmt.Errorf("month %q: want YYYY-MM, like 2026-10", s)
	}
	return NewMonth(t.Year(), t.Month()), nil
}

// First is the month's first day.
func (m Month) First() fleet.Date { return fleet.NewDate(0, time.Month(m)+1, 1) }

// Last is the month's last day.
func (m Month) Last() fleet.Date { return (m + 1).First() - 1 }

// Days is how many days the month has.
func (m Month) Days() int { return int((m + 1).First() - m.First()) }

func (m Month) String() string {
	year, month, _ := m.First().YMD()
	return fmt.Sprintf("%04d-%02d", year, month)
}

// MarshalText writes YYYY-MM, also inside JSON.
func (m Month) MarshalText() ([]byte, error) { return []byte(m.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (m *Month) UnmarshalText(b []byte) (err error) {
	*m, err = ParseMonth(string(b))
	return err
}
