package trend

import (
	"cmp"
	"context"
	"fmt"
	"hash/fnv"
	"maps"
	"math"
	"slices"

	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
)

// Learn finds what the fleet has in common, from what is settled: five times the filter is run over its tracks, and after each time
// levels, testers' errors, spreads and cold limits are moved to where the surprises say. Order of tracks and number of
// workers do not matter, nor does what is not in the [Fingerprint]. Of fleets beyond 1,500 units the filter sees about so many; ages, drift, lifetimes and causes are
// counted from all. It ends early only when ctx does.
func Learn(ctx context.Context, tracks []Track, weather Weather, workers int) (Params, error) {
	return LearnFrom(ctx, tracks, weather, workers, taught)
}

// LearnFrom is Learn from another prior than what simulated fleets taught.
func LearnFrom(ctx context.Context, tracks []Track, weather Weather, workers int, prior Prior) (Params, error) {
	l := learner{weather: weather, workers: max(1, workers), prior: prior, params: defaultParams(&prior), off: map[string]float64{}}
	l.tracks, _ = settled(tracks)
	slices.SortStableFunc(l.tracks, func(a, b Track) int { return cmp.Compare(a.Unit, b.Unit) })
	var lives []Life
	for i := range l.tracks {
		t := &l.tracks[i]
		if _, known := l.params.Groups[t.Group]; !known {
			l.params.Groups[t.Group] = defaultGroup(t.Fuel)
		}
		lives = append(lives, t.Lives...)
	}
	l.learnAges()
	l.learnDrift()
	l.learnLife(lives)
	l.tracks = sample(l.tracks)
	for i := range l.tracks {
		if t := &l.tracks[i]; t.rowsGone {
			return Params{}, fmt.Errorf("learn from unit %s: its weekly rows were let go", t.Unit)
		}
	}
	l.params.WeeklyCranks = weeklyCranks(l.tracks)
	for i := range l.tracks {
		l.tracks[i] = l.tracks[i].Owned(l.params)
	}
	l.learnCurves()
	const sweeps = 5
	for sweep := range sweeps {
		all, err := l.sweep(ctx)
		if err != nil {
			return Params{}, err
		}
		l.levels(all)
		if sweep >= sweeps-2 {
			s := search{nearEnough, mostCases}
			if sweep == sweeps-2 {
				s = search{1, mostCases / 2} // the last one begins where this one ends
			}
			if err := l.learnForesight(ctx, s); err != nil {
				return Params{}, err
			}
		}
	}
	return l.params, nil
}

// search says how well the posterior mode is sought.
type search struct {
	enough float64 // gain in log posterior below which it ends
	most   int     // cases without a failure that are looked at, about
}

// nearEnough is far less than what a single failure moves.
const nearEnough = 0.005

type learner struct {
	tracks  []Track
	weather Weather
	workers int
	prior   Prior
	params  Params
	off     map[string]float64 // what each device was off by in the sweep before
}

// further is where a device's error goes when it is off by so much. Most of an error hides in the units' own state, so that a sweep shows but a
// share of it; how much less is left than after the sweep before tells how large that share is (Aitken 1926).
func (l *learner) further(device string, off float64) float64 {
	before, known := l.off[device]
	l.off[device] = off
	left := off / before
	if !known || !(left > 0) || left > mostLeft {
		return off
	}
	return off / (1 - left)
}

const mostLeft = 0.85

const (
	// enoughUnits is how many units teach; with ten times as many, spreads of what is learned would fall to a third, but they are small
	// beside those between units.
	enoughUnits = 1500
	leastOfKind = 40 // units of a group, if it has so many
)

// sample takes of a large fleet about enoughUnits tracks, of each group its share or leastOfKind. Which ones depends on their keys
// alone, so a unit that comes or goes hardly changes who teaches.
func sample(tracks []Track) []Track {
	if len(tracks) <= enoughUnits {
		return tracks
	}
	at := drawn(len(tracks), func(i int) (fleet.UnitID, string) { return tracks[i].Unit, tracks[i].Group })
	taken := make([]Track, len(at))
	for i := range at {
		taken[i] = tracks[at[i]]
	}
	return taken
}

// drawn are the places, in order, of those who teach of n units; of gives the key and the group of each.
func drawn(n int, of func(i int) (fleet.UnitID, string)) (at []int) {
	type ticket struct {
		place int
		draw  uint64
	}
	byGroup := map[string][]ticket{}
	for i := range n {
		key, group := of(i)
		h := fnv.New64a()
		_, _ = h.Write([]byte(key)) // a hash takes everything
		byGroup[group] = append(byGroup[group], ticket{i, mixed(h.Sum64())})
	}
	for _, tickets := range byGroup {
		slices.SortFunc(tickets, func(a, b ticket) int { return cmp.Or(cmp.Compare(a.draw, b.draw), cmp.Compare(a.place, b.place)) })
		most := len(tickets)
		if n > enoughUnits {
			most = min(most, max((len(tickets)*enoughUnits+n-1)/n, leastOfKind))
		}
		for _, t := range tickets[:most] {
			at = append(at, t.place)
		}
	}
	slices.Sort(at)
	return at
}

