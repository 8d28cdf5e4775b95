package alerts

import (
	"fmt"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// BenchVerdict is what is to be done with a unit that has just been tested, in the trade's words.
type BenchVerdict string

// The verdicts.
const (
	Fine        BenchVerdict = "fine"
	ChargeFirst BenchVerdict = "charge and test again"
	PlanSwap    BenchVerdict = "plan a swap"
	KeepIn      BenchVerdict = "do not send out tonight"
)

// Volts of a 12 V battery at rest. 12.2 V and more is acceptable, less has to be charged before anything can be concluded; 12.4 V is well
// charged; more than 13.0 V is surface charge. Common practice, no source.
const (
	ChargeBelowV = 12.2
	chargedFromV = 12.4
	justChargedV = 13.0
)

// BenchRules are the figures by which a phone without a network judges a test.
type BenchRules struct {
	ChargeBelowV float64 `json:"charge_below_v"`
	TestsWell    float64 `json:"tests_well"` // share of the rating
	TestsPoorly  float64 `json:"tests_poorly"`
}

// TheBenchRules are those that Verdict goes by.
func TheBenchRules() BenchRules { return BenchRules{ChargeBelowV, testsWell, testsPoorly} }

// Bench is all that a test is judged by at the bench.
type Bench struct {
	Test   fleet.Test
	Rated  *fleet.BatteryFitting // fitted at the test's position; nil: not known
	Before []fleet.Test          // tests of the unit; of them those of the same battery count
	Judged *Judgement            // of the unit, the test included; nil: no list was issued yet
	LowC   fleet.Opt[float64]    // tonight's, at the depot
	Zone   *time.Location
}

// Said is a verdict and what it rests on, the most telling first.
type Said struct {
	Verdict   BenchVerdict `json:"verdict"`
	Sentences []string     `json:"sentences"`
}

// Verdict says what is to be done. A battery that is too low comes first, since nothing else can be concluded from it; then tonight, then
// the season.
func Verdict(b Bench) Said {
	s := Said{Verdict: Fine, Sentences: []string{}}
	share, compared := b.share()
	night, doubtful := b.tonight()
	swap, because := b.swap()
	switch {
	case tooLow(b.Test):
		s.Verdict = ChargeFirst
	case doubtful >= ProbablyNotFrom:
		s.Verdict = KeepIn
	case swap, compared && share < testsPoorly:
		s.Verdict = PlanSwap
	}
	s.add(b.rest())
	s.add(b.againstRated(share, compared))
	if s.Verdict != ChargeFirst {
		s.add(b.againstPast())
		s.add(because)
	}
	if s.Verdict != ChargeFirst || doubtful >= DoubtfulFrom { // that it should start cannot be concluded from a low battery
		s.add(night)
	}
	return s
}

func (s *Said) add(sentence string) {
	if sentence != "" {
		s.Sentences = append(s.Sentences, sentence)
	}
}

func tooLow(t fleet.Test) bool {
	v, known := t.RestV.Get()
	return known && v < ChargeBelowV
}

func (b Bench) rest() string {
	v, known := b.Test.RestV.Get()
	switch {
	case !known:
		return "No rest volts: whether it was charged well enough to be judged is not known. Read them too."
	case v < ChargeBelowV:
		return fmt.Sprintf("%.2f V at rest is under %.1f V: charge it, let it rest, test again. Nothing else can be concluded yet.", v, ChargeBelowV)
	case v < chargedFromV:
		return fmt.Sprintf("%.2f V at rest will do, but it is due for a charge.", v)
	case v > justChargedV:
		return fmt.Sprintf("%.2f V is more than a battery shows at rest: it has just been charged. Let it rest and read again.", v)
	}
	return fmt.Sprintf("%.2f V at rest: well charged.", v)
}

// share of the rating; two standards are never compared.
func (b Bench) share() (share float64, compared bool) {
	shown, known := b.Test.CCAA.Get()
	if !known || b.Rated == nil || b.Rated.RatedCCAA <= 0 || b.Rated.CCAStandard != b.Test.CCAStandard {
		return 0, false
	}
	return shown / b.Rated.RatedCCAA, true
}

func (b Bench) againstRated(share float64, compared bool) string {
	shown, known := b.Test.CCAA.Get()
	standard := strings.ToUpper(string(b.Test.CCAStandard))
	switch {
	case !known:
		return ""
	case b.Rated == nil:
		return fmt.Sprintf("%.0f A (%s); no battery is on record at position %d, so there is no rating to hold it against.", shown, standard, b.Test.Position)
	case !compared:
		return fmt.Sprintf("%.0f A (%s) cannot be held against the rated %.0f A (%s): two standards are never compared. Set the tester to %[4]s.",
			shown, standard, b.Rated.RatedCCAA, strings.ToUpper(string(b.Rated.CCAStandard)))
	}
	word := "between good and poor: test again within two months"
	switch {
	case tooLow(b.Test):
		word = "no verdict on a battery so low, worn or not"
	case share < testsPoorly:
		word = "poor"
	case share >= testsWell:
		word = "good"
	}
	return fmt.Sprintf("%.0f A of %.0f A rated (%s), %.0f %%: %s.", shown, b.Rated.RatedCCAA, standard, 100*share, word)
}

// againstPast holds the test against the same battery's last one.
func (b Bench) againstPast() string {
	before := likeBefore(b.Test, b.Rated, b.Before, b.Zone)
	if before == nil || !b.Test.CCAA.IsKnown() {
		return ""
	}
	shown, then := b.Test.CCAA.Or(0), before.CCAA.Or(0)
	day := fleet.DateOf(before.At, b.Zone)
	how := "as much as"
	if shown < then {
		how = fmt.Sprintf("%.0f A less than", then-shown)
	} else if shown > then {
		how = fmt.Sprintf("%.0f A more than", shown-then)
	}
	return fmt.Sprintf("%.0f A is %s on %s.", shown, how, dayMonth(day))
}

// tonight holds the unit, as it is judged with the test, against the coming low.
func (b Bench) tonight() (sentence string, chance float64) {
	low, known := b.LowC.Get()
	if !known || b.Judged == nil {
		return "", 0
	}
	chance = trend.MorningAt(b.Judged.Outlook.Night, low)
	limit := b.Judged.Forecast.ColdLimitC.Or(b.Judged.Outlook.Night.LimitC)
	against := fmt.Sprintf("Tonight falls to %s and its cold limit is %s", degrees(low), degrees(limit))
	switch {
	case chance >= ProbablyNotFrom:
		return against + ": it will probably not start in the morning.", chance
	case chance >= DoubtfulFrom:
		return against + ": whether it starts in the morning is doubtful.", chance
	}
	return against + ": it should start in the morning.", chance
}

// swap tells whether the list would have it put right, and says what is suspected.
func (b Bench) swap() (wanted bool, because string) {
	if b.Judged == nil {
		return false, ""
	}
	f := b.Judged.Forecast
	suspect := "nothing in particular is suspected"
	for i, part := range fleet.Suspects() {
		if part == f.Suspect {
			suspect = fmt.Sprintf("most to blame: %s (%.0f %%)", partNames[i], 100*f.SuspectProbabilities[part])
		}
	}
	chance := fmt.Sprintf("Chance of a failed start this season %.0f %%", 100*f.NoStartProbability.Or(0))
	switch f.Band {
	case fleet.Down, fleet.Swap:
		return true, fmt.Sprintf("%s; %s.", chance, suspect)
	case fleet.Watch:
		return false, fmt.Sprintf("%s: keep an eye on it; %s.", chance, suspect)
	}
	return false, ""
}

// dayMonth writes a date as 3 October 2025.
func dayMonth(d fleet.Date) string {
	y, m, day := d.YMD()
	return fmt.Sprintf("%d %s %d", day, m, y)
}
