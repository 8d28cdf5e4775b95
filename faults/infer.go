package faults

// How the search judges: set by three seeds of the tests' simulated bench, and held by others.
const (
	sureFrom      = 0.92 // of the job: it is named at once
	sureOfCommon  = 0.97 // of a flat or a worn battery, which lead by how common they are: not before others had their chance
	namedFrom     = 0.75 // of the job, when no check is left that is worth its minutes
	togetherFrom  = 0.80 // of two jobs together: one or the other
	minutesPerNat = 210  // what it is worth to halve the doubt, and a little more
	leastNats     = 0.01 // less is not worth a question
	misfitBelow   = 0.04 // chance of an answer by all others: below, it is asked again
	repeatMinutes = 12   // what takes longer is not asked again, only pointed at
)

// sure is the chance from which on a job is named at once.
func sure(j job) float64 {
	if j == jobCharge || j == jobBattery {
		return sureOfCommon
	}
	return sureFrom
}

// posterior is Bayes' rule with the answers independent given the cause: P(cause | answers) ∝ P(cause) Π P(answer | cause). Factors are
// taken in the order of the checks, so the order of the answers changes no bit. Without is a check to leave out; -1: none.
func (k known) posterior(prior chances, without int) chances {
	p := prior
	for i := range checks {
		l, found := k.likelihood(i)
		if !found || i == without {
			continue
		}
		for c := range p {
			p[c] *= l[c]
		}
		p.normalise()
	}
	return p
}

// gain is the expected fall of entropy by asking check i, in nats.
func gain(p chances, i int) float64 { return fall(p, tables[i].said) }

// fall of entropy that is expected of outcomes so likely.
func fall(p chances, outcomes []chances) float64 {
	left := 0.0
	for _, l := range outcomes {
		after, total := p, 0.0
		for c := range after {
			after[c] *= l[c]
			total += after[c]
		}
		if total <= 0 {
			continue
		}
		after.normalise()
		left += total * after.entropy()
	}
	return p.entropy() - left
}

// next is the check with the most gain for the minutes of work and risk, those of what must come before it included; where that is not
// done, it is asked first. A check may be asked a second time, to be sure. Late, also those are asked again to which nobody knew an
// answer. Found is false when none is worth its minutes.
func (k known) next(p chances, late bool) (next int, found bool) {
	best := 0.0
	for i, c := range checks {
		first, minutes, g := i, c.minutes+c.risk, 0.0
		switch s := k.said[i]; {
		case !k.settled(i, late):
			var open bool
			if first, minutes, open = k.way(i, late, 0); !open {
				continue
			}
			g = gain(p, i)
		case s.mayRepeat() && !c.once && c.minutes <= repeatMinutes && !k.void(i) && k.open(i):
			g = k.gainAgain(p, i)
		}
		if g < leastNats || g*minutesPerNat < minutes {
			continue
		}
		if rate := g / minutes; rate > best {
			best, next, found = rate, first, true
		}
	}
	return next, found
}

// settled tells whether a check is answered; late, an answer that nobody knew counts only when it was asked for twice. Who was asked for
// their memory, or has known little all along, is not asked again.
func (k known) settled(i int, late bool) bool {
	s := k.said[i]
	return s.given && (!late || s.outcome >= 0 || s.times > 1 || checks[i].once || k.knowsLittle())
}

// knowsLittle tells whether so many checks found nobody who knew that asking them again only tires.
func (k known) knowsLittle() bool {
	const slips = 3
	vain := 0
	for _, s := range k.said {
		if s.given && s.outcome < 0 {
			vain++
		}
	}
	return vain > slips
}

// open tells whether all needs of a check hold.
func (k known) open(i int) bool {
	for _, n := range checks[i].needs {
		if !n.holds(k) {
			return false
		}
	}
	return true
}

// way to check i: what must be asked first, i itself where nothing must, and the minutes of all. Not open: it may not be asked.
func (k known) way(i int, late bool, depth int) (first int, minutes float64, open bool) {
	const deepest = 5 // bench ← charge ← rest voltage ← key ← make safe
	first, minutes = i, checks[i].minutes+checks[i].risk
	for _, n := range checks[i].needs {
		if n.holds(k) {
			continue
		}
		id, can := n.by(k)
		before, _ := find(id)
		if !can || depth == deepest || k.settled(before, late) {
			return 0, 0, false
		}
		f, m, ok := k.way(before, late, depth+1)
		if !ok {
			return 0, 0, false
		}
		if first == i {
			first = f
		}
		minutes += m
	}
	return first, minutes, true
}

// misfit is the answer that the others make least likely, if it is less likely than misfitBelow.
func (k known) misfit(prior chances) (worst int, found bool) {
	least := misfitBelow
	for i := range checks {
		l, given := k.likelihood(i)
		if !given || len(k.said[i].reads) > 1 || checks[i].id == Secure || checks[i].id == Frozen {
			continue
		}
		rest := k.posterior(prior, i)
		fit := 0.0
		for c := range rest {
			fit += rest[c] * l[c]
		}
		if fit < least {
			least, worst, found = fit, i, true
		}
	}
	return worst, found
}

// leading lists the jobs by their chance, the likeliest first; equals in the order of the causes.
func (p *chances) leading() (order []job, chance []float64) {
	for i := range causeRows {
		j := causeRows[i].job
		seen := false
		for _, o := range order {
			seen = seen || o == j
		}
		if seen {
			continue
		}
		v := p.ofJob(j)
		at := len(order)
		for at > 0 && chance[at-1] < v {
			at--
		}
		order = append(order[:at], append([]job{j}, order[at:]...)...)
		chance = append(chance[:at], append([]float64{v}, chance[at:]...)...)
	}
	return order, chance
}
