package alerts

import (
	"cmp"
	"fmt"
	"iter"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// AuditInput is a list that was issued, and what became of its units.
type AuditInput struct {
	List      fleet.RankedList
	Depots    []fleet.Depot
	Temps     map[fleet.DepotID][]fleet.DayTemp // for the rule of cranking volts, where a logger has no thermometer
	Histories iter.Seq2[fleet.History, error]   // one per unit, whole; the first error ends the work
	Through   fleet.Opt[fleet.Date]             // last day of which everything is known; unknown: the season's end

	Issue      *fleet.Issue               // the issue that the list was given out by; nil: the list was made afterwards, by [Replay]
	WithNights map[fleet.UnitID]float64   // see [Replayed]; may be nil
	ByWinter   map[fleet.UnitID][]float64 // likewise
	Random     Random                     // for the intervals that come by resampling; nil: they stay unknown
	Bench      []fleet.BenchResult        // what the bench said of parts that came out; a part that is found good was not the failure
}

// Random draws numbers from 0 to n − 1. The same stream gives the same audit.
type Random interface{ IntN(n int) int }

// Scored is one unit of the list and what the season brought it.
type Scored struct {
	Unit     fleet.UnitID          `json:"unit"`
	Depot    fleet.DepotID         `json:"depot"`
	Band     fleet.Band            `json:"band"`
	P        float64               `json:"no_start_probability"`
	PNights  fleet.Opt[float64]    `json:"no_start_probability_with_nights"` // had the nights been known that came
	Suspect  fleet.Part            `json:"suspect"`
	Failed   bool                  `json:"failed"`
	FailedOn fleet.Opt[fleet.Date] `json:"failed_on"`
	Cause    fleet.Part            `json:"cause"`      // of the first failure; empty: none
	Cleared  bool                  `json:"found_good"` // the part that it was put down to came out, and the bench found it good
	AgeYears fleet.Opt[float64]    `json:"battery_age_years"`
	TestPct  fleet.Opt[float64]    `json:"last_test_pct"`
	LowestV  fleet.Opt[float64]    `json:"lowest_cranking_v"` // per 12 V

	FailureCost fleet.Opt[fleet.Money] `json:"failure_cost"`
	SwapCost    fleet.Opt[fleet.Money] `json:"swap_cost"`    // of what the list named
	BatteryCost fleet.Opt[fleet.Money] `json:"battery_cost"` // of all its batteries, which the rules of thumb lead to swap

	byWinter []float64 // chance in each past winter
}

// Span is a 95 % interval.
type Span struct {
	Low  float64 `json:"low"`
	High float64 `json:"high"`
}

// Where the list that is audited comes from.
const (
	SourceIssued   = "issued"   // what was given out at the time
	SourceReplayed = "replayed" // made afterwards, from what was known at the time
)

// AuditResult says how good an issued list was. What cannot be computed, as an area under a curve without a failure, is unknown.
type AuditResult struct {
	AsOf       fleet.Date            `json:"as_of"`
	Season     fleet.Season          `json:"season"`
	Through    fleet.Date            `json:"through"`
	SeasonOver bool                  `json:"season_over"`
	Source     string                `json:"source"`
	Method     string                `json:"method"`
	IssuedOn   fleet.Opt[fleet.Date] `json:"issued_on"` // in UTC; unknown: it was not issued
	TooFew     bool                  `json:"too_few_failures"`
	Judgement  string                `json:"judgement"`

	Listed           int `json:"listed"`
	Scored           int `json:"scored"`
	Failed           int `json:"failed"`
	TakenOut         int `json:"taken_out"` // had a part taken out before it could fail: neither failed nor held
	FailedAfterwards int `json:"failed_after_taken_out"`
	NoProbability    int `json:"no_probability"`
	NoHistory        int `json:"no_history"`
	NotListed        int `json:"not_listed"` // came after the list was issued

	Expected         float64 `json:"expected_failures"`      // sum of the probabilities of those scored
	ExpectedSD       float64 `json:"expected_sd"`            // of the number of failures: by luck, and by the winter that comes for all
	WintersInSD      int     `json:"winters_in_expected_sd"` // past winters that ExpectedSD reckons with; 0: with luck alone, so it is too small
	TakenOutExpected float64 `json:"taken_out_expected"`

	Nights NightsCame `json:"with_nights"`
	Swaps  int        `json:"swaps_advised"` // units in the bands swap and down

	Forecast Ranking   `json:"forecast"`
	Rules    []Ranking `json:"rules"`
	Scores   Scores    `json:"scores"`
	Tenths   []Group   `json:"tenths"` // by probability, equal counts
	Bands    []Group   `json:"bands"`
	Parts    Parts     `json:"parts"`
	Units    []Scored  `json:"units"`
}

// Parts says how often the part that was named turned out to be the cause.
type Parts struct {
	Failed      int         `json:"failed"`     // but for those whose part the bench found good
	FoundGood   int         `json:"found_good"` // these
	Right       int         `json:"right"`
	Caught      int         `json:"caught"` // failures among as many top units as failed
	CaughtRight int         `json:"caught_right"`
	ByCause     []CauseHits `json:"by_cause"`

	RightShare  fleet.Opt[Span] `json:"right_share_interval"`
	CaughtShare fleet.Opt[Span] `json:"caught_right_share_interval"`
}

// NightsCame is what the list would have expected had the nights been known, of the units for which they are.
type NightsCame struct {
	Units      int     `json:"units"`
	Expected   float64 `json:"expected_failures"`
	ExpectedSD float64 `json:"expected_sd"`
	Failed     int     `json:"failed"`
}

// CauseHits are the failures of one cause, and of how many it had been named.
type CauseHits struct {
	Cause  fleet.Part `json:"cause"`
	Failed int        `json:"failed"`
	Right  int        `json:"right"`
}

// fewFailures is the count under which the figures are not worth a judgement: with 20 failures the area under the
// curve still has a standard error of about 0.06 (Hanley & McNeil 1982).
const fewFailures = 20

// Audit holds a list against what the season brought, beside the rules of thumb in use today.
//
// A unit failed if it broke down for its battery, starter, cables, charging or control on or after the day of the list
// and within the season, days being the depot's. The probability speaks of the unit as it stood, so the first event
// decides: a unit that had a battery or starter taken out (preventively, condemned or sold) before it broke down is
// counted neither as failed nor as having held; such units are counted apart, with the failures that were forecast for
// them. Rules see only rows from before the list was made.
func Audit(in AuditInput) (AuditResult, error) {
	whole, _, err := audit(in, false)
	return whole, err
}

// AuditDepots is [Audit] of the whole fleet and of each depot's share of the list by itself, histories being read once.
func AuditDepots(in AuditInput) (whole AuditResult, depots map[fleet.DepotID]AuditResult, err error) {
	return audit(in, true)
}

func audit(in AuditInput, byDepot bool) (AuditResult, map[fleet.DepotID]AuditResult, error) {
	a := newAuditing(in)
	for h, err := range in.Histories {
		if err != nil {
			return AuditResult{}, nil, fmt.Errorf("auditing the list of %s: %w", in.List.AsOf, err)
		}
		a.outcomes = append(a.outcomes, a.outcomeOf(h))
	}
	slices.SortFunc(a.outcomes, func(x, y outcome) int { return strings.Compare(string(x.unit), string(y.unit)) })
	a.price()
	listed := map[fleet.DepotID]int{}
	for _, f := range in.List.Units {
		listed[f.Depot]++
	}
	whole := a.result(len(in.List.Units), func(fleet.DepotID) bool { return true })
	depots := map[fleet.DepotID]AuditResult{}
	if byDepot {
		for _, depot := range slices.Sorted(maps.Keys(listed)) {
			depots[depot] = a.result(listed[depot], func(d fleet.DepotID) bool { return d == depot })
		}
	}
	return whole, depots, nil
}

type auditing struct {
	in       AuditInput
	zones    map[fleet.DepotID]*time.Location
	listed   map[fleet.UnitID]fleet.Forecast
	bench    map[fleet.UnitID][]fleet.BenchResult
	temps    map[fleet.DepotID]map[fleet.Date]fleet.DayTemp
	from     fleet.Date
	to       fleet.Date
	outcomes []outcome // one per history
}

// outcome is what became of one unit.
type outcome struct {
	unit     fleet.UnitID
	depot    fleet.DepotID // as listed, else as it is now
	kind     outcomeKind
	p        float64
	failed   bool
	scored   Scored // where the kind is scored
	of       fleet.Unit
	paid     paid
	suspects fleet.Opt[fleet.Money] // what the swap of the suspect costs, as listed
}

type outcomeKind int

const (
	scored outcomeKind = iota
	notListed
	noProbability
	tookOut
)

func newAuditing(in AuditInput) *auditing {
	a := &auditing{in: in, zones: map[fleet.DepotID]*time.Location{}, listed: map[fleet.UnitID]fleet.Forecast{}, bench: map[fleet.UnitID][]fleet.BenchResult{}, temps: map[fleet.DepotID]map[fleet.Date]fleet.DayTemp{}}
	season := in.List.Season
	a.from, a.to = max(in.List.AsOf, season.From), min(season.To, in.Through.Or(season.To))
	for _, d := range in.Depots {
		a.zones[d.ID] = d.Zone()
	}
	for _, f := range in.List.Units {
		a.listed[f.Unit] = f
	}
	for _, b := range in.Bench {
		a.bench[b.Unit] = append(a.bench[b.Unit], b)
	}
	for depot, days := range in.Temps {
		a.temps[depot] = make(map[fleet.Date]fleet.DayTemp, len(days))
		for _, d := range days {
			a.temps[depot][d.Date] = d
		}
	}
	return a
}

// outcomeOf settles what became of one unit.
func (a *auditing) outcomeOf(h fleet.History) outcome {
	f, listed := a.listed[h.Unit.ID]
	o := outcome{unit: h.Unit.ID, depot: h.Unit.Depot, kind: notListed, of: h.Unit, paid: paidFor(h, a.in.List.AsOf), suspects: f.SwapCost}
	if !listed {
		return o
	}
	o.depot, o.kind = f.Depot, noProbability
	p, known := f.NoStartProbability.Get()
	if !known {
		return o
	}
	zone := a.zones[f.Depot]
	if zone == nil {
		zone = time.UTC
	}
	failedOn, cause := a.failure(h, zone)
	o.p, o.failed, o.kind = p, failedOn.IsKnown(), tookOut
	if out, taken := a.takenOut(h).Get(); taken && out < failedOn.Or(out+1) {
		return o
	}
	o.kind = scored
	s := Scored{Unit: f.Unit, Depot: f.Depot, Band: f.Band, P: p, Suspect: f.Suspect, Failed: o.failed, FailedOn: failedOn, Cause: cause}
	if on, failed := failedOn.Get(); failed {
		s.Cleared = cleared(h, cause, on, a.bench[h.Unit.ID])
	}
	if with, known := a.in.WithNights[f.Unit]; known {
		s.PNights = fleet.Known(with)
	}
	s.byWinter = a.in.ByWinter[f.Unit]
	before := inOrder(h).AsOf(a.in.List.AsOf, zone)
	s.AgeYears = batteryAge(before, a.in.List.AsOf)
	s.TestPct = lastTestPct(before, zone)
	s.LowestV = lowestCrankingV(before, a.in.List.AsOf, zone, a.temps[f.Depot])
	o.scored = s
	return o
}

// failure is the first one of the starting system in the season.
func (a *auditing) failure(h fleet.History, zone *time.Location) (on fleet.Opt[fleet.Date], cause fleet.Part) {
	var first time.Time
	for _, b := range h.Breakdowns {
		day := fleet.DateOf(b.At, zone)
		if b.Cause == fleet.OtherPart || day < a.from || day > a.to {
			continue
		}
		if !on.IsKnown() || b.At.Before(first) {
			on, cause, first = fleet.Known(day), b.Cause, b.At
		}
	}
	return on, cause
}

// takenOut is the first day of the season on which a part was taken out. A part booked as failed may have been booked
// the day before the breakdown that it caused.
func (a *auditing) takenOut(h fleet.History) (on fleet.Opt[fleet.Date]) {
	consider := func(removed fleet.Opt[fleet.Date], because fleet.Removal) {
		day, known := removed.Get()
		if !known || day < a.from || day > a.to {
			return
		}
		switch because {
		case fleet.RemovedFailed:
			day++
		case fleet.RemovedPreventive, fleet.RemovedSold:
		default:
			return
		}
		on = fleet.Known(min(day, on.Or(day)))
	}
	for _, f := range h.Batteries {
		consider(f.RemovedOn, f.RemovedBecause)
	}
	for _, f := range h.Starters {
		consider(f.RemovedOn, f.RemovedBecause)
	}
	return on
}

// result sums up the outcomes of the depots that are its own.
func (a *auditing) result(listed int, own func(fleet.DepotID) bool) AuditResult {
	season := a.in.List.Season
	r := AuditResult{
		AsOf: a.in.List.AsOf, Season: season, Through: a.to, SeasonOver: a.to >= season.To, Source: SourceReplayed, Method: Method,
		Listed: listed, NoHistory: listed, Units: []Scored{},
	}
	if issue := a.in.Issue; issue != nil {
		r.Source, r.Method, r.IssuedOn = SourceIssued, issue.Method, fleet.Known(fleet.DateOf(issue.IssuedAt, time.UTC))
	}
	for i := range a.outcomes {
		if own(a.outcomes[i].depot) {
			r.count(&a.outcomes[i])
		}
	}
	r.judgeUnits(a.in.Random)
	return r
}

func (r *AuditResult) count(o *outcome) {
	if o.kind == notListed {
		r.NotListed++
		return
	}
	r.NoHistory--
	switch o.kind {
	case noProbability:
		r.NoProbability++
	case tookOut:
		r.TakenOut++
		r.TakenOutExpected += o.p
		if o.failed {
			r.FailedAfterwards++
		}
	default:
		r.Units = append(r.Units, o.scored)
	}
}

// judgeUnits computes all figures from the units that were scored.
func (r *AuditResult) judgeUnits(random Random) {
	r.Scored = len(r.Units)
	p, failed := make([]float64, r.Scored), make([]bool, r.Scored)
	for i, s := range r.Units {
		p[i], failed[i] = s.P, s.Failed
		r.Expected += s.P
		if s.Failed {
			r.Failed++
		}
		if s.Band == fleet.Swap || s.Band == fleet.Down {
			r.Swaps++
		}
		if with, known := s.PNights.Get(); known {
			r.Nights.Units++
			r.Nights.Expected += with
			r.Nights.ExpectedSD += with * (1 - with)
			if s.Failed {
				r.Nights.Failed++
			}
		}
	}
	r.Nights.ExpectedSD = math.Sqrt(r.Nights.ExpectedSD)
	r.ExpectedSD, r.WintersInSD = spreadOfFailures(r.Units)
	tenths := equalCounts(p, 10)
	r.Forecast = rankingOf("forecast", "probability of this list", p, failed, r.Scored)
	r.Scores = scoresOf(p, failed, tenths)
	orders := []ordering{newOrdering(p, gains(r.Units, Scored.listGain))}
	for _, rule := range rules(r.Units) {
		r.Rules = append(r.Rules, rankingOf(rule.name, rule.says, rule.value, failed, rule.known))
		orders = append(orders, newOrdering(rule.value, gains(r.Units, Scored.ruleGain)))
	}
	r.save(orders)
	r.resample(orders, p, failed, tenths, random)
	r.Tenths = groupsOf(p, failed, tenths, func(k int) string { return fmt.Sprintf("tenth %d", k+1) })
	r.Bands = bandGroups(r.Units, p, failed)
	addNights(r.Tenths, r.Units, tenths)
	addNights(r.Bands, r.Units, bandNumbers(r.Units))
	r.Parts = partHits(r.Units, p)
	r.TooFew = r.Failed < fewFailures
	r.Judgement = r.judge()
}

func auditBands() []fleet.Band {
	return []fleet.Band{fleet.Down, fleet.Swap, fleet.Watch, fleet.Sound, fleet.UnknownBand}
}

func bandNumbers(units []Scored) []int {
	bands := auditBands()
	of := make([]int, len(units))
	for i, s := range units {
		if of[i] = slices.Index(bands, s.Band); of[i] < 0 {
			of[i] = len(bands) - 1
		}
	}
	return of
}

func bandGroups(units []Scored, p []float64, failed []bool) []Group {
	return groupsOf(p, failed, bandNumbers(units), func(k int) string { return string(auditBands()[k]) })
}

// partHits counts where the named part was the cause: among all failures, and among those that stand as high in the list
// as there were failures. Of a failure whose part the bench found good nobody knows the cause, so it is counted apart.
func partHits(units []Scored, p []float64) Parts {
	var parts Parts
	for _, s := range units {
		if s.Failed {
			parts.Failed++
		}
		if s.Failed && s.Cleared {
			parts.FoundGood++
		}
	}
	bar := kthLargest(p, parts.Failed)
	parts.Failed -= parts.FoundGood
	for _, cause := range fleet.Suspects() {
		hits := CauseHits{Cause: cause}
		for _, s := range units {
			if !s.Failed || s.Cause != cause || s.Cleared {
				continue
			}
			right := 0
			if s.Suspect == cause {
				right = 1
			}
			hits.Failed++
			hits.Right += right
			parts.Right += right
			if s.P >= bar {
				parts.Caught++
				parts.CaughtRight += right
			}
		}
		parts.ByCause = append(parts.ByCause, hits)
	}
	parts.RightShare, parts.CaughtShare = shareSpan(parts.Right, parts.Failed), shareSpan(parts.CaughtRight, parts.Caught)
	return parts
}

// judge says in words what the figures allow to say.
func (r AuditResult) judge() string {
	counts := fmt.Sprintf("%d of %d units failed, %.1f were expected", r.Failed, r.Scored, r.Expected)
	if r.Nights.Units > 0 && r.Nights.Units == r.Scored {
		counts += fmt.Sprintf(", %.1f had the nights been known", r.Nights.Expected)
	}
	if !r.SeasonOver {
		counts = fmt.Sprintf("The season runs until %s. Until %s %s for the whole season", r.Season.To, r.Through, counts)
	}
	if r.TooFew {
		return counts + fmt.Sprintf(". With fewer than %d failures these figures are too uncertain to judge the list by.", fewFailures)
	}
	auc, known := r.Forecast.AUC.Get()
	if !known {
		return counts + ". Every unit failed, so an order cannot be judged."
	}
	best := slices.MaxFunc(r.Rules, func(a, b Ranking) int { return cmp.Compare(a.AUC.Or(0), b.AUC.Or(0)) })
	return counts + fmt.Sprintf(". Of a unit that failed and one that held, the list put the right one higher %.0f times in a hundred; the best rule of thumb (%s) %.0f times.",
		100*auc, best.Says, 100*best.AUC.Or(0.5))
}
