package reports

import (
	"bytes"
	"fmt"
	"io"
	"iter"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// Workbook is the whole winter list as an XLSX file: every unit, what each depot's come to, and what the words mean.
func (w WinterList) Workbook() ([]byte, error) {
	var b bytes.Buffer
	err := w.WriteWorkbook(&b)
	return b.Bytes(), err
}

// WriteWorkbook writes to out what Workbook returns.
func (w WinterList) WriteWorkbook(out io.Writer) error {
	list := w.data.List
	units := w.unitsSheet()
	head := WorkbookHead{
		Title: "Winter list, " + w.Place, At: list.AsOf.Midnight(time.UTC),
		Subject: fmt.Sprintf("As of %s, for the season %s to %s", list.AsOf, list.Season.From, list.Season.To),
	}
	definitions := winterListDefinitions()
	if w.News != "" {
		head.Subject += ". " + w.News
		definitions = append([]Definition{{"Since the list, and now", w.News}}, definitions...)
	}
	return WriteWorkbook(out, head, []Sheet{units, w.depotsSheet(units)}, definitions)
}

// The headers that formulas refer to.
const (
	depotHeader    = "Depot"
	bandHeader     = "Band"
	lossHeader     = "Expected loss"
	swapCostHeader = "Swap cost"
)

func (w WinterList) unitsSheet() Sheet {
	s := Sheet{Name: "Winter list", Columns: []SheetColumn{
		{Header: "Rank", Kind: CountKind},
		{Header: "Unit"},
		{Header: depotHeader, Width: 12},
		{Header: bandHeader, Width: 11},
		{Header: "Chance of a failed start", Kind: PercentKind, Width: 13},
		{Header: "Cold limit", Kind: TemperatureKind},
		{Header: "Cold limit, 10 %", Kind: TemperatureKind},
		{Header: "Cold limit, 90 %", Kind: TemperatureKind},
		{Header: "Design night", Kind: TemperatureKind},
		{Header: "Reserve", Kind: TemperatureKind},
		{Header: "Suspect"},
		{Header: "Chance of the suspect", Kind: PercentKind, Width: 13},
		{Header: lossHeader, Kind: MoneyKind, Total: true},
		{Header: swapCostHeader, Kind: MoneyKind, Total: true},
		{Header: "Swap by", Kind: DateKind},
		{Header: "Evidence", Width: 90},
	}}
	if w.News != "" {
		s.Columns = append(
			s.Columns, SheetColumn{Header: "Since the list", Width: 30}, SheetColumn{Header: "Band now", Width: 11},
			SheetColumn{Header: "Chance now", Kind: PercentKind, Width: 13}, SheetColumn{Header: "Cold limit now", Kind: TemperatureKind},
		)
	}
	s.Rows = w.unitRows()
	return s
}

func (w WinterList) unitRows() iter.Seq2[[]any, error] {
	designs := w.designNights()
	return func(yield func([]any, error) bool) {
		for i, f := range w.forecasts {
			row := []any{
				f.Rank, f.Unit, f.Depot, f.Band, known(f.NoStartProbability), known(f.ColdLimitC), known(f.ColdLimitP10C), known(f.ColdLimitP90C),
				known(designs[f.Depot]), nil, f.Suspect, nil, known(f.ExpectedLoss), known(f.SwapCost), known(f.SwapBy), strings.Join(f.Evidence, " | "),
			}
			limit, limitKnown := f.ColdLimitC.Get()
			if low, ok := designs[f.Depot].Get(); ok && limitKnown {
				row[9] = Formula{fmt.Sprintf("I%d-F%[1]d", FirstRow+i), low - limit}
			}
			if p, ok := f.SuspectProbabilities[f.Suspect]; ok {
				row[11] = p
			}
			if w.News != "" {
				row = append(row, w.data.standsNow(f.Unit)...)
			}
			if !yield(row, nil) {
				return
			}
		}
	}
}

// standsNow is what has come of a unit since the list and what is said of it by now, for a sheet; nothing where nothing has.
func (d WinterListData) standsNow(unit fleet.UnitID) []any {
	a, judged := d.Anew[unit]
	if !judged {
		return []any{nil, nil, nil, nil}
	}
	return []any{firstUpper(newsSaid(a.News, fleet.Date.String)), a.Forecast.Band, known(a.Forecast.NoStartProbability), known(a.Forecast.ColdLimitC)}
}

// known is what is known of a value, for a sheet.
func known[T comparable](o fleet.Opt[T]) any {
	if v, ok := o.Get(); ok {
		return v
	}
	return nil
}

func (w WinterList) designNights() map[fleet.DepotID]fleet.Opt[float64] {
	designs := map[fleet.DepotID]fleet.Opt[float64]{}
	for depot, minima := range w.data.PastMinimaC {
		if low, ok := median(minima); ok {
			designs[depot] = fleet.Known(low)
		}
	}
	return designs
}

// depotsSheet reckons each depot's share out of the sheet of units, so that who changes a cost there sees what it comes to here.
func (w WinterList) depotsSheet(units Sheet) Sheet {
	s := Sheet{Name: "Depots", Columns: []SheetColumn{{Header: depotHeader, Width: 12}, {Header: "Name", Width: 24}, {Header: "Time zone", Width: 20}, {Header: "Units", Kind: CountKind, Total: true}}}
	for _, l := range Looks() {
		s.Columns = append(s.Columns, SheetColumn{Header: firstUpper(l.Word), Kind: CountKind, Total: true})
	}
	s.Columns = append(
		s.Columns,
		SheetColumn{Header: lossHeader, Kind: MoneyKind, Total: true}, SheetColumn{Header: swapCostHeader, Kind: MoneyKind, Total: true},
		SheetColumn{Header: "Design night", Kind: TemperatureKind},
	)
	n := len(w.forecasts)
	here := "EXACT(" + units.Range(depotHeader, n) + ",A%d)" // not COUNTIF, to which * in a depot's name would stand for all
	bands, designs := units.Range(bandHeader, n), w.designNights()
	var rows [][]any
	for i, share := range w.depotShares() {
		here := fmt.Sprintf(here, FirstRow+i)
		row := []any{share.depot.ID, share.depot.Name, share.depot.Timezone, Formula{"SUMPRODUCT(" + here + "*1)", share.units}}
		for _, l := range Looks() {
			row = append(row, Formula{fmt.Sprintf(`SUMPRODUCT(%s*(%s="%s"))`, here, bands, l.Band), share.bands[l.Band]})
		}
		for _, m := range []struct {
			header string
			sum    fleet.Money
		}{{lossHeader, share.loss}, {swapCostHeader, share.cost}} {
			row = append(row, Formula{fmt.Sprintf("ROUND(SUMPRODUCT(%s*1,%s),2)", here, units.Range(m.header, n)), m.sum})
		}
		rows = append(rows, append(row, known(designs[share.depot.ID])))
	}
	s.Rows = RowsOf(rows)
	return s
}

// depotShare is what a depot's units come to.
type depotShare struct {
	depot      fleet.Depot
	units      int
	bands      map[fleet.Band]int
	loss, cost fleet.Money
}

func (w WinterList) depotShares() []*depotShare {
	shares := map[fleet.DepotID]*depotShare{}
	var order []fleet.DepotID
	for _, f := range w.forecasts {
		share, there := shares[f.Depot]
		if !there {
			share = &depotShare{depot: fleet.Depot{ID: f.Depot}, bands: map[fleet.Band]int{}}
			shares[f.Depot], order = share, append(order, f.Depot)
		}
		share.units++
		share.bands[f.Band]++
		share.loss += f.ExpectedLoss.Or(0)
		share.cost += f.SwapCost.Or(0)
	}
	for _, d := range w.data.Depots {
		if share, there := shares[d.ID]; there {
			share.depot = d
		}
	}
	slices.Sort(order)
	sorted := make([]*depotShare, len(order))
	for i, id := range order {
		sorted[i] = shares[id]
	}
	return sorted
}

func winterListDefinitions() []Definition {
	definitions := []Definition{
		{"Rank", "place in the list of the whole fleet, the most urgent first"},
		{"Chance of a failed start", "of at least one in the season, if nothing is done"},
		{"Cold limit", "temperature at which a unit is as likely as not to fail to crank after a night parked"},
		{"Cold limit, 10 % and 90 %", "the limit lies between them with 80 % chance"},
		{"Design night", "the middle one of the coldest nights of the depot's past winters"},
		{"Reserve", "design night less cold limit, in degrees: below zero the unit is weaker than the night is cold"},
		{"Suspect", "the part most likely to blame, and how likely that is"},
		{lossHeader, "what failed starts are expected to cost in the season, if nothing is done; in the fleet's currency"},
		{swapCostHeader, "what changing the suspect part would cost; in the fleet's currency"},
		{"Swap by", "the day before which the suspect part should be changed"},
		{"Evidence", "why the list says so, the strongest reason first"},
		{"Empty field", "not known"},
		{"Total of what is shown", "follows the filter; a sum leaves out what is not known"},
	}
	for _, l := range Looks() {
		definitions = append(definitions, Definition{"Band " + l.Word, l.Means})
	}
	return definitions
}
