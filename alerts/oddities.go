package alerts

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// OddityKind says what does not fit.
type OddityKind string

// The kinds of oddities.
const (
	SwapNotBooked OddityKind = "swap not booked"    // the readings are those of a new battery, the records know none
	SwapNotSeen   OddityKind = "swap not seen"      // the records have a new battery, the readings went on as before
	Exchanged     OddityKind = "readings exchanged" // two units' tests fit each other's batteries
	FarOff        OddityKind = "reading far off"    // one test, of another battery or of another unit
	PairDiffers   OddityKind = "pair differs"       // the batteries of one unit are not alike
	TesterDrifts  OddityKind = "tester drifts"      // a tester shows more or less than it did
)

// Oddity is a reading, record or tester that does not fit the rest, with what to do about it.
type Oddity struct {
	On        fleet.Date    `json:"on"`
	Kind      OddityKind    `json:"kind"`
	Unit      fleet.UnitID  `json:"unit"`       // empty: of no single unit
	OtherUnit fleet.UnitID  `json:"other_unit"` // whose readings were exchanged with Unit's
	Depot     fleet.DepotID `json:"depot"`      // empty: of several
	Tester    string        `json:"tester"`
	Sentence  string        `json:"sentence"`
}

// misfit is what the readings of one unit show by themselves.
type misfit struct {
	trend.Misfits
	held []trend.TestSurprise
}

// Oddities lists what does not fit, newest first. It changes nothing: what is odd was already given little weight when the units were judged.
func Oddities(ctx context.Context, in Input) ([]Oddity, error) {
	f := newJudged(in)
	found, err := judgeEach(ctx, f, in, func(one *file) misfit {
		return misfit{trend.FindMisfits(one.track, f.params), trend.HeldOut(one.track, f.params)}
	})
	if err != nil {
		return nil, fmt.Errorf("look for what does not fit as of %s: %w", in.AsOf, err)
	}
	misfits, held := make([]trend.Misfits, len(found)), make([][]trend.TestSurprise, len(found))
	for i := range found {
		misfits[i], held[i] = found[i].Misfits, found[i].held
	}
	out := append([]Oddity{}, f.testerOddities(held)...)
	since := map[string]fleet.Date{}
	for _, o := range out {
		since[o.Tester] = o.On
	}
	out = append(out, f.testOddities(misfits, since)...)
	for i := range f.files {
		out = append(out, swapOddities(&f.files[i], &misfits[i])...)
		out = append(out, f.pairOddity(&f.files[i], misfits[i].Pair)...)
	}
	slices.SortFunc(out, func(a, b Oddity) int {
		return cmp.Or(cmp.Compare(b.On, a.On), cmp.Compare(a.Kind, b.Kind), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Tester, b.Tester), cmp.Compare(a.Sentence, b.Sentence))
	})
	return out, nil
}

// proof is the ln of how much likelier one telling must be than the other; that records of swaps are wrong is rare to begin with.
const proof = 6.0

func swapOddities(one *file, m *trend.Misfits) (out []Oddity) {
	for _, s := range m.Swaps {
		if !newBattery(s) {
			continue
		}
		do := "Enter the fitting with its date, or find out whose readings these are."
		if s.Booked != 0 {
			do = fmt.Sprintf("The nearest fitting on record is of the week of %s: see whether its date is right, and enter what is missing.", s.Booked)
		}
		out = append(out, of(one, SwapNotBooked, s.Monday, fmt.Sprintf(
			"Since the week of %s its readings are those of a new battery: strength %s of a new one before, %s after, and no fitting on record says so. %s",
			s.Monday, strength(s.WearBefore), strength(s.WearAfter), do)))
	}
	for _, s := range m.NotSeen {
		if s.LogOddsUnder < proof || !s.TestsAgree {
			continue
		}
		out = append(out, of(one, SwapNotSeen, s.Monday, fmt.Sprintf(
			"A battery is booked as fitted in the week of %s, but %d weeks and tests after it read as before: strength %s of a new one before, %s after. See whether it was fitted to another unit, was not new, or bears a wrong date.",
			s.Monday, s.Rows, strength(s.WearBefore), strength(s.WearAfter))))
	}
	return out
}

// discharged is the rest voltage of one battery under which charging alone may be what helps, and a test says too little; full is well above.
const (
	discharged = 12.35
	full       = 12.7
)

