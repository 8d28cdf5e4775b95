package trend

import (
	"maps"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// Unread is what is said of a unit of which no reading tells: it is taken for one drawn from those of its kind that are read. What an
// old reading told fades to the same.
type Unread struct {
	All  Kind            // of the whole fleet, for a group of which no unit is read
	Kind map[string]Kind // by group and where units stand at night
	// DepotC is what the limits of a depot's units lie above those of their kind: where it is cold, weak ones are long gone.
	DepotC  map[fleet.DepotID]float64
	AgeC    [len(outlookWeeks)]float64 // what limits rise by per unit of batteryAge, at each of outlookWeeks
	SpreadC [3]float64                 // by how much units of a kind and age differ, and what is not known of each of them
}

// Kind is the mean over units that are read.
type Kind struct {
	LimitC [3]float64 // T*, at each of outlookWeeks
	Age    float64
	Signs  signs
	Quiet  float64 // rate of failures without cold, per day
}

const (
	fadesAfter   = 26   // weeks without a reading that the cases which taught the signs had now and then too
	likeFleet    = 10.0 // a group's mean is drawn to the fleet's as by so many units
	likeOthers   = 20.0 // and the fleet's to other fleets', likewise
	neverRead    = -1 << 20
	halfYearWeek = 26.0
	leastSpreadC = 1.0
)

// batteryAge is the age as far as it says something: a battery that lasted longer than most is one that ages slowly.
func (m *model) batteryAge(week int) float64 { return min(m.ageAt(week), oldWeeks) / 208 }

// foreseen is the outlook with what past seasons taught, and with as much of the unit's own as is still known of it.
func (m *model) foreseen(b *belief) Outlook {
	o := m.outlook(b)
	o.foresee(&m.p.Foresight, m.t.Group)
	if keep := m.kept(b); keep < 1 {
		o.fade(&m.p.Unread, m.t, m.batteryAge(b.week), keep)
	}
	return o
}

// kindOf names what a unit is known by where it is not read.
func kindOf(t *Track) string {
	switch {
	case t.OilOffsetC > 0:
		return t.Group + "/heated"
	case t.NightOffsetC > 0:
		return t.Group + "/indoors"
	}
	return t.Group
}

// kept is how much of what is known of a unit's limit still holds: all while it is read, nothing where it never was. Limits wander by
// GrowSDC in half a year and yet units of a kind differ by no more than they do, so what was known fades at half the ratio of the two
// variances (a stationary process of Ornstein and Uhlenbeck 1930).
func (m *model) kept(b *belief) float64 {
	if b.readWeek == neverRead {
		return 0
	}
	silent := float64(b.week-b.readWeek-fadesAfter) / halfYearWeek
	spread := m.p.Unread.SpreadC[0]
	if silent <= 0 || spread <= 0 {
		return 1
	}
	grow := m.p.Foresight.GrowSDC / spread
	return math.Exp(-silent * grow * grow / 2)
}

// fade mixes what is known of the unit itself with what is usual for its kind.
func (o *Outlook) fade(u *Unread, t *Track, age, keep float64) {
	kind, known := u.Kind[kindOf(t)]
	if !known {
		kind = u.All
	}
	limits, kept2 := o.limits(), keep*keep
	for i := range limits {
		usual := kind.LimitC[i] + u.DepotC[t.Depot] + u.AgeC[i]*(age-kind.Age)
		o.rawC[i] = keep*limits[i] + (1-keep)*usual
		o.sdC[i] = math.Sqrt(kept2*o.sdC[i]*o.sdC[i] + (1-kept2)*u.SpreadC[i]*u.SpreadC[i])
	}
	o.perRaw, o.levelC, o.growthC = 10, 0, 0
	for i := range o.signs {
		o.signs[i] = keep*o.signs[i] + (1-keep)*kind.Signs[i]
	}
	o.quietDaily = keep*o.quietDaily + (1-keep)*kind.Quiet
}

// limits are T* at each of outlookWeeks.
func (o *Outlook) limits() (c [len(outlookWeeks)]float64) {
	for i, weeks := range outlookWeeks {
		c[i], _ = o.limitAt(weeks)
	}
	return c
}

// standing is one unit that is read, as it stands now.
type standing struct {
	track   *Track
	kind    string
	x       vector
	age     float64
	outlook Outlook
}

// learnUnread takes the mean of those that are read, by group, and how far they differ from it.
func (l *learner) learnUnread(read []standing) {
	u := l.prior.Unread
	u.Kind, u.DepotC = map[string]Kind{}, map[fleet.DepotID]float64{}
	var all kindSum
	kinds := map[string]*kindSum{}
	for i := range read {
		s := &read[i]
		s.outlook.foresee(&l.params.Foresight, s.track.Group)
		if kinds[s.kind] == nil {
			kinds[s.kind] = &kindSum{}
		}
		kinds[s.kind].add(s)
		all.add(s)
	}
	u.All = all.drawnTo(&u.All, likeOthers)
	for _, name := range slices.Sorted(maps.Keys(kinds)) {
		u.Kind[name] = kinds[name].drawnTo(&u.All, likeFleet)
	}
	u.depots(read)
	for at, weeks := range outlookWeeks {
		r := resid{f: &l.params.Foresight, weeks: weeks}
		slope := r.fit(read, &u, at)
		middle, spread := r.normal(u.SpreadC[at])
		u.AgeC[at], u.SpreadC[at] = slope, spread
		u.All.LimitC[at] += middle
		for name, k := range u.Kind {
			k.LimitC[at] += middle
			u.Kind[name] = k
		}
	}
	l.params.Unread = u
}

// depots takes what depots differ by from limits now.
func (u *Unread) depots(read []standing) {
	n := map[fleet.DepotID]float64{}
	for i := range read {
		s := &read[i]
		limit, _ := s.outlook.limitAt(0)
		n[s.track.Depot]++
		u.DepotC[s.track.Depot] += limit - u.Kind[s.kind].LimitC[0]
	}
	for depot := range u.DepotC {
		u.DepotC[depot] /= n[depot] + likeFleet
	}
}

// resid are how far units' limits lie off the mean of their kind and age, with the doubt about each.
type resid struct {
	f       *Foresight
	weeks   float64
	off, sd []float64
}

// fit finds what age adds, by ridge regression drawn to what other fleets show.
func (r *resid) fit(read []standing, u *Unread, at int) (slope float64) {
	var xx, xy float64
	age := make([]float64, len(read))
	for i := range read {
		s := &read[i]
		kind := u.Kind[s.kind]
		limit, variance := s.outlook.limitAt(r.weeks)
		age[i] = s.age - kind.Age
		r.off, r.sd = append(r.off, limit-kind.LimitC[at]-u.DepotC[s.track.Depot]), append(r.sd, math.Sqrt(variance))
		xx, xy = xx+age[i]*age[i], xy+age[i]*r.off[i]
	}
	slope = (xy + likeOthers*u.AgeC[at]) / (xx + likeOthers)
	for i := range r.off {
		r.off[i] -= slope * age[i]
	}
	return slope
}

// normal is the normal distribution that agrees with the units' in its middle and in its warmest tenth, which is where failures come
// from; a few units that are all but dead would else widen all of it. Given back is what is to be added to the mean, and the spread that
// the regression's own does not hold already.
func (r *resid) normal(before float64) (middle, spread float64) {
	t := r.weeks / halfYearWeek
	own := r.f.StartSDC*r.f.StartSDC + t*r.f.GrowSDC*r.f.GrowSDC
	n := float64(len(r.off))
	if n > 0 {
		middle = r.quantile(0.5)
		sd := (r.quantile(0.9) - middle) / standardNormal80
		spread = max(leastSpreadC*leastSpreadC, sd*sd-own)
	}
	return middle * n / (n + likeFleet), math.Sqrt((n*spread + likeOthers*before*before) / (n + likeOthers))
}

// quantile of the mixture of the units' normal distributions, by bisection.
func (r *resid) quantile(share float64) float64 {
	low, high := -100.0, 100.0
	for range 40 {
		x, sum := (low+high)/2, 0.0
		for i := range r.off {
			sum += normalCDF((x - r.off[i]) / r.sd[i])
		}
		if sum < share*float64(len(r.off)) {
			low = x
		} else {
			high = x
		}
	}
	return (low + high) / 2
}

// kindSum adds units up.
type kindSum struct {
	n   float64
	sum Kind
}

func (s *kindSum) add(r *standing) {
	s.n++
	for i, c := range r.outlook.limits() {
		s.sum.LimitC[i] += c
	}
	s.sum.Age += r.age
	for i, x := range r.outlook.signs {
		s.sum.Signs[i] += x
	}
	s.sum.Quiet += r.outlook.quietDaily
}

// drawnTo is the mean, as if so many units like those had been seen before.
func (s *kindSum) drawnTo(to *Kind, units float64) (k Kind) {
	mean := func(sum, before float64) float64 { return (sum + units*before) / (s.n + units) }
	for i := range k.LimitC {
		k.LimitC[i] = mean(s.sum.LimitC[i], to.LimitC[i])
	}
	for i := range k.Signs {
		k.Signs[i] = mean(s.sum.Signs[i], to.Signs[i])
	}
	k.Age, k.Quiet = mean(s.sum.Age, to.Age), mean(s.sum.Quiet, to.Quiet)
	return k
}
