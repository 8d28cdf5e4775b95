package tides

import (
	"math"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

const (
	weeksBack        = 6
	coldest, warmest = -60.0, 32.0 // between which a cold limit is sought
	worthNaming      = 0.02        // a chance below it names no worst part
)

// past is a machine as it was some weeks ago, and what it met since, to ask how it would stand had one part been renewed then.
type past struct {
	then [weeksBack + 1]machine
	days [7 * (weeksBack + 1)]day
	n    int // days kept since it last left the workshop
}

func (p *past) begin(m *machine) { p.n, p.then[0] = 0, *m }

func (p *past) keep(t *day, m *machine) {
	p.days[p.n%len(p.days)] = *t
	if p.n++; p.n%7 == 0 {
		p.then[p.n/7%len(p.then)] = *m
	}
}

// had is the machine as it would stand today.
func (u *unit) had(p fleet.Part) machine {
	from := max(0, u.past.n/7-weeksBack)
	m, d := u.past.then[from%len(u.past.then)], throw(u.Seed, "had", u.number)
	m.renew(p, 1, d)
	for i := from * 7; i < u.past.n; i++ {
		m.pass(&u.past.days[i%len(u.past.days)], d)
	}
	return m
}

// blame is the part whose renewal six weeks ago, or since it last left the workshop, would have left most to spare at this crank. A new
// battery is a full one, and on the morning itself would hide that nothing charges it.
func (u *unit) blame(c meeting) fleet.Part {
	best, most := fleet.BatteryPart, math.Inf(-1)
	for _, p := range fleet.Suspects() {
		m := u.had(p)
		k := m.circuit(c)
		if spare := k.spare(); spare > most {
			best, most = p, spare
		}
	}
	return best
}

// foresee is the truth of a unit before the season's first dawn.
func (u *unit) foresee() proving.Truth {
	t := proving.Truth{Chance: math.NaN(), ColdLimitC: u.coldLimit()}
	if u.Futures == 0 {
		return t
	}
	t.Chance = u.share(&u.machine, u.Futures)
	if t.Chance <= worthNaming {
		return t
	}
	few := max(min(20, u.Futures), u.Futures/3)
	least, most := math.Inf(1), math.Inf(-1)
	for _, p := range fleet.Suspects() {
		m := u.machine
		m.renew(p, 1, throw(u.Seed, "worst", u.number))
		if p == fleet.BatteryPart && u.machine.charging.lost > 0 { // no fuller than what charges it would keep it
			m = u.had(p)
		}
		k := m.circuit(u.usualDawn(clamp(t.ColdLimitC-4, coldest, warmest)))
		share, spare := u.share(&m, few), k.spare()
		if share < least || share == least && spare > most {
			t.Worst, least, most = p, share, spare
		}
	}
	return t
}

// share of so many futures in which a machine fails. Future i brings the same winter, work and chance, whatever the machine.
func (u *unit) share(m *machine, futures int) float64 {
	fails := 0
	for i := range futures {
		lives, works := throw(u.Seed, "future lives", u.number*100_003+i), throw(u.Seed, "future works", u.number*100_003+i)
		year, month, first := u.AsOf.YMD()
		winter := fleet.NewDate(year-1-works.IntN(pastWinters), month, first)
		if u.failsIn(*m, winter, lives, works) {
			fails++
		}
	}
	return float64(fails) / float64(futures)
}

func (u *unit) failsIn(m machine, winter fleet.Date, lives, works dice) bool {
	s := u.standing
	for on := u.season.From; on <= u.season.To; on++ {
		t := u.dayOf(&s, on, winter+(on-u.season.From), works)
		if t.hours > 0 {
			c := u.use.dawn(t.minC, &s, u.use.plugs(works))
			for turn := range t.starts {
				if turn > 0 {
					c = u.use.errand(&t, works)
				}
				if k := m.circuit(c); margin(&k, lives) <= 0 {
					return true
				}
			}
		}
		m.pass(&t, lives)
		s.night(&t)
	}
	return false
}

// coldLimit is the air at dawn where the unit stands at which nothing is to spare: −∞ where no cold stops it, +∞ where no warmth helps.
func (u *unit) coldLimit() float64 {
	return proving.ColdLimit(coldest, warmest, func(airC float64) float64 {
		k := u.machine.circuit(u.usualDawn(airC))
		return k.spare()
	})
}

// usualDawn follows a night after a day 4 °C warmer.
func (u *unit) usualDawn(airC float64) meeting {
	return u.use.dawn(airC, &standing{soakH: 14, meanC: airC + 4}, u.use.parked == fleet.PluggedIn)
}