// newBattery tells whether it was the battery that changed. Cranks get better also once the charging, a cable or the starter is put right, and a
// fitting that is booked may show some weeks late.
func newBattery(s trend.UnbookedSwap) bool {
	const (
		weeksLate  = 5
		weeksEarly = 3 // a date in the books that is somewhat late
		leastWeeks = 26
		leastGone  = 0.2 // of ln resistance
	)
	gone := s.WearBefore - s.WearAfter
	if late := s.Monday - s.Booked; gone < leastGone || s.Booked != 0 && late > -7*weeksEarly && late < 7*weeksLate {
		return false
	}
	if rise, known := s.TestRise.Get(); known {
		return rise > gone/2
	}
	return s.WeeksBefore >= leastWeeks && s.RestBeforeV > discharged
}

func of(one *file, kind OddityKind, on fleet.Date, sentence string) Oddity {
	return Oddity{On: on, Kind: kind, Unit: one.unit.ID, Depot: one.unit.Depot, Sentence: sentence}
}

func strength(wear float64) string { return fmt.Sprintf("%.0f %%", 100*math.Exp(-wear)) }

// The least differences between the batteries of a unit that are worth a look; both common practice, no source.
const (
	pairLn    = 0.25 // of shown over rated: a quarter
	pairRestV = 0.25
)

// pairOddity speaks of what was tested within staleAfter days.
func (f *judged) pairOddity(one *file, p trend.PairSpread) []Oddity {
	if p.Tests == 0 || p.Day < f.asOf-staleAfter || p.Ln < pairLn && p.RestV < pairRestV {
		return nil
	}
	said := "at the last test"
	if p.Tests > 1 {
		said = "at each of the last two tests"
	}
	var differ string
	switch {
	case p.Ln < pairLn:
		differ = fmt.Sprintf("its batteries' rest volts were %.2f V or more apart", p.RestV)
	case p.RestV < pairRestV:
		differ = fmt.Sprintf("the weakest battery showed %.0f %% or less of what the best did", 100*math.Exp(-p.Ln))
	default:
		differ = fmt.Sprintf("the weakest battery showed %.0f %% or less of what the best did, with rest volts %.2f V or more apart", 100*math.Exp(-p.Ln), p.RestV)
	}
	return []Oddity{of(one, PairDiffers, p.Day, fmt.Sprintf(
		"%s, up to %s, %s. Charge each battery by itself and test again; if one stays weak, renew them together, since the weak one decides and spoils the other.",
		capital(said), p.Day, differ))}
}

func capital(s string) string { return string(s[0]-'a'+'A') + s[1:] }

// testerOddities names testers that drift. A tester is one name, or a name with a pair of standards.
func (f *judged) testerOddities(held [][]trend.TestSurprise) (out []Oddity) {
	const several = ""
	depots := map[string]fleet.DepotID{}
	for i, tests := range held {
		for _, s := range tests {
			if depot, seen := depots[s.Device]; seen && depot != f.files[i].unit.Depot {
				depots[s.Device] = several
			} else {
				depots[s.Device] = f.files[i].unit.Depot
			}
		}
	}
	for _, d := range trend.Drifts(slices.Concat(held...)) {
		side := "more"
		if d.Ln < 0 {
			side = "less"
		}
		out = append(out, Oddity{On: d.Since, Kind: TesterDrifts, Depot: depots[d.Device], Tester: d.Device, Sentence: fmt.Sprintf(
			"Tester %s shows %.0f %% %s than it did at first. The change began about %s, %d tests ago; the units' cranks and other testers saw none such. Hold it against another tester on one battery, and have it set right or put away.",
			d.Device, 100*math.Abs(math.Expm1(d.Ln)), side, d.Since, d.Tests)})
	}
	return out
}

// How far off tests must be, in standard deviations.
const (
	exchangedFrom   = 4.0
	exchangedWithin = 1.5
	farOffFrom      = 5.0
)

// odd is a test that does not fit its unit.
type odd struct {
	file int
	test int // in the unit's
	trend.TestSurprise
}

