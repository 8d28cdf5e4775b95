package reports

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

// WinterListName is the winter list in commands, schedules and file names.
const WinterListName = "winter-list"

// WinterListData is what a winter list is composed of.
type WinterListData struct {
	List        fleet.RankedList
	Previous    *fleet.RankedList // an earlier list, to say what changed; nil: there is none
	Depots      []fleet.Depot
	Depot       fleet.DepotID               // empty: the whole fleet, or Some
	Some        []fleet.DepotID             // several depots but not all
	PastMinimaC map[fleet.DepotID][]float64 // coldest night of each past winter
	TonightC    map[fleet.DepotID]float64   // tonight's forecast low, where there is one
	Anew        map[fleet.UnitID]fleet.Anew // what is said by now of units of which something has come since the list
	Today       fleet.Date
	Mark        string // of List, by which a later letter finds it again; empty: it need not
}

// within leaves what is of those depots (nil: all is left), so that nothing of others can be told.
func (d WinterListData) within(depots []fleet.DepotID) WinterListData {
	if depots == nil {
		return d
	}
	elsewhere := func(depot fleet.DepotID) bool { return !slices.Contains(depots, depot) }
	others := func(f fleet.Forecast) bool { return elsewhere(f.Depot) }
	d.List.Units = slices.DeleteFunc(slices.Clone(d.List.Units), others)
	if d.Previous != nil {
		before := *d.Previous
		before.Units = slices.DeleteFunc(slices.Clone(before.Units), others)
		d.Previous = &before
	}
	d.Depots = among(d.Depots, depots)
	d.PastMinimaC, d.TonightC = maps.Clone(d.PastMinimaC), maps.Clone(d.TonightC)
	maps.DeleteFunc(d.PastMinimaC, func(depot fleet.DepotID, _ []float64) bool { return elsewhere(depot) })
	maps.DeleteFunc(d.TonightC, func(depot fleet.DepotID, _ float64) bool { return elsewhere(depot) })
	d.Anew = maps.Clone(d.Anew)
	maps.DeleteFunc(d.Anew, func(_ fleet.UnitID, a fleet.Anew) bool { return elsewhere(a.Depot) })
	d.Depot, d.Some = Asked{Depots: depots}.Only(), nil
	if d.Depot == "" {
		d.Some = depots
	}
	return d
}

// WinterList is all that the letter prints, ready to show: its templates only range and ask if.
type WinterList struct {
	Subject   string
	Place     string // the depot with its name, or the whole fleet
	Headline  string
	AsOf      string
	Season    string
	Stale     string   // says that the list is old; empty where it is not
	News      string   // of how many units something has come since the list; empty: of none
	First     []string // which units ask for work first, and by when
	Counts    []BandCount
	Since     string // the day of the previous list; empty where there is none
	Changed   bool   // since the previous list, or there is none
	Arrived   []string
	Left      []string
	Moved     []string // from down to swap or back
	Units     []WinterUnit
	More      string // what is not shown; empty where all is
	Money     []string
	Pictures  []Picture
	mark      string
	forecasts []fleet.Forecast // the whole list, for the table that goes with the letter
	data      WinterListData   // what it was made of, for paper and workbook
}

// BandCount is how many units are in a band.
type BandCount struct {
	Look Look
	N    string
}

// WinterUnit is one entry of the list.
type WinterUnit struct {
	Place     int // on this list; the table has the rank in the whole fleet
	Unit      string
	Depot     string // empty where the list is one depot's
	Look      Look
	New       bool
	Chance    string
	ColdLimit string
	Reserve   string // empty where unknown
	Suspect   string
	SwapBy    string // empty where there is nothing to swap
	Cost      string
	Evidence  []string
	Now       string // what is said by now, as something has come since the list; empty: nothing has
}

// How much of the list a letter shows where the caller does not say, and the marks of an old list.
const (
	DefaultTop    = 15
	staleAfter    = 8 // days: a list is issued at least weekly
	mostLadders   = 3
	namesOnLadder = 12
	mostEvidence  = 2 // sentences, beside the check that ends them
	listElsewhere = "; the whole list is in the attached table."
)

