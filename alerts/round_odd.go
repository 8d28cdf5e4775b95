package alerts

import (
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// OddRule is a value that can be right and rarely is, so that whoever types it is asked once. Phones hold the same rules without a
// network, so they are data.
type OddRule struct {
	Column string  `json:"column"`
	Kind   OddKind `json:"kind"`
	By     float64 `json:"by"`  // a value, or a share of what it is held against
	Ask    string  `json:"ask"` // {value}, {percent}, {before} and {when} are filled in
}

// OddKind is what a value is held against.
type OddKind string

// The kinds.
const (
	OddAbove OddKind = "above"
	OddBelow OddKind = "below"
	OddUp    OddKind = "up"    // on the last one of the same battery and standard
	OddDown  OddKind = "down"  // likewise
	OddRated OddKind = "rated" // above the rating in the same standard
)

// OddRules are asked in this order, one at most of a column. Their figures are common practice, no source.
func OddRules() []OddRule {
	return []OddRule{
		{"cca_a", OddUp, 0.30, "{percent} % up on {before} A of {when}: another battery?"},
		{"cca_a", OddDown, 0.30, "{percent} % down on {before} A of {when}: as read?"},
		{"cca_a", OddRated, 0.30, "{value} A is {percent} % above the rated {before} A: as read?"},
		{"rest_v", OddAbove, justChargedV, "{value} V is more than a battery shows at rest: was it charged, or the engine run, within the last hours?"},
		{"rest_v", OddBelow, 10.5, "{value} V is as good as flat, or a cell is dead: as read?"},
	}
}

// Question is an odd value with what to ask.
type Question struct {
	Column string `json:"column"`
	Ask    string `json:"ask"`
}

// Odd asks of a test what OddRules say. Rated is what is fitted at its position, nil if unknown; before are older tests of its unit.
func Odd(t fleet.Test, rated *fleet.BatteryFitting, before []fleet.Test, zone *time.Location) (asked []Question) {
	for _, r := range OddRules() {
		if slices.ContainsFunc(asked, func(q Question) bool { return q.Column == r.Column }) {
			continue
		}
		value, known := t.RestV.Get()
		if r.Column == "cca_a" {
			value, known = t.CCAA.Get()
		}
		if !known {
			continue
		}
		against, when := 0.0, ""
		switch r.Kind {
		case OddUp, OddDown:
			if b := likeBefore(t, rated, before, zone); b != nil {
				against, when = b.CCAA.Or(0), dayMonth(fleet.DateOf(b.At, zone))
			}
		case OddRated:
			if rated != nil && rated.CCAStandard == t.CCAStandard {
				against = rated.RatedCCAA
			}
		}
		if share, odd := r.holds(value, against); odd {
			asked = append(asked, Question{r.Column, strings.NewReplacer(
				"{value}", strconv.FormatFloat(value, 'f', -1, 64), "{percent}", strconv.Itoa(int(math.Floor(100*share+0.5))),
				"{before}", strconv.FormatFloat(against, 'f', -1, 64), "{when}", when,
			).Replace(r.Ask)})
		}
	}
	return asked
}

// holds tells whether a value is odd against another, and by what share of it.
func (r OddRule) holds(value, against float64) (share float64, odd bool) {
	switch r.Kind {
	case OddAbove:
		return 0, value > r.By
	case OddBelow:
		return 0, value < r.By
	}
	if against <= 0 {
		return 0, false
	}
	share = value/against - 1
	if r.Kind == OddDown {
		share = -share
	}
	return share, share >= r.By-1e-9 // a value just 30 % up is, whatever the last bit of the quotient
}

// likeBefore is the newest older test that says something of the same battery by the same standard; nil: there is none.
func likeBefore(t fleet.Test, fitted *fleet.BatteryFitting, before []fleet.Test, zone *time.Location) (newest *fleet.Test) {
	for i := range before {
		b := &before[i]
		if b.Position != t.Position || !b.At.Before(t.At) || !b.CCAA.IsKnown() || b.CCAStandard != t.CCAStandard {
			continue
		}
		if fitted != nil && !fitted.FittedAt(fleet.DateOf(b.At, zone)) {
			continue
		}
		if newest == nil || newest.At.Before(b.At) {
			newest = b
		}
	}
	return newest
}
