package plan

import "rimeyard/internal/fleet"

// Appraiser weighs work on single units by the rules that plans are made by, without capacity and stock.
type Appraiser struct{ a appraiser }

// NewAppraiser takes from the units what a failed start usually costs.
func NewAppraiser(r Rules, units []Unit) *Appraiser { return &Appraiser{newAppraiser(r, units, 0)} }

// Appraisal is the set of works that pays most for one unit, at its best time.
type Appraisal struct {
	Parts []fleet.Part // worked on
	Week  int          // in which it pays most, counted from the first of the unit's chances
	Loss  fleet.Money  // of one failed start, as it is reckoned with
	a     *Appraiser
	job   job
	set   set
}

// Appraise finds it. False: no work saves anything, or nothing is known.
func (p *Appraiser) Appraise(u *Unit, labourPerHour fleet.Opt[fleet.Money]) (Appraisal, bool) {
	a := p.a
	a.weeks = len(u.ChanceByWeek)
	j := a.job(u, &Depot{LabourPerHour: labourPerHour}, func([]string) []take { return nil })
	best, week := -1, 0
	most := int64(0)
	for i := range j.sets {
		for w, gain := range j.sets[i].gains {
			if gain > most {
				best, week, most = i, w, gain
			}
		}
	}
	if best < 0 {
		return Appraisal{}, false
	}
	return Appraisal{j.sets[best].parts, week, fleet.RoundMoney(j.loss), p, j, j.sets[best]}, true
}

// At is what the works avoid and cost, in whole currency, if they are done in a week of a season at the end of which the unit's chance
// would be another, with the same shape: as in one of the past winters.
func (p *Appraisal) At(week int, season float64) (avoids, costs float64) {
	j := p.job
	j.course = j.course.scaled(season)
	return p.a.a.avoids(j.course, j.loss, &p.set, week), p.a.a.costs(j.course, &p.set, week)
}