// testOddities proposes exchanges between units of one depot tested on one day, and lists the far off tests that no exchange explains and no other
// test confirms. What a tester showed since it drifts is its own oddity.
func (f *judged) testOddities(misfits []trend.Misfits, driftsSince map[string]fleet.Date) (out []Oddity) {
	type place struct {
		depot fleet.DepotID
		day   fleet.Date
	}
	byDay := map[place][]odd{}
	var all []odd
	for i := range misfits {
		for j, s := range misfits[i].Tests {
			if since, drifts := driftsSince[s.Device]; math.Abs(s.Z()) < exchangedFrom || drifts && s.Day > since {
				continue
			}
			k := place{f.files[i].unit.Depot, s.Day}
			byDay[k] = append(byDay[k], odd{i, j, s})
			all = append(all, odd{i, j, s})
		}
	}
	explained := map[[2]int]bool{}
	for _, a := range all {
		if explained[[2]int{a.file, a.test}] {
			continue
		}
		if b, found := f.partner(a, byDay[place{f.files[a.file].unit.Depot, a.Day}], explained); found {
			explained[[2]int{a.file, a.test}], explained[[2]int{b.file, b.test}] = true, true
			out = append(out, f.exchanged(a, b))
		}
	}
	for _, a := range all {
		if !explained[[2]int{a.file, a.test}] && math.Abs(a.Z()) > farOffFrom && a.RestV.Or(full) > discharged && !believable(misfits[a.file].Tests, a.test) {
			out = append(out, f.farOff(a, len(misfits[a.file].Tests) == a.test+1))
		}
	}
	return out
}

// partner is the test of another unit on the same day that a fits best by exchange.
func (f *judged) partner(a odd, others []odd, taken map[[2]int]bool) (best odd, found bool) {
	off := func(b odd) float64 {
		return max(math.Abs(a.InPlaceOf(b.TestSurprise)), math.Abs(b.InPlaceOf(a.TestSurprise)))
	}
	for _, b := range others {
		u, v := &f.files[a.file].unit, &f.files[b.file].unit
		alike := b.file != a.file && u.SystemVolts == v.SystemVolts && a.Batteries == b.Batteries && u.Batteries == v.Batteries
		if alike && !taken[[2]int{b.file, b.test}] && off(b) < exchangedWithin && (!found || off(b) < off(best)) {
			best, found = b, true
		}
	}
	return best, found
}

func (f *judged) exchanged(a, b odd) Oddity {
	if f.files[b.file].unit.ID < f.files[a.file].unit.ID {
		a, b = b, a
	}
	o := of(&f.files[a.file], Exchanged, a.Day, fmt.Sprintf(
		"On %s %s showed %.0f A where %.0f A were to be expected, and %s %.0f A where %.0f A were: exchanged, both fit. See whether the two tests of that day were booked under each other's number, and mend the file.",
		a.Day, f.files[a.file].unit.ID, a.ShownA, expectedA(a), f.files[b.file].unit.ID, b.ShownA, expectedA(b)))
	o.OtherUnit, o.Tester = f.files[b.file].unit.ID, a.Device
	return o
}

// expectedA is what would have been shown had the reading met what was expected.
func expectedA(a odd) float64 { return a.ShownA * math.Exp(a.WantLn-a.Ln) }

// believable tells whether other tests, or what was done, say that a far off test was right: a weak battery was renewed, or the test before or after lies
// nearer to it than to what was expected.
func believable(tests []trend.TestSurprise, i int) bool {
	a := tests[i]
	if a.Z() < 0 && a.RenewedSoon {
		return true
	}
	agrees := func(b trend.TestSurprise) bool {
		shown := b.Ln - b.DeviceLn
		return math.Abs(shown-(a.Ln-a.DeviceLn)) < math.Abs(shown-(a.WantLn-a.DeviceLn))
	}
	return i > 0 && !tests[i-1].RenewedSoon && agrees(tests[i-1]) || i+1 < len(tests) && !a.RenewedSoon && agrees(tests[i+1])
}

func (f *judged) farOff(a odd, last bool) Oddity {
	after := "the next test was as before"
	if last {
		after = "no later test says which is right"
	}
	o := of(&f.files[a.file], FarOff, a.Day, fmt.Sprintf(
		"On %s it showed %.0f A of %.0f A rated where about %.0f A were to be expected, and %s: another battery or wrong unit? Test it again, and mend the file if the reading belongs elsewhere.",
		a.Day, a.ShownA, a.RatedA, expectedA(a), after))
	o.Tester = a.Device
	return o
}
