package alerts

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rimeyard/internal/fleet"
)

// Wanted is what may be asked of a shelf for one part while an order is on its way.
type Wanted struct {
	Certain int             // pieces for work that is planned
	Fails   map[int]float64 // failures that are expected, by the pieces that each takes
	Short   fleet.Money     // what one piece too few costs; 0: not known
	Left    fleet.Money     // what one piece too many costs; 0: not known
}

// Level is the number of pieces, on the shelf and on order together, at or below which more are ordered.
type Level struct {
	Pieces   int
	Expected float64 // pieces that are expected to be asked for
	Target   float64 // chance that they suffice which is aimed at
	Service  float64 // that they do
}

const (
	// usualService is aimed at where a cost is not known (common practice, no source).
	usualService = 0.95
	// mostService bounds what is aimed at: beyond it the demand is not known well enough (common practice, no source).
	mostService = 0.995
	// mostPieces bounds a level: a depot that may need more has other worries.
	mostPieces = 10_000
)

// ReorderLevel is the smallest number of pieces n for which
//
//	P(certain + D ≤ n) ≥ Short / (Short + Left),   D = Σ k·N_k,   N_k Poisson with the expected failures that take k pieces each.
//
// The ratio is the newsvendor's (Arrow, Harris & Marschak 1951, Optimal Inventory Policy; from memory), the distribution of D
// comes by Panjer's recursion for the compound Poisson: p₀ = exp(−Σλ_k), p_n = (1/n)·Σ k·λ_k·p_(n−k) (Panjer 1981; from memory).
func ReorderLevel(w Wanted) Level {
	l := Level{Target: usualService, Expected: float64(w.Certain)}
	if w.Short > 0 && w.Left > 0 {
		l.Target = min(mostService, float64(w.Short)/float64(w.Short+w.Left))
	}
	sizes := make([]int, 0, len(w.Fails))
	total := 0.0
	for k, rate := range w.Fails {
		if k > 0 && rate > 0 {
			sizes = append(sizes, k)
		}
	}
	slices.Sort(sizes)
	for _, k := range sizes {
		total += w.Fails[k]
		l.Expected += float64(k) * w.Fails[k]
	}
	p := []float64{math.Exp(-total)}
	l.Service = p[0]
	for n := 1; l.Service < l.Target && n <= mostPieces; n++ {
		next := 0.0
		for _, k := range sizes {
			if k <= n {
				next += float64(k) * w.Fails[k] * p[n-k]
			}
		}
		p = append(p, next/float64(n))
		l.Service += next / float64(n)
	}
	l.Pieces = w.Certain + len(p) - 1
	return l
}

// Why says in a sentence what a level rests on.
func (l Level) Why(w Wanted, leadDays int) string {
	until := fmt.Sprintf("in the %d days until an order is there, ", leadDays)
	if leadDays == 1 {
		until = "in the day until an order is there, "
	}
	fails := l.Expected - float64(w.Certain)
	var takes []string
	if w.Certain > 0 {
		takes = append(takes, "planned work takes "+piecesWords(float64(w.Certain)))
	}
	switch {
	case fails >= 0.05:
		takes = append(takes, "failures are expected to take "+piecesWords(fails))
	case w.Certain == 0 && l.Pieces == 0:
		return until + "hardly any piece is expected to be wanted"
	default:
		takes = append(takes, "hardly any failure is expected")
	}
	said := until + strings.Join(takes, " and ")
	sure := math.Floor(100 * l.Service)
	switch {
	case sure >= 100:
		return fmt.Sprintf("%s: %s enough", said, isOrAre(l.Pieces))
	case l.Pieces == 0:
		return fmt.Sprintf("%s: %.0f times in a hundred no piece is wanted", said, sure)
	}
	return fmt.Sprintf("%s: %s enough %.0f times in a hundred", said, isOrAre(l.Pieces), sure)
}

// piecesWords writes pieces, to a tenth where they are no whole number.
func piecesWords(n float64) string {
	switch said := strings.TrimSuffix(fmt.Sprintf("%.1f", n), ".0"); said {
	case "1":
		return "1 piece"
	default:
		return said + " pieces"
	}
}

func isOrAre(n int) string {
	if n == 1 {
		return "1 is"
	}
	return fmt.Sprintf("%d are", n)
}

// holdingShare of its price is what a piece costs that is left over for a year: money, space, and a battery's ageing (common practice, no
// source).
const holdingShare = 0.25

// StockWanted is what the shelves of the depots may be asked for within the days that an order of the part takes: by the failures that the
// outlooks expect, and by open jobs and choices of the plan that have no part put by yet. Prices are of one piece; leadDays are by part, and
// usualLeadDays where there are none. A failure counts for the part that is suspected of it.
func StockWanted(listed []fleet.Listed, jobs []fleet.Job, choices []fleet.PlanChoice, prices map[string]fleet.Money, leadDays map[string]int, asOf, today fleet.Date) map[fleet.DepotID]map[string]Wanted {
	g := stockGather{prices: prices, leadDays: leadDays, asOf: asOf, today: today, all: map[fleet.DepotID]map[string]Wanted{}, due: map[fleet.UnitID]map[fleet.Part]fleet.Date{}, held: map[fleet.UnitID]map[fleet.Part]bool{}}
	for _, c := range choices {
		if monday, planned := c.Monday.Get(); planned && !c.Retest {
			for _, part := range c.Parts {
				g.plan(c.Unit, part, monday)
			}
		}
	}
	for _, j := range jobs {
		switch {
		case !j.Exchanges():
		case j.State.Done() || j.State == fleet.JobReserved || j.State == fleet.JobOnBench && j.PartNumber != "":
			g.hold(j.Unit, j.Part)
		default:
			g.plan(j.Unit, j.Part, j.Monday.Or(today))
		}
	}
	for _, l := range listed {
		if l.Outlook != nil {
			g.add(l)
		}
	}
	return g.all
}

