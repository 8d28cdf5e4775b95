package trend

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

// learning is the version of the code that [Learn] runs. Raise it with every change that lets the same rows teach something else, and with
// every change of the prior: what was learned by another version is then not used any more. A test holds it to what it stands for.
const learning = 6

// Fingerprint tells what [Learn] would learn from: tracks and weather that have the same teach the same, whatever the as-of date, order
// and machine, as long as learning itself is the same. Within a month it stays, unless a row from before the month comes late or is
// changed, a fitting of that time is, or a unit comes, goes or becomes another kind; with a group that is new it moves with every reading.
// 64 bits: two fleets that differ have the same one by chance in one of 10^19 cases.
func Fingerprint(tracks []Track, weather Weather) string {
	tracks, anyNew := settled(tracks)
	slices.SortStableFunc(tracks, func(a, b Track) int { return cmp.Compare(a.Unit, b.Unit) })
	p := printer{}
	p.ints(len(tracks))
	known := weather.settled()
	if anyNew {
		known = weather
	}
	for i := range tracks {
		t := &tracks[i]
		p.text(string(t.Unit))
		if t.print == 0 {
			t.print = t.fingerprint()
		}
		p.word(t.print)
	}
	if len(tracks) > 0 {
		known.printInto(&p, slices.MaxFunc(tracks, func(a, b Track) int { return cmp.Compare(a.AsOf, b.AsOf) }).AsOf)
	}
	return fmt.Sprintf("%d-%016x", learning, p.sum)
}

// fingerprint is of all that learning reads of a track but for its key.
func (t *Track) fingerprint() uint64 {
	p := printer{}
	p.text(string(t.Depot), t.Group, string(t.Fuel))
	p.ints(int(t.AsOf), t.AsOfWeek, t.FirstWeek, t.Positions, truth(t.HasLogger))
	p.reals(t.Rated, t.AgeWeeks, t.OilOffsetC, t.NightOffsetC, t.StartsPerDay, t.BookedOffsetC, t.BookedStarts)
	p.ints(len(t.Changes), len(t.Weeks), len(t.Tests), len(t.Events), len(t.Breakdowns), len(t.Lives))
	for _, c := range t.Changes {
		p.text(string(c.Part))
		p.ints(c.Week, int(c.Day))
		p.reals(c.Share)
	}
	for i := range t.Weeks {
		w := &t.Weeks[i]
		p.ints(w.Week, truth(w.To > w.From))
		p.means(w.Sag, w.Low, w.Current, w.Speed, w.Seconds, w.Rest)
		p.reals(w.TemperatureC, w.RestLowV, w.ColdestC)
	}
	for i := range t.Tests {
		r := &t.Tests[i]
		p.text(r.Device)
		p.ints(r.Week)
		p.means(r.CCA, r.Load, r.Ohm, r.Rest)
	}
	for i := range t.Events {
		e := &t.Events[i]
		p.ints(int(e.Day), e.Week, truth(e.Failed)+2*truth(e.Click)+4*truth(e.FromRow))
		p.reals(e.TemperatureC, e.Weight)
	}
	for _, f := range t.Breakdowns {
		p.text(string(f.Cause))
		p.ints(int(f.Day))
	}
	for _, l := range t.Lives {
		p.ints(truth(l.Failed))
		p.reals(l.Entry, l.Exit)
	}
	return p.sum
}

// printInto adds the days before a day, and where the depots lie.
func (w Weather) printInto(p *printer, before fleet.Date) {
	for _, id := range slices.Sorted(maps.Keys(w.depots)) {
		d := w.depots[id]
		p.text(string(id))
		for _, o := range [...]fleet.Opt[float64]{d.Latitude, d.Longitude} {
			p.ints(truth(o.IsKnown()))
			p.reals(o.Or(0))
		}
	}
	for _, id := range slices.Sorted(maps.Keys(w.series)) {
		s := w.series[id]
		n := min(max(0, int(before-s.first)), len(s.min))
		for n > 0 && math.IsNaN(s.min[n-1]) { // as if the days since had not come
			n--
		}
		p.text(string(id))
		p.ints(int(s.first), n)
		p.reals(s.min[:n]...)
		p.reals(s.max[:n]...)
	}
}

// printer mixes what it is given, in order, into 64 bits.
type printer struct{ sum uint64 }

func (p *printer) word(x uint64) { p.sum = mixed(p.sum + 0x9e3779b97f4a7c15 ^ x) }

func (p *printer) ints(all ...int) {
	for _, x := range all {
		p.word(uint64(x)) //nolint:gosec // the bits are what is wanted
	}
}

func (p *printer) reals(all ...float64) {
	for _, x := range all {
		p.word(math.Float64bits(x))
	}
}

func (p *printer) means(all ...Mean) {
	for _, m := range all {
		p.ints(m.N)
		p.reals(m.Y)
	}
}

func (p *printer) text(all ...string) {
	for _, s := range all {
		p.ints(len(s))
		for i := range len(s) {
			p.word(uint64(s[i]))
		}
	}
}
