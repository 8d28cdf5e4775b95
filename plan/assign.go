package plan

import "math"

// nowhere is the week of a unit that is left.
const nowhere = -1

// assignment puts jobs into weeks that hold so many each, for the greatest sum of gains: a transportation problem. Jobs come one by
// one, and each takes the dearest chain of moves there is: it pushes a job out of its week, which pushes another, until a free place or
// a job that is left. That is the successive shortest path method (Ahuja, Magnanti & Orlin 1993, Network Flows, §9.7, and for one row
// at a time Kuhn 1955, Munkres 1957): optimal after each job, so optimal at the end. What a place in a week is then worth,
// its price, proves it: no sum of gains exceeds
//
//	Σ over jobs of max(0, max over weeks of gain − price) + Σ over weeks of price · places
//
// and the assignment reaches that.
type assignment struct {
	gains  [][]int64 // [job][week]; a job never goes where it gains nothing
	places []int     // by week
	week   []int     // of each job, or nowhere
	in     [][]int   // jobs by week
	// shift[v][w] is the dearest move of a job from full week v to w, w = len(places) being out of the plan.
	shift [][]move
	chain []step // what making room in each week gains, never above 0, and how the chain goes on
}

type move struct {
	gain int64
	job  int
}

type step struct {
	gain int64
	to   int // the week that the pushed job goes to; nowhere: there is room
}

const impossible = math.MinInt64 / 4

// assign expects the jobs in the order in which they come; it decides nothing but ties and speed. Highest gains first are fastest.
func assign(gains [][]int64, places []int) *assignment {
	weeks := len(places)
	a := &assignment{gains: gains, places: places, week: make([]int, len(gains)), in: make([][]int, weeks), shift: make([][]move, weeks), chain: make([]step, weeks)}
	for w := range weeks {
		a.shift[w] = make([]move, weeks+1)
		a.refresh(w)
	}
	a.settle()
	for job := range gains {
		a.insert(job)
	}
	return a
}

func (a *assignment) insert(job int) {
	a.week[job] = nowhere
	to, best := nowhere, int64(0)
	for w, g := range a.gains[job] {
		if g > 0 && g+a.chain[w].gain > best {
			to, best = w, g+a.chain[w].gain
		}
	}
	if to == nowhere {
		return
	}
	changed := false
	for at := to; ; {
		next := a.chain[at].to
		pushed := nowhere
		if next != nowhere {
			pushed = a.shift[at][next].job
			a.remove(pushed, at)
		}
		a.in[at], a.week[job] = append(a.in[at], job), at
		changed = a.refresh(at) || changed
		if next == nowhere {
			break
		}
		if job, at = pushed, next; at == len(a.places) {
			a.week[job] = nowhere
			break
		}
	}
	if changed {
		a.settle()
	}
}

func (a *assignment) remove(job, week int) {
	for i, other := range a.in[week] {
		if other == job {
			last := len(a.in[week]) - 1
			a.in[week][i] = a.in[week][last]
			a.in[week] = a.in[week][:last]
			return
		}
	}
}

// refresh finds the dearest moves out of a week anew, and tells whether the week is full. Ties go to the lowest job.
func (a *assignment) refresh(v int) (full bool) {
	if len(a.in[v]) < a.places[v] {
		return false
	}
	out := len(a.places)
	for w := range a.shift[v] {
		a.shift[v][w] = move{impossible, nowhere}
	}
	for _, job := range a.in[v] {
		gains := a.gains[job]
		here := gains[v]
		for w, g := range gains {
			if m := &a.shift[v][w]; g > 0 && w != v && (g-here > m.gain || (g-here == m.gain && job < m.job)) {
				*m = move{g - here, job}
			}
		}
		if m := &a.shift[v][out]; -here > m.gain || (-here == m.gain && job < m.job) {
			*m = move{-here, job}
		}
	}
	return true
}

// settle finds the dearest chain from each week (Bellman–Ford; there is no gaining circle, as the assignment is optimal so far).
func (a *assignment) settle() {
	out := len(a.places)
	for v := range a.chain {
		if a.chain[v] = (step{0, nowhere}); len(a.in[v]) >= a.places[v] {
			a.chain[v] = step{a.shift[v][out].gain, out}
		}
	}
	for range a.chain { // no chain is longer than there are weeks
		changed := false
		for v := range a.chain {
			if len(a.in[v]) < a.places[v] {
				continue
			}
			for w, m := range a.shift[v][:out] {
				if g := m.gain + a.chain[w].gain; g > a.chain[v].gain {
					a.chain[v], changed = step{g, w}, true
				}
			}
		}
		if !changed {
			return
		}
	}
}

// prices are what one place fewer in each week would cost; with no place at all, what the dearest job would give for one.
func (a *assignment) prices() []int64 {
	prices := make([]int64, len(a.chain))
	for w, c := range a.chain {
		prices[w] = -c.gain
		if a.places[w] > 0 {
			continue
		}
		prices[w] = 0
		for _, gains := range a.gains {
			prices[w] = max(prices[w], gains[w])
		}
	}
	return prices
}
