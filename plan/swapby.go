package plan

import "rimeyard/internal/fleet"

// SwapBy tells for each unit the last Monday on which acting still saves at least the kept share (see Rules) of what acting at the best
// time saves: later, more than that is lost by having waited. It is unknown where acting saves nothing, or nothing is known. It looks at
// each unit alone, without capacity, stock and labour.
//
// While nights are mild waiting costs little and uses up life that is paid for; once the cold comes what can still be saved falls from
// week to week. Monday is that of the first week of the units' chances; answers stand in the order of units.
func SwapBy(monday fleet.Date, units []Unit, r Rules) []fleet.Opt[fleet.Date] {
	a := newAppraiser(r, units, 0)
	by := make([]fleet.Opt[fleet.Date], len(units))
	for i := range units {
		a.weeks = len(units[i].ChanceByWeek)
		j := a.job(&units[i], &Depot{}, func([]string) []take { return nil })
		if w := j.lastGood(r.KeptShare); w != nowhere {
			by[i] = fleet.Known(monday + fleet.Date(7*w))
		}
	}
	return by
}

// lastGood is the last week, in one run from the best, that keeps a share of what the best week saves.
func (j *job) lastGood(share float64) int {
	last, run := nowhere, false
	most := j.most()
	for w := range j.course.weeks() {
		gain := int64(0)
		for i := range j.sets {
			gain = max(gain, j.sets[i].gains[w])
		}
		switch good := most > 0 && float64(gain) >= share*float64(most); {
		case gain == most && good:
			last, run = w, true
		case good && run:
			last = w
		default:
			run = false
		}
	}
	return last
}
