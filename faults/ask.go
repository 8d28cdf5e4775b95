package faults

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// Ask is a check as it is put to a person, its limits filled in.
type Ask struct {
	Check    Check     `json:"check"`
	Title    string    `json:"title"`
	Again    bool      `json:"again"` // it was asked before: nobody knew, it does not fit the others, or one reading is not enough
	Why      string    `json:"why"`
	How      []string  `json:"how"`
	Expect   string    `json:"expect"` // what a sound unit shows
	Outcomes []Outcome `json:"outcomes"`
	Unit     string    `json:"unit"` // of the figure that may be given; empty: outcomes only
	Low      float64   `json:"low"`  // what is believed of that figure
	High     float64   `json:"high"`
	Minutes  float64   `json:"minutes"`
	Tools    []string  `json:"tools"`
	Cautions []string  `json:"cautions"`
}

// Outcome is one answer that can be given.
type Outcome struct {
	ID    string `json:"id"`
	Text  string `json:"text"`
	Means string `json:"means"`
}

// Look shows any check as it would be asked now, so that an answer can be changed or given before it is asked for.
func (s Session) Look(id Check) (Ask, error) {
	i, found := find(id)
	if !found {
		return Ask{}, fmt.Errorf("there is no check %q", id)
	}
	k := s.known()
	p := k.posterior(s.Prior.chances(s.Facts), -1)
	return *s.ask(i, p, false), nil
}

// Said is one answer that stands, for lists.
type Said struct {
	Check Check     `json:"check"`
	Title string    `json:"title"`
	Text  string    `json:"text"` // what was found, with its figure
	Void  bool      `json:"void"` // it says nothing, as what it needs did not hold
	By    string    `json:"by"`
	At    time.Time `json:"at"`
}

// Said lists the answers that stand, in the order in which they were given; one that was given anew stands where it was.
func (s Session) Said() []Said {
	all := []Said{}
	k := s.known()
	last := map[Check]Answer{}
	for _, a := range s.Answers {
		last[a.Check] = a
	}
	listed := map[Check]bool{}
	for _, first := range s.Answers {
		i, found := find(first.Check)
		if !found || listed[first.Check] {
			continue
		}
		listed[first.Check] = true
		a := last[first.Check]
		all = append(all, Said{a.Check, checks[i].title, k.text(i), k.void(i), a.By, a.At})
	}
	return all
}

// text is what was found at check i.
func (k known) text(i int) string {
	s := k.said[i]
	if s.outcome < 0 {
		return "not known"
	}
	if first := s.reads[0]; s.contradicts() {
		return fmt.Sprintf("%s; first it was: %s", k.readText(i, s.reads[len(s.reads)-1]), k.readText(i, first))
	}
	return k.readText(i, read{s.outcome, s.value})
}

func (k known) readText(i int, r read) string {
	text := k.facts.words(checks[i].answers[r.outcome].text)
	if v, known := r.value.Get(); known {
		text = fmt.Sprintf("%s %s (%s)", figure(v), checks[i].number.unit, text)
	}
	return text
}

func (s Session) ask(i int, p chances, again bool) *Ask {
	c, f := checks[i], s.Facts
	a := &Ask{
		Check: c.id, Title: c.title, Again: again, Why: f.words(c.why), Expect: f.words(c.expect),
		Minutes: c.minutes, Tools: append([]string{}, c.tools...), Cautions: append([]string{}, c.caution...),
	}
	if again && !s.known().told(c.id) {
		a.Why = "Nobody knew it before, and it is now what would tell most. " + a.Why
	}
	if apart := separates(p, i); apart != "" {
		a.Why += " " + apart
	}
	for _, h := range c.how {
		a.How = append(a.How, f.words(h))
	}
	for _, o := range c.answers {
		a.Outcomes = append(a.Outcomes, Outcome{o.id, f.words(o.text), f.words(o.means)})
	}
	if c.number.sort != nil {
		a.Unit = c.number.unit
		a.Low, a.High = c.believed(f)
		if c.id == DrainMA {
			a.Outcomes[2].Means += f.lasts()
		}
	}
	if c.cranks && s.justCranked() {
		a.Cautions = append([]string{restStarter}, a.Cautions...)
	}
	return a
}

// justCranked tells whether the last answer came from a check that turned the starter.
func (s Session) justCranked() bool {
	if len(s.Answers) == 0 {
		return false
	}
	i, found := find(s.Answers[len(s.Answers)-1].Check)
	return found && checks[i].cranks && checks[i].id != Key
}

// separates names the two jobs that the check tells apart best, weighed by how likely they are.
func separates(p chances, i int) string {
	order, chance := p.leading()
	const looked = 5 // the leading ones
	most, a, b := 0.0, -1, -1
	for x := range order[:looked] {
		for y := range order[:x] {
			one, two := p.top(order[y]), p.top(order[x])
			apart := 0.0
			for _, l := range tables[i].said {
				apart += math.Abs(l[one] - l[two])
			}
			if v := apart * chance[x] * chance[y]; v > most {
				most, a, b = v, y, x
			}
		}
	}
	const tells = 0.005
	if most < tells {
		return ""
	}
	return fmt.Sprintf("It tells %s (%s) from %s (%s).", p.short(order[a]), percent(chance[a]), p.short(order[b]), percent(chance[b]))
}

