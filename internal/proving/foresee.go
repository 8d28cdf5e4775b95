package proving

import (
	"math"
	"math/rand/v2"

	"rimeyard/internal/fleet"
)

const (
	coldestC, warmestC = -60.0, 30.0 // between which a cold limit is sought
	worthAsking        = 0.02        // a chance below it names no worst part
)

// blame is the part whose renewal raises the spare most under a crank that failed; control where there was spare and yet nothing
// turned. A new battery is a full one, and so would always beat a repaired alternator on the morning itself: between these two,
// the part is to blame whose renewal three weeks ago would have left more spare, had the unit been used as it was.
func (l *life) blame(c Crank) fleet.Part {
	r := stream(l.y.Seed, "blame", l.number)
	if l.m.Spare(c) > 0 {
		return fleet.ControlPart
	}
	best, most := fleet.ControlPart, math.Inf(-1)
	for _, p := range fleet.Suspects() {
		if spare := renewed(l.m, p, r).Spare(c); spare > most {
			best, most = p, spare
		}
	}
	if best == fleet.BatteryPart && l.spareSince(fleet.ChargingPart, c) > l.spareSince(fleet.BatteryPart, c) {
		return fleet.ChargingPart
	}
	return best
}

// spareSince is the spare there would have been, had the unit been charged and one part renewed before its last days.
func (l *life) spareSince(p fleet.Part, c Crank) float64 {
	m, r := renewed(l.m, p, stream(l.y.Seed, "renewed since", l.number)), stream(l.y.Seed, "last days", l.number)
	m.Charge()
	for i := range l.lastDays {
		m.Live(l.lastDays[(l.daysLived+i)%len(l.lastDays)], r)
	}
	return m.Spare(c)
}

// renewed is a copy with one part put right. Whoever repairs the charging also charges.
func renewed(m Machine, p fleet.Part, r *rand.Rand) Machine {
	m = m.Clone()
	m.Renew(p, r)
	if p == fleet.ChargingPart {
		m.Charge()
	}
	return m
}

// foresee is the truth of a unit as it stands before the season's first dawn.
func (l *life) foresee() Truth {
	t := Truth{Chance: math.NaN(), ColdLimitC: l.coldLimit()}
	if l.y.Futures == 0 {
		return t
	}
	t.Chance = float64(l.fails(l.m, l.y.Futures)) / float64(l.y.Futures)
	if t.Chance <= worthAsking {
		return t
	}
	few := max(min(20, l.y.Futures), l.y.Futures/3)
	cold := l.usualDawn(min(warmestC, max(coldestC, t.ColdLimitC-3)))
	fewest, most := math.MaxInt, math.Inf(-1)
	for _, p := range fleet.Suspects() {
		m := renewed(l.m, p, stream(l.y.Seed, "renewed "+string(p), l.number))
		n, spare := l.fails(m, few), m.Spare(cold)
		if n < fewest || n == fewest && spare > most {
			t.Worst, fewest, most = p, n, spare
		}
	}
	return t
}

// fails counts the futures in which m fails at least once. Future f meets the same winter, work and chance whatever m is.
func (l *life) fails(m Machine, futures int) int {
	fails := 0
	for f := range futures {
		r := stream(l.y.Seed, "future", l.number*100_003+f)
		work := stream(l.y.Seed, "future work", l.number*100_003+f)
		year, month, day := l.y.AsOf.YMD()
		winter := fleet.NewDate(year-1-r.IntN(pastWinters), month, day)
		if l.failsOnce(m.Clone(), winter, r, work) {
			fails++
		}
	}
	return fails
}

// failsOnce lives m through the season under the weather of a past winter, named by its first day, until it fails.
func (l *life) failsOnce(m Machine, winter fleet.Date, r, work *rand.Rand) bool {
	s := l.standing
	for d := l.y.season.From; d <= l.y.season.To; d++ {
		outMinC, outMaxC := l.sky.day(winter + (d - l.y.season.From))
		day := Day{MinC: l.habit.airWhere(outMinC), MaxC: l.habit.airWhere(outMaxC)}
		day.DriveHours, day.Starts = l.habit.work(&s, d, work)
		if day.DriveHours > 0 {
			c := l.habit.dawn(day.MinC, s.meanC, s.soakH, l.habit.plugs(work))
			if m.Crank(c, r).Outcome == fleet.NoCrank {
				return true
			}
			for range day.Starts {
				if m.Crank(warmCrank(&day, work), r).Outcome == fleet.NoCrank {
					return true
				}
			}
		}
		s.pass(&day)
		m.Live(day, r)
	}
	return false
}

// coldLimit is the air at dawn where the unit stands, after a night that followed a day 4 °C warmer, at which the spare is 0:
// −∞ where no cold on record stops it, +∞ where it does not start on a summer's night either.
func (l *life) coldLimit() float64 {
	return ColdLimit(coldestC, warmestC, func(airC float64) float64 { return l.m.Spare(l.usualDawn(airC)) })
}

// ColdLimit is the air between two temperatures at which what is spare, which falls with the cold, is 0: −∞ where the coldest leaves some,
// +∞ where the warmest leaves none.
func ColdLimit(coldestC, warmestC float64, spare func(airC float64) float64) float64 {
	low, high := coldestC, warmestC
	if spare(low) > 0 {
		return math.Inf(-1)
	}
	if spare(high) <= 0 {
		return math.Inf(1)
	}
	for high-low > 0.01 {
		if mid := (low + high) / 2; spare(mid) > 0 {
			high = mid
		} else {
			low = mid
		}
	}
	return (low + high) / 2
}

func (l *life) usualDawn(airC float64) Crank {
	return l.habit.dawn(airC, airC+4, 14, l.habit.parked == fleet.PluggedIn)
}
