package reports

import (
	"fmt"
	"time"

	"github.com/robfig/cron/v3"

	"rimeyard/internal/fleet"
)

// Timetable is a schedule's cron line in its own time zone.
type Timetable struct {
	wall cron.Schedule // on a clock without a zone, kept as UTC
	zone *time.Location
}

// ParseTimetable reads five cron fields, or @weekly and its like, and a time zone's IANA name.
func ParseTimetable(line, zone string) (Timetable, error) {
	loc, err := time.LoadLocation(zone)
	if err != nil || zone == "" {
		return Timetable{}, fmt.Errorf("time zone %q: want a name like Europe/Berlin", zone)
	}
	wall, err := cron.ParseStandard("CRON_TZ=UTC " + line)
	if err != nil {
		return Timetable{}, fmt.Errorf("cron line %q: want five fields, like \"0 6 * * MON\" for Mondays at six: %w", line, err)
	}
	spec, isSpec := wall.(*cron.SpecSchedule)
	if !isSpec {
		return Timetable{}, fmt.Errorf("cron line %q: want times of the day, not a distance in time", line)
	}
	if !comes(spec) {
		return Timetable{}, fmt.Errorf("cron line %q: no such time ever comes", line)
	}
	return Timetable{wall, loc}, nil
}

// comes tells whether a line has a time at all: a field may be a lone comma, and a date may be the 30th of February.
func comes(spec *cron.SpecSchedule) bool {
	const star = 1 << 63 // marks "*" beside the values themselves
	for _, values := range []uint64{spec.Minute, spec.Hour, spec.Dom, spec.Month, spec.Dow} {
		if values&^star == 0 {
			return false
		}
	}
	leapYear := time.Date(2024, 1, 1, 0, 0, 0, 0, time.UTC)
	return !spec.Next(leapYear).IsZero()
}

// NextSlots are the n first due times of s after now, in its own zone; fewer where five years bring no more.
func NextSlots(s fleet.Schedule, now time.Time, n int) ([]time.Time, error) {
	tt, err := TimetableOf(s)
	if err != nil {
		return nil, err
	}
	var slots []time.Time
	for range n {
		if now = tt.NextSlot(now); now.IsZero() {
			break
		}
		slots = append(slots, now.In(tt.zone))
	}
	return slots, nil
}

// TimetableOf is s's timetable.
func TimetableOf(s fleet.Schedule) (Timetable, error) { return ParseTimetable(s.Cron, s.Timezone) }

// DueSlot returns the latest due time after last and not after now: runs that were missed are caught up once. False:
// none.
//
// A slot is the first instant at which the zone's clock shows its time or has passed it. So a time that the spring
// change leaves out is due at the change, and one that the autumn change shows twice is due the first time only.
func (tt Timetable) DueSlot(last, now time.Time) (time.Time, bool) {
	// Ever wider windows, so that neither a minutely line after a year's pause nor a yearly one takes long.
	for _, window := range []time.Duration{2 * time.Hour, 50 * time.Hour, 40 * 24 * time.Hour, 400 * 24 * time.Hour, 0} {
		from := now.Add(-window)
		if window == 0 || from.Before(last) {
			from = last
		}
		if slot, ok := tt.latest(from, last, now); ok || from.Equal(last) {
			return slot, ok
		}
	}
	return time.Time{}, false
}

const (
	probe   = 26 * time.Hour // to either side of a change: more than any zone's clock is ever turned by
	setBack = 4 * time.Hour  // more than the clock of an inhabited place is ever set back by
)

func (tt Timetable) latest(from, last, now time.Time) (found time.Time, ok bool) {
	wall := tt.reading(from).Add(-setBack)
	for {
		wall = tt.wall.Next(wall)
		if wall.IsZero() {
			return found, ok
		}
		slot := tt.instant(wall)
		if slot.After(now) {
			return found, ok
		}
		if slot.After(last) {
			found, ok = slot, true
		}
	}
}

// NextSlot is the first due time after now; zero where there is none within five years.
func (tt Timetable) NextSlot(now time.Time) time.Time {
	for wall := tt.wall.Next(tt.reading(now).Add(-setBack)); !wall.IsZero(); wall = tt.wall.Next(wall) {
		if slot := tt.instant(wall); slot.After(now) {
			return slot
		}
	}
	return time.Time{}
}

// reading is what the zone's clock shows at t, written as if the zone were UTC.
func (tt Timetable) reading(t time.Time) time.Time {
	_, offset := t.In(tt.zone).Zone()
	return t.UTC().Add(time.Duration(offset) * time.Second)
}

// instant is the first moment at which the zone's clock shows wall or has passed it.
func (tt Timetable) instant(wall time.Time) time.Time {
	_, before := wall.Add(-probe).In(tt.zone).Zone()
	_, after := wall.Add(probe).In(tt.zone).Zone()
	early := wall.Add(-time.Duration(before) * time.Second)
	if tt.reading(early).Equal(wall) { // no change near, or before it, or shown twice and this is the first
		return early
	}
	late := wall.Add(-time.Duration(after) * time.Second)
	if tt.reading(late).Equal(wall) {
		return late
	}
	change, _ := early.In(tt.zone).ZoneBounds() // left out: the clock jumped over it
	return change.UTC()
}
