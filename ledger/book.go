package ledger

import (
	"cmp"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// Entries is what ought to stand for the rows as they are now: one entry per price, deposit, return, credit, breakdown, standstill, hour of
// labour and bill, in the order of days. Each has a source that stays the same as long as the row does. Rows of which day or amount is not
// known have no entry; they are told apart, so that nobody takes them for nothing.
//
// A part counts when it is fitted, not when it is bought: what lies on the shelf is stock. Every day is meant in the zone of the unit's
// depot.
func Entries(f Facts) ([]Entry, []Unbooked) {
	b := newBooker(f)
	for i := range f.Batteries {
		r := &f.Batteries[i]
		b.fitting(fitting{"battery_fitting", r.Battery, r.Unit, fleet.BatteryPart, r.Part, r.FittedOn, r.Price, r.CoreDeposit, r.CoreReturnedOn})
	}
	for i := range f.Starters {
		r := &f.Starters[i]
		b.fitting(fitting{"starter_fitting", r.Starter, r.Unit, fleet.StarterPart, r.Part, r.FittedOn, r.Price, r.CoreDeposit, r.CoreReturnedOn})
	}
	for _, r := range f.Breakdowns {
		b.breakdown(r)
	}
	for _, c := range f.Claims {
		b.claim(c)
	}
	for _, w := range f.Work {
		e := b.entry(w.Unit, w.On, Labour, source("job", w.Key, "labour"))
		e.PartKind, e.Minutes = w.Part, w.Minutes
		e.Amount = perHour(rateOn(f.LabourPerHour, w.On), w.Minutes)
		b.should = append(b.should, e)
	}
	for _, bill := range f.Bills {
		b.bill(bill)
	}
	slices.SortFunc(b.should, byDay)
	slices.SortFunc(b.without, func(a, c Unbooked) int { return cmp.Compare(a.Source, c.Source) })
	return b.should, b.without
}

// booker turns rows into entries.
type booker struct {
	facts   Facts
	units   map[fleet.UnitID]*fleet.Unit
	depots  map[fleet.DepotID]*fleet.Depot
	zones   map[fleet.DepotID]*time.Location
	should  []Entry
	without []Unbooked
}

func newBooker(f Facts) *booker {
	b := &booker{facts: f, units: map[fleet.UnitID]*fleet.Unit{}, depots: map[fleet.DepotID]*fleet.Depot{}, zones: map[fleet.DepotID]*time.Location{}}
	for i := range f.Units {
		b.units[f.Units[i].ID] = &f.Units[i]
	}
	for i := range f.Depots {
		b.depots[f.Depots[i].ID] = &f.Depots[i]
		b.zones[f.Depots[i].ID] = f.Depots[i].Zone()
	}
	return b
}

// inSource keeps what parts a source out of its words. It is made once: sources are made by the million.
var inSource = strings.NewReplacer("%", "%25", "/", "%2F")

// source names a row, and what of it, by the row's own key.
func source(words ...string) string {
	for i, w := range words {
		words[i] = inSource.Replace(w)
	}
	return strings.Join(words, "/")
}

func (b *booker) entry(unit fleet.UnitID, on fleet.Date, kind Kind, source string) Entry {
	e := Entry{Value: on, Booked: on, Kind: kind, Unit: unit, Currency: b.facts.Currency, Source: source}
	if u := b.units[unit]; u != nil {
		e.Depot, e.Class = u.Depot, u.Class
	}
	e.CostCentre = b.costCentre(e.Depot)
	return e
}

func (b *booker) costCentre(depot fleet.DepotID) string {
	if d := b.depots[depot]; d != nil {
		return d.CostCentre
	}
	return ""
}

func (b *booker) miss(unit fleet.UnitID, kind Kind, source, why string) {
	u := Unbooked{Source: source, Unit: unit, Kind: kind, Why: why}
	if known := b.units[unit]; known != nil {
		u.Depot = known.Depot
	}
	b.without = append(b.without, u)
}

// fitting is what batteries and starters have in common.
type fitting struct {
	table, serial  string
	unit           fleet.UnitID
	kind           fleet.Part
	part           string
	on             fleet.Opt[fleet.Date]
	price, deposit fleet.Opt[fleet.Money]
	returnedOn     fleet.Opt[fleet.Date]
}

// source of a fitting's entries. Its key is the serial with the day of fitting, as in the fleet's files.
func (f fitting) source(what string) string {
	day := "unknown"
	if on, known := f.on.Get(); known {
		day = on.String()
	}
	return source(f.table, f.serial, day, what)
}

func (b *booker) fitting(f fitting) {
	on, dated := f.on.Get()
	add := func(on fleet.Date, kind Kind, what string, amount fleet.Money) {
		e := b.entry(f.unit, on, kind, f.source(what))
		e.Part, e.PartKind, e.Amount = f.part, f.kind, amount
		b.should = append(b.should, e)
	}
	switch price, priced := f.price.Get(); {
	case !priced:
		b.miss(f.unit, PartFitted, f.source("price"), "no price is recorded")
	case !dated:
		b.miss(f.unit, PartFitted, f.source("price"), "the day of fitting is not known")
	default:
		add(on, PartFitted, "price", price)
	}
	deposit, paid := f.deposit.Get()
	if !paid || deposit == 0 {
		return
	}
	if !dated {
		b.miss(f.unit, DepositPaid, f.source("deposit"), "the day of fitting is not known")
		return // what came back of it would stand alone
	}
	add(on, DepositPaid, "deposit", deposit)
	if back, returned := f.returnedOn.Get(); returned {
		add(back, DepositReturned, "deposit_returned", -deposit)
	}
}

// dayOf a breakdown, in the zone of its unit's depot.
func (b *booker) dayOf(r fleet.Breakdown) fleet.Date {
	zone := time.UTC
	if u := b.units[r.Unit]; u != nil && b.zones[u.Depot] != nil {
		zone = b.zones[u.Depot]
	}
	return fleet.DateOf(r.At, zone)
}

func (b *booker) breakdown(r fleet.Breakdown) {
	on, at := b.dayOf(r), r.At.UTC().Format(time.RFC3339Nano)
	key := func(what string) string { return source("breakdown", string(r.Unit), at, what) }
	if cost, known := r.Cost.Get(); known {
		e := b.entry(r.Unit, on, BreakdownCost, key("cost"))
		e.PartKind, e.Amount = r.Cause, cost
		b.should = append(b.should, e)
	} else {
		b.miss(r.Unit, BreakdownCost, key("cost"), "no cost is recorded")
	}
	if hours, known := r.HoursDown.Get(); known && hours > 0 {
		e := b.entry(r.Unit, on, HoursDown, key("hours"))
		e.PartKind, e.Minutes = r.Cause, int(math.Round(hours*60))
		e.Amount = perHour(rateOn(b.facts.DownPerHour, on), e.Minutes)
		b.should = append(b.should, e)
	}
}

func (b *booker) claim(c Claim) {
	if c.State != ClaimPaid {
		return
	}
	key := source("claim", fmt.Sprint(c.ID), "credit")
	on, dated := c.DecidedOn.Get()
	paid, known := c.Paid.Get()
	switch {
	case !known:
		b.miss(c.Unit, WarrantyCredit, key, "what was paid is not recorded")
	case !dated:
		b.miss(c.Unit, WarrantyCredit, key, "the day on which it was paid is not recorded")
	default:
		e := b.entry(c.Unit, on, WarrantyCredit, key)
		e.Part, e.PartKind, e.Amount = c.Part, c.PartKind, -paid
		b.should = append(b.should, e)
	}
}

func (b *booker) bill(bill Bill) {
	e := b.entry(bill.Unit, bill.On, bill.Kind, source("bill", bill.Key))
	e.Part, e.Amount = bill.Part, bill.Amount
	if bill.Unit == "" {
		e.Depot, e.CostCentre = bill.Depot, b.costCentre(bill.Depot)
	}
	if bill.Unit != "" || bill.Depot != "" || len(bill.Shares) == 0 {
		b.should = append(b.should, e)
		return
	}
	depots := slices.Sorted(maps.Keys(bill.Shares))
	weights := make([]int64, len(depots))
	for i, d := range depots {
		weights[i] = bill.Shares[d]
	}
	for i, share := range Split(bill.Amount, weights) {
		e.Depot, e.CostCentre, e.Amount, e.Source = depots[i], b.costCentre(depots[i]), share, source("bill", bill.Key, string(depots[i]))
		b.should = append(b.should, e)
	}
}