// Compose makes the view model of a winter list with its first top entries (0: DefaultTop). An empty list is an error:
// a letter that says nothing would be taken for good news.
func Compose(d WinterListData, top int) (WinterList, error) {
	if top <= 0 {
		top = DefaultTop
	}
	units := ofDepot(d.List.Units, d.Depot)
	if len(units) == 0 {
		return WinterList{}, nothingToTellError{fmt.Errorf("winter list of %s: there is no unit on it; check the depot, or run `rimeyard fit` first", d.place())}
	}
	w := WinterList{
		Place: d.place(), AsOf: DayMonth(d.List.AsOf, d.Today),
		Season: DayMonth(d.List.Season.From, d.Today) + " to " + DayMonth(d.List.Season.To, d.Today),
		Counts: countBands(units),
		mark:   d.Mark, forecasts: units, data: d,
	}
	if age := int(d.Today - d.List.AsOf); age > staleAfter {
		w.Stale = fmt.Sprintf("This list is %d days old: newer readings are not in it.", age)
	}
	w.News = d.news(units)
	c := d.changes(units)
	w.Since, w.Arrived, w.Left, w.Moved, w.Changed = c.since, c.arrived, c.left, c.moved, c.any()
	w.Headline, w.First = headline(units, c), d.first(units)
	w.Subject, w.Headline = oneLine(d.tag()+": "+w.Headline), firstUpper(w.Headline)
	for i, f := range units[:min(top, len(units))] {
		w.Units = append(w.Units, d.unit(i+1, f, c))
	}
	w.More = more(units, top)
	w.Money = moneyWords(units)
	w.Pictures = d.pictures(units, top, MailWidth)
	return w, nil
}

func ofDepot(units []fleet.Forecast, depot fleet.DepotID) []fleet.Forecast {
	var own []fleet.Forecast
	for _, f := range units {
		if depot == "" || f.Depot == depot {
			own = append(own, f)
		}
	}
	slices.SortStableFunc(own, func(a, b fleet.Forecast) int { return cmp.Compare(a.Rank, b.Rank) })
	return own
}

// tag opens the subject line.
func (d WinterListData) tag() string {
	return tagOf(d.asked())
}

func (d WinterListData) place() string { return placeOf(d.asked(), d.Depots) }

// asked are the depots that the list is of; nil: the whole fleet.
func (d WinterListData) asked() []fleet.DepotID {
	if d.Depot != "" {
		return []fleet.DepotID{d.Depot}
	}
	return d.Some
}

// tagOf opens a subject line: the depots' keys, as long as they are few.
func tagOf(asked []fleet.DepotID) string {
	const few = 3
	switch {
	case asked == nil:
		return "Fleet"
	case len(asked) > few:
		return Count(len(asked), "depot")
	}
	return oneLine(joined(asked))
}

// placeOf names depots for a heading.
func placeOf(asked []fleet.DepotID, depots []fleet.Depot) string {
	if asked == nil {
		return "the whole fleet"
	}
	names := make([]string, len(asked))
	for i, id := range asked {
		names[i] = oneLine(string(id))
		for _, depot := range depots {
			if depot.ID == id && depot.Name != "" && depot.Name != string(id) {
				names[i] = oneLine(fmt.Sprintf("%s (%s)", depot.Name, id))
			}
		}
	}
	return strings.Join(names, ", ")
}

func countBands(units []fleet.Forecast) []BandCount {
	n := map[fleet.Band]int{}
	for _, f := range units {
		n[LookOf(f.Band).Band]++
	}
	var counts []BandCount
	for _, l := range Looks() {
		counts = append(counts, BandCount{l, grouped(fmt.Sprint(n[l.Band]))})
	}
	return counts
}

// changes is what became different since the previous list.
type changes struct {
	since   string // the day of the previous list; empty: there is none
	spoken  string // "last week", "3 Nov"
	arrived []string
	left    []string
	moved   []string
	isNew   map[fleet.UnitID]bool
}

// any tells whether there is news; without a previous list all is.
func (c changes) any() bool {
	return c.since == "" || len(c.arrived)+len(c.left)+len(c.moved) > 0
}

