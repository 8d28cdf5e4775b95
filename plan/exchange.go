package plan

// Effort of the exchanges.
const (
	mostPasses = 4
	mostTried  = 6 // choices for one job, those nearest to its dearest
)

// exchange betters a plan job by job until nothing more is gained: a job goes to a better place that is free, or pushes out another of the
// same yard and week that gains less, which then goes where it still fits.
func (p *problem) exchange(best *solution, relaxed []*relaxation) {
	m := p.filled(best.picks)
	e := exchanger{m, make([][]openJob, len(p.yards)), make([][][]int, len(p.yards))}
	for i, y := range p.yards {
		for j := range y.jobs {
			e.choices[i] = append(e.choices[i], p.openJob(i, j, &best.prices, relaxed[i], best.bound-best.value).nearest(mostTried))
		}
		e.in[i] = make([][]int, len(y.places))
		for j, at := range m.picks[i] {
			if at.week != nowhere {
				e.in[i][at.week] = append(e.in[i][at.week], j)
			}
		}
	}
	for range mostPasses {
		better := false
		for i, y := range p.yards {
			for j := range y.jobs {
				better = e.better(i, j) || better
			}
		}
		if !better {
			break
		}
	}
	p.offer(best, m.picks)
}

type exchanger struct {
	*draft
	choices [][]openJob
	in      [][][]int // jobs by yard and week
}

// better tries to better one job.
func (e *exchanger) better(i, j int) bool {
	was, gained := e.lift(i, j)
	var (
		most   int64
		to     pick
		pushed = nowhere
		there  pick
	)
	for _, o := range e.choices[i][j].options {
		if o.pick.week == nowhere || o.gain-gained <= most {
			continue
		}
		if e.fits(i, j, o.pick) {
			most, to, pushed = o.gain-gained, o.pick, nowhere
			continue
		}
		for _, other := range e.in[i][o.pick.week] {
			if other == j {
				continue
			}
			if delta, goes := e.push(i, j, other, o); delta-gained > most {
				most, to, pushed, there = delta-gained, o.pick, other, goes
			}
		}
	}
	if most == 0 {
		e.put(i, j, was)
		return false
	}
	if pushed != nowhere {
		e.move(i, pushed, e.picks[i][pushed].week, there.week)
		e.lift(i, pushed)
		e.put(i, pushed, there)
	}
	e.move(i, j, was.week, to.week)
	e.put(i, j, to)
	return true
}

// push tells what is gained by a job's choice if another makes room for it, and where the other goes.
func (e *exchanger) push(i, j, other int, o openOption) (delta int64, goes pick) {
	was, lost := e.lift(i, other)
	goes = pick{nowhere, nowhere}
	if e.fits(i, j, o.pick) {
		e.put(i, j, o.pick)
		delta = o.gain - lost
		for _, alternative := range e.choices[i][other].options {
			if a := alternative.pick; a.week != nowhere && o.gain-lost+alternative.gain > delta && e.fits(i, other, a) {
				delta, goes = o.gain-lost+alternative.gain, a
			}
		}
		e.lift(i, j)
	}
	e.put(i, other, was)
	return delta, goes
}

// move keeps the lists of jobs by week.
func (e *exchanger) move(i, job, from, to int) {
	if from == to {
		return
	}
	if from != nowhere {
		list := e.in[i][from]
		for k, other := range list {
			if other == job {
				list[k] = list[len(list)-1]
				e.in[i][from] = list[:len(list)-1]
				break
			}
		}
	}
	if to != nowhere {
		e.in[i][to] = append(e.in[i][to], job)
	}
}