// mixed spreads a hash over all its bits, so that keys that differ in the last digit alone do not stay together (the finaliser of
// SplitMix64; Steele, Lea and Flood 2014).
func mixed(x uint64) uint64 {
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return x ^ x>>31
}

// chunk is how many units' sums are taken together; fixed, so that sums do not depend on the number of workers.
const chunk = 32

// inChunks runs work over the tracks, chunk by chunk, and hands back what each chunk gave, in order.
func inChunks[T any](ctx context.Context, l *learner, work func(tracks []Track) T) ([]T, error) {
	parts := make([]T, (len(l.tracks)+chunk-1)/chunk)
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(l.workers)
	for i := range parts {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return fmt.Errorf("learn from %d units: %w", len(l.tracks), err)
			}
			parts[i] = work(l.tracks[i*chunk : min(len(l.tracks), (i+1)*chunk)])
			return nil
		})
	}
	return parts, group.Wait()
}

func (l *learner) sweep(ctx context.Context) (*lesson, error) {
	p := l.params
	parts, err := inChunks(ctx, l, func(tracks []Track) *lesson {
		into := newLesson()
		for i := range tracks {
			m := newModel(&tracks[i], &p)
			into.own = into.group(tracks[i].Group)
			into.settled(m, m.run(into))
		}
		return into
	})
	if err != nil {
		return nil, err
	}
	all := newLesson()
	for _, part := range parts {
		all.add(part)
	}
	return all, nil
}

// sums are the moments of surprises, drawn in to three standard deviations, and of what they are held against.
type sums struct{ n, y, x, xx, xy float64 }

func (s *sums) take(y, x float64) {
	s.n, s.y, s.x, s.xx, s.xy = s.n+1, s.y+y, s.x+x, s.xx+x*x, s.xy+x*y
}

func (s sums) plus(o sums) sums {
	return sums{s.n + o.n, s.y + o.y, s.x + o.x, s.xx + o.xx, s.xy + o.xy}
}

// mean of y, as if less rows of surprise 0 had been seen before.
func (s sums) mean(before float64) float64 { return s.y / (s.n + before) }

// slope of y on x, as if it were 0 with the weight of before rows of x = 1.
func (s sums) slope(before float64) float64 {
	if s.n == 0 {
		return 0
	}
	return (s.xy - s.x*s.y/s.n) / (s.xx - s.x*s.x/s.n + before)
}

// deviceStep is one half-year of a tester.
type deviceStep struct {
	device   string
	halfYear int
}

// stepRows is as if so many tests of a half-year had shown no drift.
const stepRows = 40

func (l *lesson) take(device string, week int, off float64) {
	at := deviceStep{device, week / deviceWeeks}
	s := l.steps[at]
	s.take(off, 0)
	l.steps[at] = s
}

type groupLesson struct {
	byKind [kinds]sums
	ends   [parts][]float64 // of the state now, of units whose readings speak of that part
	raw    sums
	slow   int
}

// lesson is what one sweep over some units has shown.
type lesson struct {
	groups  map[string]*groupLesson
	devices map[string]sums
	steps   map[deviceStep]sums
	onWear  [kinds]sums
	noise   [kinds]sums
	own     *groupLesson // of the unit that is filtered
}

func newLesson() *lesson {
	return &lesson{groups: map[string]*groupLesson{}, devices: map[string]sums{}, steps: map[deviceStep]sums{}}
}

func (l *lesson) group(name string) *groupLesson {
	g := l.groups[name]
	if g == nil {
		g = &groupLesson{}
		l.groups[name] = g
	}
	return g
}

func (l *lesson) add(o *lesson) {
	for _, name := range slices.Sorted(maps.Keys(o.groups)) {
		a, b := l.group(name), o.groups[name]
		for k := range kinds {
			a.byKind[k] = a.byKind[k].plus(b.byKind[k])
		}
		a.raw = a.raw.plus(b.raw)
		for i := range parts {
			a.ends[i] = append(a.ends[i], b.ends[i]...)
		}
		a.slow += b.slow
	}
	for name, s := range o.devices {
		l.devices[name] = l.devices[name].plus(s)
	}
	for at, s := range o.steps { // each is added to once, so their order is nothing
		l.steps[at] = l.steps[at].plus(s)
	}
	for k := range kinds {
		l.onWear[k] = l.onWear[k].plus(o.onWear[k])
		l.noise[k] = l.noise[k].plus(o.noise[k])
	}
}

