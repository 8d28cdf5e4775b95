package gravel

import (
	"math"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

const (
	coldestC, warmestC = -60.0, 30.0 // between which a cold limit is sought
	worthAsking        = 0.02        // a chance below it names no worst part
)

// blame is the part whose renewal would have saved the start by most; what made no contact where that stopped it.
func (u *unit) blame(c *dawn, q *read) fleet.Part {
	if q.stuck != "" {
		return q.stuck
	}
	p, _ := u.mostGained(c)
	return p
}

// mostGained is the part whose renewal, when the unit was last put right, would leave it most spare today.
func (u *unit) mostGained(c *dawn) (best fleet.Part, most float64) {
	now := u.kit.spare(&u.s, c)
	most = math.Inf(-1)
	for _, p := range fleet.Suspects() {
		s := u.s
		switch p {
		case fleet.BatteryPart:
			s.wear[batteryA], s.wear[batteryB], s.charge[asItIs] = 0, 0, s.charge[soundBattery]
		case fleet.StarterPart:
			s.wear[starter] = 0
		case fleet.CablePart:
			s.wear[cable] = 0
		case fleet.ChargingPart:
			s.charge[asItIs] = s.charge[soundCharging]
		case fleet.ControlPart, fleet.OtherPart:
		}
		if gain := u.kit.spare(&s, c) - now; gain > most {
			best, most = p, gain
		}
	}
	return best, most
}

// foresee is the truth of a unit as it stands before the season's first dawn.
func (u *unit) foresee() proving.Truth {
	t := proving.Truth{Chance: math.NaN(), ColdLimitC: u.coldLimit()}
	if u.y.Futures == 0 {
		return t
	}
	t.Chance = float64(u.failing(&u.s, u.y.Futures)) / float64(u.y.Futures)
	if t.Chance <= worthAsking {
		return t
	}
	few := max(min(20, u.y.Futures), u.y.Futures/3)
	cold := u.usual(min(warmestC, max(coldestC, t.ColdLimitC-3)))
	fewest, most := math.MaxInt, math.Inf(-1)
	for _, p := range fleet.Suspects() {
		s := u.s
		s.renew(p, 1, stream(u.y.Seed, "renewed "+string(p), u.number))
		n, spare := u.failing(&s, few), u.kit.spare(&s, &cold)
		if n < fewest || n == fewest && spare > most {
			t.Worst, fewest, most = p, n, spare
		}
	}
	return t
}

// failing counts the futures in which the unit fails, in the state given. Future f meets the same winter and work in any state.
func (u *unit) failing(s *state, futures int) (n int) {
	year, month, day := u.y.AsOf.YMD()
	for f := range futures {
		use, wear := stream(u.y.Seed, "future", u.number*1_000_003+f), stream(u.y.Seed, "future wear", u.number*1_000_003+f)
		winter := fleet.NewDate(year-1-use.IntN(pastWinters), month, day)
		one, failed := *s, false
		for d := u.y.season.From; d <= u.y.season.To && !failed; d++ {
			minC, maxC := u.sky.day(winter + (d - u.y.season.From))
			u.live(&one, d, minC, maxC, use, wear, func(_ *dawn, q *read, _ float64) bool {
				failed = q.outcome == fleet.NoCrank
				return failed
			})
		}
		if failed {
			n++
		}
	}
	return n
}

// coldLimit is the air at dawn where the unit stands, after a night that followed a day 4 °C warmer, at which nothing is spare:
// −∞ where no cold on record stops it, +∞ where it does not start on a summer's night either.
func (u *unit) coldLimit() float64 {
	return proving.ColdLimit(coldestC, warmestC, func(airC float64) float64 {
		c := u.usual(airC)
		return u.kit.spare(&u.s, &c)
	})
}

func (u *unit) usual(airC float64) dawn {
	return u.habit.first(airC, airC+4, 14, u.habit.parked == fleet.PluggedIn)
}