// UsualLeadDays is how long a part takes to come where no order of it has arrived yet (common practice, no source).
const UsualLeadDays = 7

type stockGather struct {
	prices      map[string]fleet.Money
	leadDays    map[string]int
	asOf, today fleet.Date
	due         map[fleet.UnitID]map[fleet.Part]fleet.Date
	held        map[fleet.UnitID]map[fleet.Part]bool
	all         map[fleet.DepotID]map[string]Wanted
}

func (g *stockGather) plan(unit fleet.UnitID, part fleet.Part, on fleet.Date) {
	if g.due[unit] == nil {
		g.due[unit] = map[fleet.Part]fleet.Date{}
	}
	if before, planned := g.due[unit][part]; !planned || on < before {
		g.due[unit][part] = on
	}
}

func (g *stockGather) hold(unit fleet.UnitID, part fleet.Part) {
	if g.held[unit] == nil {
		g.held[unit] = map[fleet.Part]bool{}
	}
	g.held[unit][part] = true
}

func (g *stockGather) add(l fleet.Listed) {
	for _, kind := range []fleet.Part{fleet.BatteryPart, fleet.StarterPart} {
		pieces := map[string]int{}
		for _, number := range l.Outlook.Fitted[kind] {
			pieces[number]++
		}
		for number, k := range pieces {
			g.want(l, kind, number, k)
		}
	}
}

func (g *stockGather) want(l fleet.Listed, kind fleet.Part, number string, pieces int) {
	depot := l.Unit.Depot
	if g.all[depot] == nil {
		g.all[depot] = map[string]Wanted{}
	}
	w := g.all[depot][number]
	if w.Fails == nil {
		w.Fails = map[int]float64{}
	}
	lead, known := g.leadDays[number]
	if !known {
		lead = UsualLeadDays
	}
	if short, known := l.Outlook.NoStartCost.Get(); known {
		w.Short = max(w.Short, short)
	}
	w.Left = fleet.RoundMoney(g.prices[number].Amount() * holdingShare)
	on, planned := g.due[l.Unit.ID][kind]
	switch {
	case g.held[l.Unit.ID][kind]:
	case planned && on <= g.today+fleet.Date(lead):
		w.Certain += pieces
	default:
		w.Fails[pieces] += g.chance(l, lead) * l.Forecast.SuspectProbabilities[kind]
	}
	g.all[depot][number] = w
}

// chance that the unit fails within the lead time, given that it has not until now. Weeks of the outlook end on Sundays.
func (g *stockGather) chance(l fleet.Listed, lead int) float64 {
	weeks := l.Outlook.ChanceByWeek
	at := func(d fleet.Date) float64 {
		into := float64(d-g.asOf.Monday()) / 7 // weeks gone by since the first began
		whole := int(math.Floor(into))
		value := func(i int) float64 {
			if i < 0 || len(weeks) == 0 {
				return 0
			}
			return weeks[min(i, len(weeks)-1)]
		}
		return value(whole-1) + (into-float64(whole))*(value(whole)-value(whole-1))
	}
	gone := at(max(g.asOf, g.today))
	if gone >= 1 {
		return 0
	}
	return max(0, (at(g.today+fleet.Date(lead))-gone)/(1-gone))
}

// ShelfCharge is whether a battery on a shelf wants charging, and why.
type ShelfCharge struct {
	Due fleet.Opt[fleet.Date] // unknown: nothing is known that it could be counted from
	Now bool
	Why string
}

// Batteries on shelves are charged at least this often, and whenever they rest below three quarters of their charge (chargedV). Three months:
// common practice, no source; for hot climates TM 9-6140-200-14 asks for two.
const chargeMonths = 3

// ShelfBatteryCharge says when a battery on a shelf is to be charged next: by its newest rest volts after the last charge, else by the time since
// that charge, since it was made, or since it came.
func ShelfBatteryCharge(b fleet.ShelfBattery, today fleet.Date) ShelfCharge {
	since, from := b.CameOn, "it came"
	if made, known := b.MadeOn.Get(); known {
		since, from = made, "it was made"
	}
	charged, known := b.ChargedOn.Get()
	if known {
		since, from = charged, "it was last charged"
	}
	due := since.AddMonths(chargeMonths)
	c := ShelfCharge{Due: fleet.Known(due), Now: due <= today, Why: fmt.Sprintf("%d months after %s", chargeMonths, from)}
	v, read := b.RestV.Get()
	if read && v < chargedV && (!known || b.TestedOn.Or(0) > charged) {
		return ShelfCharge{Due: fleet.Known(min(due, today)), Now: true, Why: fmt.Sprintf("it rests at %.2f V, below %.1f V, three quarters of its charge", v, chargedV)}
	}
	return c
}