// lasts says how long a full battery lasts at the limit.
func (f Facts) lasts() string {
	days, known := f.DaysToNoStart(3 * f.DrainMA()).Get()
	if !known {
		return ""
	}
	return fmt.Sprintf(" At that current a full battery no longer starts after %.0f days at most.", days)
}

// percent never says that something is certain or impossible.
func percent(p float64) string {
	switch {
	case p < 0.01:
		return "under 1 %"
	case p > 0.99:
		return "over 99 %"
	}
	return fmt.Sprintf("%.0f %%", 100*p)
}

func figure(v float64) string { return strconv.FormatFloat(math.Round(v*1000)/1000, 'f', -1, 64) }

// words fills the limits of this unit into a text.
func (f Facts) words(text string) string {
	if !strings.Contains(text, "{") {
		return text
	}
	rest := f.restLimits()
	strict, most := f.GroundDropV()
	chargeLow, chargeHigh := f.ChargeV()
	pairs := []string{
		"{V}", strconv.Itoa(f.SystemVolts), "{fineV}", figure(rest.fineV), "{enoughV}", figure(rest.enoughV), "{flatV}", figure(rest.flatV),
		"{loadV}", figure(math.Round(10*f.LoadTestLimitV()) / 10), "{lowV}", figure(f.CrankLowV()), "{idleV}", figure(f.IdleCrankV()),
		"{posV}", figure(f.PositiveDropV()), "{gndV}", figure(strict), "{gndMaxV}", figure(most), "{solV}", figure(f.SolenoidDropV()),
		"{openV}", figure(f.openContactsV()), "{clampV}", figure(f.ClampDropV()), "{sigV}", figure(f.SignalLossV()),
		"{chgLow}", figure(chargeLow), "{chgHigh}", figure(chargeHigh), "{rippleV}", figure(f.RippleV()), "{drainMA}", fmt.Sprintf("%.0f", f.DrainMA()), "{drainManyMA}", fmt.Sprintf("%.0f", 3*f.DrainMA()),
		"{pullV}", map[int]string{12: "8", 24: "18"}[f.SystemVolts], // a car's service manual; US Army TM 5-3895-382-24
	}
	pairs = append(pairs, f.ratingWords()...)
	pairs = append(pairs, f.currentWords()...)
	pairs = append(pairs, f.gearboxWords()...)
	pairs = append(pairs, ", {brake}", ", foot on the brake"+f.clutchWords(), "{brake}", "Foot on the brake"+f.clutchWords(), "{frost}", f.frostWords())
	return strings.NewReplacer(pairs...).Replace(text)
}

func (f Facts) ratingWords() []string {
	rated, known := f.RatedCCAA.Get()
	temp := "its temperature (taken as 20 °C)"
	if t, is := f.TemperatureC.Get(); is {
		temp = strings.Replace(fmt.Sprintf("%.0f °C", t), "-", "−", 1)
	}
	if !known {
		return []string{"{temp}", temp, " {rating}", "", " {ccaGood}", "", " {ccaWeak}", "", " {ccaPoor}", "", "{loadA}", "half its cold cranking rating"}
	}
	return []string{
		"{temp}", temp, "{rating}", strings.TrimRight(fmt.Sprintf("(%.0f A %s", rated, strings.ToUpper(string(f.CCAStandard))), " ") + ")",
		"{ccaGood}", fmt.Sprintf("(%.0f A)", math.Ceil(ccaGoodFrom*rated)), "{ccaWeak}", fmt.Sprintf("(%.0f to %.0f A)", ccaPoorBelow*rated, ccaGoodFrom*rated),
		"{ccaPoor}", fmt.Sprintf("(%.0f A)", ccaPoorBelow*rated), "{loadA}", fmt.Sprintf("%.0f A (half its rating)", rated/2),
	}
}

func (f Facts) currentWords() []string {
	low, high, ok := f.StarterCurrentA()
	if !ok {
		return []string{" {drawLow}", "", " {drawNormal}", "", " {drawHigh}", ""}
	}
	return []string{
		"{drawLow}", fmt.Sprintf("(%.0f A or less)", low), "{drawNormal}", fmt.Sprintf("(%.0f to %.0f A)", low, high), "{drawHigh}", fmt.Sprintf("(above %.0f A)", high),
	}
}

// clutchWords go on after the foot on the brake.
func (f Facts) clutchWords() string {
	switch f.Gearbox {
	case fleet.Automatic:
		return ""
	case fleet.Manual:
		return ", clutch pressed home"
	}
	return ", a clutch pressed home"
}

// frostWords say why ice is asked about.
func (f Facts) frostWords() string {
	if f.TemperatureC.IsKnown() {
		return "It stands below freezing"
	}
	return "It may have stood below freezing"
}

func (f Facts) gearboxWords() []string {
	switch f.Gearbox {
	case fleet.Automatic:
		return []string{
			"{park}", "park", "{interlock}", "neutral/park switch", "{neutral}", "lever in neutral",
			"{other}", "Push the lever fully into park and try; then try once in neutral. Try nothing else: no other position may crank.",
		}
	case fleet.Manual:
		return []string{
			"{park}", "neutral", "{interlock}", "clutch switch", "{neutral}", "lever in neutral",
			"{other}", "Press the clutch fully home, mat and all out of its way, and try in neutral.",
		}
	}
	return []string{
		"{park}", "park or neutral", "{interlock}", "neutral/park switch or clutch switch", "{neutral}", "lever in neutral",
		"{other}", "Automatic: push the lever fully into park and try, then once in neutral. Manual: press the clutch fully home and try in neutral.",
	}
}
