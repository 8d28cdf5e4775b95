package faults

import (
	"math"

	"rimeyard/internal/fleet"
)

// read is one reading of a check that counts: by its outcome, and by its figure where one was given.
type read struct {
	outcome int
	value   fleet.Opt[float64]
}

// likelihood of what was read at check i; found is false where it says nothing.
func (k known) likelihood(i int) (l *chances, found bool) {
	s := k.said[i]
	if !s.given || s.outcome < 0 || k.void(i) {
		return nil, false
	}
	if len(s.reads) == 1 && !s.reads[0].value.IsKnown() {
		return &tables[i].said[s.outcome], true
	}
	return k.mix(i, k.seen(i)), true
}

// seen is, for each reading that counts, how likely it is by what there is to see: that it was read as it is, or misread and any outcome
// said. Readings that agree so grow surer, two that contradict weigh the same, and a figure close to a limit speaks for both its sides.
func (k known) seen(i int) (all [][]float64) {
	for _, r := range k.said[i].reads {
		all = append(all, checks[i].misreads(k.blurred(i, r)))
	}
	return all
}

func (c *check) misreads(shared []float64) []float64 {
	n := float64(len(c.answers))
	for o := range shared {
		shared[o] = (1-c.misread)*shared[o] + c.misread/n
	}
	return shared
}

// mix is the likelihood of these readings under each cause: of one thing to see, Σ P(thing | cause) Π P(reading | thing); of a thing that
// passes, each reading for itself. What is rarely seen where nothing is wrong with what the check looks at lies close to its limit: the
// further away the figures are, the less likely there.
func (k known) mix(i int, seen [][]float64) *chances {
	t := &tables[i]
	rare := 1.0 // of the readings, by the one that is nearest to what is usual
	for n, r := range k.said[i].reads {
		if away := k.away(i, r); n == 0 || away > rare {
			rare = away
		}
	}
	var l chances
	for cause := range l {
		stays, passes := 0.0, 1.0
		for o := range t.shows {
			product := k.share(i, o, cause, rare)
			for _, s := range seen {
				product *= s[o]
			}
			stays += product
		}
		fresh := checks[i].passes
		if fresh == 0 || t.named[cause] {
			l[cause] = stays
			continue
		}
		for _, s := range seen {
			one := 0.0
			for o := range s {
				one += k.share(i, o, cause, rare) * s[o]
			}
			passes *= one
		}
		l[cause] = (1-fresh)*stays + fresh*passes
	}
	return &l
}

// share is how often an outcome is there to see under a cause.
func (k known) share(i, outcome, cause int, rare float64) float64 {
	t := &tables[i]
	if outcome != t.usually && !t.named[cause] {
		return t.shows[outcome][cause] * rare
	}
	return t.shows[outcome][cause]
}

// blurred shares a reading among the outcomes: a figure as a normal spread about it would be sorted, words as they are.
func (k known) blurred(i int, r read) []float64 {
	c := checks[i]
	seen := make([]float64, len(c.answers))
	v, known := r.value.Get()
	if !known || c.number.blur == nil {
		seen[r.outcome] = 1
		return seen
	}
	const reach, steps = 3.0, 24 // standard deviations; strips of the spread
	spread, sum := c.number.blur(k.facts, v), 0.0
	for step := range steps {
		z := reach * (2*(float64(step)+0.5)/steps - 1)
		share := math.Exp(-z * z / 2)
		o := c.number.sort(k.facts, v+z*spread)
		if o < 0 {
			o = r.outcome
		}
		seen[o] += share
		sum += share
	}
	for o := range seen {
		seen[o] /= sum
	}
	return seen
}

// away is how much rarer than at the limit a figure is where nothing is wrong, by how far it lies from what is seen there; 1 for words.
func (k known) away(i int, r read) float64 {
	c, usually := checks[i], tables[i].usually
	v, known := r.value.Get()
	if !known || c.number.blur == nil || usually < 0 || r.outcome == usually {
		return 1
	}
	const most, fades = 20, 4 // widths of the figure's blur: looked at, and until it is e times rarer (common practice, no source)
	width := c.number.blur(k.facts, v)
	for n := 1; n <= most; n++ {
		if by := float64(n) * width; c.number.sort(k.facts, v-by) == usually || c.number.sort(k.facts, v+by) == usually {
			return math.Exp(-float64(n) / fades)
		}
	}
	return math.Exp(-float64(most) / fades)
}

// shows are P(outcome | cause) without misreading, by outcome, then by cause. Something that is not on the list may show anything: half as
// usual, half at random.
func (c *check) shows() []chances {
	n := float64(len(c.answers))
	table := make([]chances, len(c.answers))
	for a := range table {
		for cause := range causeRows {
			table[a][cause] = c.rows[0].p[a]
		}
		for _, r := range c.rows[1:] {
			for _, id := range r.of {
				table[a][id.index()] = r.p[a]
			}
		}
		if c.id != Key {
			table[a][Unlisted.index()] = 0.5*c.rows[0].p[a] + 0.5/n
		}
	}
	return table
}

// likelihoods are those of a check, by outcome and then by cause: of what there is to see, and of what is said once, in words.
type likelihoods struct {
	shows, said []chances
	usually     int          // the outcome that is seen where nothing is wrong; -1: none stands out
	named       [causes]bool // by cause: the check's rows name it, or it may show anything
}

var tables = func() (all []likelihoods) {
	for _, c := range checks {
		all = append(all, c.likelihoods())
	}
	return all
}()

// likelihoods works out P(answer | cause) as said once in words, with the misreadings in.
func (c *check) likelihoods() likelihoods {
	t := likelihoods{shows: c.shows(), usually: -1}
	for a, p := range c.rows[0].p {
		if p > 0.5 {
			t.usually = a
		}
	}
	t.named[Unlisted.index()] = true
	for _, r := range c.rows[1:] {
		for _, id := range r.of {
			t.named[id.index()] = true
		}
	}
	for a := range c.answers {
		word := make([]float64, len(c.answers))
		word[a] = 1
		var said chances
		for o, w := range c.misreads(word) {
			for cause := range said {
				said[cause] += w * t.shows[o][cause]
			}
		}
		t.said = append(t.said, said)
	}
	return t
}

// gainAgain is what is expected of asking check i once more, in nats: how likely each outcome then is, given what was read before.
func (k known) gainAgain(p chances, i int) float64 {
	before := k.seen(i)
	was := k.mix(i, before)
	again := make([]chances, len(checks[i].answers))
	for a := range again {
		word := make([]float64, len(again))
		word[a] = 1
		l := k.mix(i, append(before[:len(before):len(before)], checks[i].misreads(word)))
		for cause := range l {
			again[a][cause] = l[cause] / was[cause]
		}
	}
	return fall(p, again)
}