// changes compares units that ask for work now with those of the previous list.
func (d WinterListData) changes(units []fleet.Forecast) changes {
	c := changes{isNew: map[fleet.UnitID]bool{}}
	if d.Previous == nil {
		return c
	}
	c.since = DayMonth(d.Previous.AsOf, d.Today)
	c.spoken = c.since
	if days := d.List.AsOf - d.Previous.AsOf; days >= 6 && days <= 8 {
		c.spoken = "last week"
	}
	before := map[fleet.UnitID]fleet.Band{}
	for _, f := range ofDepot(d.Previous.Units, d.Depot) {
		before[f.Unit] = f.Band
	}
	now := map[fleet.UnitID]fleet.Band{}
	for _, f := range units {
		now[f.Unit] = f.Band
		if urgent(f.Band) && !urgent(before[f.Unit]) {
			c.isNew[f.Unit] = true
			c.arrived = append(c.arrived, fmt.Sprintf("%s (%s)", oneLine(string(f.Unit)), LookOf(f.Band).Word))
		} else if urgent(f.Band) && f.Band != before[f.Unit] {
			c.moved = append(c.moved, fmt.Sprintf("%s (now %s, was %s)", oneLine(string(f.Unit)), LookOf(f.Band).Word, LookOf(before[f.Unit]).Word))
		}
	}
	for _, f := range ofDepot(d.Previous.Units, d.Depot) {
		if !urgent(f.Band) || urgent(now[f.Unit]) {
			continue
		}
		left := oneLine(string(f.Unit)) + " (no longer listed here)"
		if band, here := now[f.Unit]; here {
			left = fmt.Sprintf("%s (now %s)", oneLine(string(f.Unit)), LookOf(band).Word)
		}
		c.left = append(c.left, left)
	}
	return c
}

func (d WinterListData) unit(place int, f fleet.Forecast, c changes) WinterUnit {
	u := WinterUnit{
		Place: place, Unit: oneLine(string(f.Unit)), Look: LookOf(f.Band), New: c.isNew[f.Unit],
		Chance: unsaid, ColdLimit: unsaid, Suspect: suspectWords(f), Cost: costWords(f),
	}
	if d.Depot == "" {
		u.Depot = oneLine(string(f.Depot))
	}
	if p, ok := f.NoStartProbability.Get(); ok {
		u.Chance = Chance(p)
	}
	if limit, ok := f.ColdLimitC.Get(); ok {
		u.ColdLimit = Degrees(limit)
		lo, okLo := f.ColdLimitP10C.Get()
		hi, okHi := f.ColdLimitP90C.Get()
		if okLo && okHi {
			u.ColdLimit += fmt.Sprintf(" (%s to %s)", decimal(lo), decimal(hi))
		}
		if low, ok := median(d.PastMinimaC[f.Depot]); ok {
			u.Reserve = fmt.Sprintf("%s on the design night of %s", Margin(low-limit), Degrees(low))
		}
	}
	if by, ok := f.SwapBy.Get(); ok {
		u.SwapBy = DayMonth(by, d.Today)
	}
	u.Evidence, u.Now = shown(f.Evidence), d.by(f.Unit)
	return u
}

// unsplit keeps a sign of measure on the line of its figure.
var unsplit = strings.NewReplacer(" °C", "\u00a0°C", " %", "\u00a0%")

// shown are the most telling sentences and the cheapest check, which ends the evidence where there is something to settle.
func shown(evidence []string) (lines []string) {
	end := len(evidence)
	if end > 0 && strings.HasPrefix(evidence[end-1], alerts.CheckOpens) {
		end--
	}
	for _, e := range slices.Concat(evidence[:min(mostEvidence, end)], evidence[end:]) {
		lines = append(lines, unsplit.Replace(firstUpper(oneLine(e))))
	}
	return lines
}

func suspectWords(f fleet.Forecast) string {
	if f.Suspect == "" {
		return unsaid
	}
	if p, ok := f.SuspectProbabilities[f.Suspect]; ok {
		return fmt.Sprintf("%s, %d %%", f.Suspect, int(math.Round(p*100)))
	}
	return string(f.Suspect)
}

func costWords(f fleet.Forecast) string {
	loss, okLoss := f.ExpectedLoss.Get()
	swap, okSwap := f.SwapCost.Get()
	switch {
	case okLoss && okSwap:
		return fmt.Sprintf("expected loss %s, swap %s", Money(loss), Money(swap))
	case okLoss:
		return "expected loss " + Money(loss)
	case okSwap:
		return "swap " + Money(swap)
	}
	return unsaid
}
