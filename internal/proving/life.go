package proving

import (
	"math/rand/v2"

	"rimeyard/internal/fleet"
)

// life is one unit from before its records to the end of the season.
type life struct {
	y        *yard
	number   int
	class    *class
	place    *place
	sky      *skies
	part     batteryPart
	habit    habit
	logger   logger
	testers  []tester
	m        Machine
	standing standing
	lead     int
	lastDays [21]Day // a ring; daysLived tells where it begins
	day      fleet.Date
	book     fleet.History

	batteryOn, starterOn fleet.Date
	labels, daysLived    int
	nextTest             fleet.Date
	otherNext            bool // something outside the starting system will keep the engine from firing

	machineR, workR, readR, shopR *rand.Rand // life, use, instruments and workshop draw apart
}

// through lives the unit to the end of the season.
func (l *life) through() Truth {
	l.nextTest = l.y.from + fleet.Date(l.shopR.IntN(60))
	for ; l.day < l.y.AsOf; l.day++ {
		l.oneDay()
	}
	t := l.foresee()
	for ; l.day <= l.y.season.To; l.day++ {
		cause, failed := l.oneDay()
		if failed && !t.Failed {
			t.Failed, t.Cause, t.On = true, cause, l.day
		}
	}
	inOrder(&l.book)
	return t
}

func (l *life) recorded() bool { return l.day >= l.y.from }

// oneDay is a dawn, the day's work, and the workshop.
func (l *life) oneDay() (cause fleet.Part, failed bool) {
	outMinC, outMaxC := l.sky.day(l.day)
	day := Day{MinC: l.habit.airWhere(outMinC), MaxC: l.habit.airWhere(outMaxC)}
	day.DriveHours, day.Starts = l.habit.work(&l.standing, l.day, l.workR)
	if day.DriveHours > 0 {
		cause, failed = l.drive(&day)
	}
	l.standing.pass(&day)
	l.m.Live(day, l.machineR)
	l.lastDays[l.daysLived%len(l.lastDays)] = day
	l.daysLived++
	l.workshop(day)
	return cause, failed
}

// drive turns the key at dawn and through the day. A unit that fails is put right, and stands for the rest of that day.
func (l *life) drive(day *Day) (cause fleet.Part, failed bool) {
	c := l.habit.dawn(day.MinC, l.standing.meanC, l.standing.soakH, l.habit.plugs(l.workR))
	hour := l.habit.startHour + 0.7*l.workR.Float64()
	if l.turn(c, hour) {
		cause = l.breakdown(c, hour)
		day.DriveHours, day.Starts = 0, 0
		return cause, true
	}
	step := (day.DriveHours + 3) / float64(day.Starts+1)
	for range day.Starts {
		hour += step * (0.6 + 0.6*l.workR.Float64())
		c := warmCrank(day, l.workR)
		if hour > 23.5 {
			break
		}
		if l.turn(c, hour) {
			return l.breakdown(c, hour), true
		}
	}
	return "", false
}

// turn cranks once and logs it.
func (l *life) turn(c Crank, hour float64) (failed bool) {
	read := l.m.Crank(c, l.machineR)
	if l.otherNext && read.Outcome != fleet.NoCrank {
		read.Outcome, read.Ms = fleet.NoStart, between(l.shopR, 6000, 20000)
	}
	at := l.sky.clock(l.day, hour)
	if l.recorded() {
		l.log(at, c, read)
	}
	if l.otherNext && read.Outcome == fleet.NoStart {
		l.otherNext = false
		l.writeBreakdown(at, fleet.OtherPart, 0)
	}
	return read.Outcome == fleet.NoCrank
}
