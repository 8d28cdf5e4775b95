package ledger

import (
	"cmp"
	"slices"

	"rimeyard/internal/fleet"
)

// months of service that were completed on a day.
func (c Cover) months(on fleet.Date) int {
	n := int(MonthOf(on) - MonthOf(c.From))
	if c.From.AddMonths(n) > on {
		n--
	}
	return n
}

func (c Cover) whole() int { return max(c.FreeMonths, c.ProrataMonths) }

// Until is the last day on which there is any credit.
func (c Cover) Until() fleet.Date { return c.From.AddMonths(c.whole()) - 1 }

// Credit is what a claim on a day gives back: the whole price within the free months, after them
//
//	price · (cover − months) / cover
//
// with cover the ProrataMonths and months those completed since fitting, half a cent away from zero, and nothing once the cover is over.
// Straight-line pro rata from the day of fitting is common practice; the terms of the part's own seller go before it.
func (c Cover) Credit(on fleet.Date) fleet.Money {
	if on < c.From {
		return c.Price
	}
	switch used := c.months(on); {
	case used < c.FreeMonths:
		return c.Price
	case used < c.ProrataMonths:
		return ratio(c.Price, int64(c.ProrataMonths-used), int64(c.ProrataMonths))
	default:
		return 0
	}
}

// Ahead is what warranties need to know of a unit's season.
type Ahead struct {
	Unit         fleet.UnitID
	Monday       fleet.Date             // of the first week
	ChanceByWeek []float64              // see fleet.Outlook
	Causes       map[fleet.Part]float64 // share of each part in the blame
}

// Warranties are the parts that are fitted and covered on a day, those first of which most credit is expected to be lost by waiting until
// they fail. A part without price, fitting date or terms is not among them. The unit's chance is shared out over its pieces of the kind that
// is blamed alike, so a pair has each half of it.
func Warranties(f Facts, ahead []Ahead, on fleet.Date) []Warranty {
	w := warranties{booker: newBooker(f), ahead: map[fleet.UnitID]*Ahead{}, claimed: map[string]bool{}, pieces: map[piecesOf]int{}, on: on}
	for i := range ahead {
		w.ahead[ahead[i].Unit] = &ahead[i]
	}
	for _, c := range f.Claims {
		if c.State == ClaimOpen || c.State == ClaimSent {
			w.claimed[source(string(c.Unit), c.Serial)] = true
		}
	}
	for i := range f.Batteries {
		if r := &f.Batteries[i]; inPlace(r.RemovedOn, on) {
			w.pieces[piecesOf{r.Unit, fleet.BatteryPart}]++
		}
	}
	for i := range f.Starters {
		if r := &f.Starters[i]; inPlace(r.RemovedOn, on) {
			w.pieces[piecesOf{r.Unit, fleet.StarterPart}]++
		}
	}
	for i := range f.Batteries {
		if r := &f.Batteries[i]; inPlace(r.RemovedOn, on) {
			w.add(fitting{"", r.Battery, r.Unit, fleet.BatteryPart, r.Part, r.FittedOn, r.Price, r.CoreDeposit, r.CoreReturnedOn}, r.FreeMonths, r.ProrataMonths)
		}
	}
	for i := range f.Starters {
		if r := &f.Starters[i]; inPlace(r.RemovedOn, on) {
			w.add(fitting{"", r.Starter, r.Unit, fleet.StarterPart, r.Part, r.FittedOn, r.Price, r.CoreDeposit, r.CoreReturnedOn}, r.FreeMonths, fleet.Opt[int]{})
		}
	}
	slices.SortFunc(w.all, func(a, b Warranty) int {
		return cmp.Or(cmp.Compare(b.Lost, a.Lost), cmp.Compare(a.CoverUntil, b.CoverUntil), cmp.Compare(a.Unit, b.Unit), cmp.Compare(a.Serial, b.Serial))
	})
	return w.all
}

func inPlace(removed fleet.Opt[fleet.Date], on fleet.Date) bool {
	day, out := removed.Get()
	return !out || day > on
}

type piecesOf struct {
	unit fleet.UnitID
	kind fleet.Part
}

type warranties struct {
	*booker
	ahead   map[fleet.UnitID]*Ahead
	claimed map[string]bool
	pieces  map[piecesOf]int
	on      fleet.Date
	all     []Warranty
}

func (w *warranties) add(f fitting, free, prorata fleet.Opt[int]) {
	from, dated := f.on.Get()
	price, priced := f.price.Get()
	c := Cover{Price: price, FreeMonths: free.Or(0), ProrataMonths: prorata.Or(0), From: from}
	if !dated || !priced || from > w.on || c.whole() == 0 || c.Until() < w.on {
		return
	}
	place := w.entry(f.unit, w.on, WarrantyCredit, "")
	one := Warranty{
		Unit: f.unit, Depot: place.Depot, CostCentre: place.CostCentre, Serial: f.serial, Part: f.part, Kind: f.kind, FittedOn: from,
		CoverUntil: c.Until(), CreditNow: c.Credit(w.on), CreditEnd: c.Credit(w.on), Claimed: w.claimed[source(string(f.unit), f.serial)],
	}
	if c.FreeMonths > 0 {
		one.FreeUntil = fleet.Known(from.AddMonths(c.FreeMonths) - 1)
	}
	w.foresee(&one, c)
	w.all = append(w.all, one)
}

// foresee weighs the weeks that are left of the season, each at its Sunday, given that the unit has not failed until now.
func (w *warranties) foresee(one *Warranty, c Cover) {
	a := w.ahead[one.Unit]
	if a == nil || len(a.ChanceByWeek) == 0 {
		return
	}
	share := a.Causes[one.Kind] / float64(max(1, w.pieces[piecesOf{one.Unit, one.Kind}]))
	gone, last, lost := 0.0, 0.0, 0.0
	for i, p := range a.ChanceByWeek {
		sunday := a.Monday + fleet.Date(daysPerWeek*i+6)
		if sunday < w.on {
			gone, last = p, p
			continue
		}
		chance := 0.0
		if gone < 1 {
			chance = share * (p - last) / (1 - gone)
		}
		last = p
		one.CreditEnd = c.Credit(sunday)
		if one.CreditEnd > 0 {
			one.Before += chance
		} else {
			one.After += chance
		}
		lost += chance * (one.CreditNow - one.CreditEnd).Amount()
	}
	one.Lost = fleet.RoundMoney(lost)
}

// ClaimSums adds up claims by state, in the order of states.
func ClaimSums(claims []Claim) []ClaimSum {
	sums := []ClaimSum{{State: ClaimOpen}, {State: ClaimSent}, {State: ClaimPaid}, {State: ClaimRefused}}
	for _, c := range claims {
		for i := range sums {
			if s := &sums[i]; s.State == c.State {
				s.Claims++
				s.Expected, s.Paid = s.Expected+c.Expected, s.Paid+c.Paid.Or(0)
			}
		}
	}
	return sums
}