// row implements observer.
func (l *lesson) row(_ *model, b *belief, k kind, device string, y float64, want predicted, variance float64) {
	s := variance + b.along(&want.h)
	sd := math.Sqrt(s)
	off := min(max(y-want.mean, -3*sd), 3*sd)
	z := off / sd
	l.noise[k].take(min(z*z, 6), 0)
	l.own.byKind[k].take(off, b.x[wear])
	l.onWear[k].take(off, b.x[wear])
	switch k {
	case kCCA:
		d := l.devices[device]
		d.take(off, 0)
		l.devices[device] = d
		l.take(device, b.week, off)
	case kOhm:
		d := l.devices["ohm "+device]
		d.take(y-b.x[wear], 0)
		l.devices["ohm "+device] = d
		l.take("ohm "+device, b.week, y-b.x[wear])
	}
}

// settled notes how a unit's state stands off the usual in the end. What all units of a group have in common belongs into the group's
// levels, not into each unit's state.
func (l *lesson) settled(m *model, b belief) {
	g := l.own
	has := [kinds]bool{}
	for i := range m.t.Weeks {
		for k := kSag; k < kinds; k++ {
			has[k] = has[k] || m.t.Weeks[i].yOf(k).N > 0
		}
	}
	if len(m.t.Tests) > 0 {
		g.ends[wear] = append(g.ends[wear], b.x[wear]-m.vPop*m.ageAt(b.week))
	}
	for k := kSag; k < kinds; k++ {
		if has[k] {
			g.ends[ownPart[k]] = append(g.ends[ownPart[k]], b.x[ownPart[k]])
		}
	}
	if b.readWeek != neverRead { // else it is where its age alone puts it
		raw, _ := m.circuitLimit(&b.x, b.restV)
		g.raw.take(raw, 0)
	}
	for i := range m.t.Events {
		if e := &m.t.Events[i]; e.FromRow && !e.Failed {
			g.slow++
		}
	}
}

func (l *lesson) weekStart(*model, *belief) {}

// levels moves what groups and devices have in common to where the surprises say.
func (l *learner) levels(all *lesson) {
	p := &l.params
	for _, name := range slices.Sorted(maps.Keys(all.groups)) {
		g, s := p.Groups[name], all.groups[name]
		for k := kSag; k < kinds; k++ {
			off := s.byKind[k].mean(3) + common(s.ends[ownPart[k]])
			if k == kSag {
				g.LogDemand += off
			} else {
				g.Channel[k].Level += off
			}
		}
		if s.raw.n > 0 {
			g.MeanLimitC = s.raw.y / s.raw.n
		}
		g.SlowSeen = s.slow > 0
		p.Groups[name] = g
	}
	var cca sums
	for _, name := range slices.Sorted(maps.Keys(all.devices)) {
		s := all.devices[name]
		if isOhm(name) {
			if s.n >= 20 {
				p.Devices[name] = s.y / s.n
			}
			continue
		}
		cca = cca.plus(s)
	}
	common := cca.mean(20)
	p.TestBias += common
	moved := map[string]float64{}
	for name, s := range all.devices {
		if !isOhm(name) {
			moved[name] = l.further(name, (s.y-common*s.n)/(s.n+2))
			p.Devices[name] += moved[name]
		}
	}
	for at, s := range all.steps {
		if p.DeviceSteps[at.device] == nil {
			p.DeviceSteps[at.device] = map[int]float64{}
		}
		if isOhm(at.device) {
			p.DeviceSteps[at.device][at.halfYear] = (s.y - p.Devices[at.device]*s.n) / (s.n + stepRows)
			continue
		}
		p.DeviceSteps[at.device][at.halfYear] += (s.y - (common+moved[at.device])*s.n) / (s.n + stepRows)
	}
	for k := kSag; k < kinds; k++ {
		p.OnWear[k] = min(1.6, max(-1.6, p.OnWear[k]+all.onWear[k].slope(100)))
	}
	p.OnWear[kSag], p.OnWear[kLow] = max(0.3, p.OnWear[kSag]), max(0.2, p.OnWear[kLow])
	for k := range kinds {
		// A normal surprise squared and cut at 6 has the mean 0.95.
		wide := math.Sqrt((all.noise[k].y + 50*0.95) / (all.noise[k].n + 50) / 0.95)
		p.Noise[k] = min(4, max(0.3, p.Noise[k]*math.Pow(wide, 0.8)))
	}
}

// common is the middle of units' values, as if ten of 0 had been seen before.
func common(ends []float64) float64 {
	if len(ends) == 0 {
		return 0
	}
	n := float64(len(ends))
	return median(slices.Clone(ends)) * n / (n + 10)
}

func isOhm(device string) bool { return len(device) >= 4 && device[:4] == "ohm " }
