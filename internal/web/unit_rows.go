package web

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// How many rows a unit's page shows, newest first.
const (
	testsShown      = 60
	breakdownsShown = 40
)

type fittingRow struct {
	Where, Serial, Part, Rating, From, Until string
	Now                                      bool // fitted today
}

type testRow struct{ When, Position, Rest, CCA, Load, Temperature, By, Note string }

type breakdownRow struct{ When, Cause, Cost, Hours string }

type crankRow struct{ When, Temperature, Rest, Lowest, Mean, Duration, Outcome string }

type cranksView struct {
	Src, Narrow, Alt string // Narrow: address of the same for a phone
	Figures          string
	Width, Height    int
	Fits             []string // what the lines say, in words
	Rows             []crankRow
}

func newCranksView(sheet unitSheet) (*cranksView, error) {
	chart := cranksOf(sheet.history, sheet.asOf, sheet.depot)
	if len(chart.shown) == 0 {
		return nil, nil // nothing to draw
	}
	zone := sheet.depot.Zone()
	for _, c := range chart.shown {
		chart.data.When = append(chart.data.When, when(c.At, zone))
	}
	picture, err := reports.Cranking("crank-volts", chart.data, reports.PageWidth)
	if err != nil {
		return nil, err
	}
	figures, err := figuresOf(picture)
	if err != nil {
		return nil, err
	}
	v := &cranksView{
		Src: unitHref(sheet.history.Unit.ID) + "/crank-volts.svg", Alt: picture.Title + ". " + picture.Description, Figures: figures,
		Width: picture.Width, Height: picture.Height, Fits: chart.lines,
	}
	v.Narrow = asNarrow(v.Src)
	for _, c := range chart.shown {
		v.Rows = append(v.Rows, crankRow{
			when(c.At, zone), degrees(c.TemperatureC), figure(c.RestV, 2, "V"), figure(c.MinV, 2, "V"), figure(c.MeanV, 2, "V"),
			figure(c.DurationMs, 0, "ms"), strings.ReplaceAll(string(c.Outcome), "_", " "),
		})
	}
	return v, nil
}

// chemistryWord writes a kind of battery as labels do: EFB and AGM are short for names, flooded and gel are words.
func chemistryWord(c fleet.Chemistry) string {
	if c == fleet.EFB || c == fleet.AGM {
		return strings.ToUpper(string(c))
	}
	return string(c)
}

func batteryRows(fittings []fleet.BatteryFitting, today fleet.Date) []fittingRow {
	var rows []fittingRow
	for _, f := range slices.Backward(fittings) {
		rating := fmt.Sprintf("%.0f\u00a0A %s, %s", f.RatedCCAA, strings.ToUpper(string(f.CCAStandard)), chemistryWord(f.Chemistry))
		if ah, ok := f.RatedAh.Get(); ok {
			rating += fmt.Sprintf(", %.0f\u00a0Ah", ah)
		}
		rows = append(rows, fittingRow{
			strconv.Itoa(f.Position), f.Battery, f.Part, rating, dateOr(f.FittedOn, notKnown),
			until(f.RemovedOn, f.RemovedBecause), f.FittedAt(today),
		})
	}
	return rows
}

func starterRows(fittings []fleet.StarterFitting, today fleet.Date) []fittingRow {
	var rows []fittingRow
	for _, f := range slices.Backward(fittings) {
		rows = append(rows, fittingRow{
			Serial: f.Starter, Part: f.Part, From: dateOr(f.FittedOn, notKnown), Until: until(f.RemovedOn, f.RemovedBecause), Now: f.FittedAt(today),
		})
	}
	return rows
}

func until(removed fleet.Opt[fleet.Date], because fleet.Removal) string {
	s := dateOr(removed, "still fitted")
	if because != "" {
		s += ", " + string(because)
	}
	return s
}

func testRows(tests []fleet.Test, zone *time.Location) (rows []testRow, more string) {
	for _, t := range slices.Backward(tests) {
		if len(rows) == testsShown {
			more = fmt.Sprintf("%d older tests are not shown; “rimeyard export” has them all.", len(tests)-testsShown)
			break
		}
		cca := figure(t.CCAA, 0, "A")
		if t.CCAA.IsKnown() {
			cca += " " + strings.ToUpper(string(t.CCAStandard))
		}
		rows = append(rows, testRow{
			when(t.At, zone), strconv.Itoa(t.Position), figure(t.RestV, 2, "V"), cca, figure(t.LoadV, 2, "V"), degrees(t.TemperatureC),
			strings.Trim(t.TestedBy+", "+t.Tester, ", "), t.Note,
		})
	}
	return rows, more
}

func breakdownRows(breakdowns []fleet.Breakdown, zone *time.Location) []breakdownRow {
	var rows []breakdownRow
	for _, b := range slices.Backward(breakdowns) {
		if len(rows) == breakdownsShown {
			break
		}
		rows = append(rows, breakdownRow{when(b.At, zone), string(b.Cause), moneyOr(b.Cost), figure(b.HoursDown, 1, "h")})
	}
	return rows
}

// when is an instant on the depot's clock.
func when(t time.Time, zone *time.Location) string { return t.In(zone).Format("2006-01-02 15:04") }

// whenIn is when with the zone's name: where a page does not say on whose clock its times are.
func whenIn(t time.Time, zone *time.Location) string { return when(t, zone) + " " + zone.String() }

func dateOr(d fleet.Opt[fleet.Date], unknown string) string {
	if s := textOf(d); s != "" {
		return s
	}
	return unknown
}

func degrees(c fleet.Opt[float64]) string {
	v, ok := c.Get()
	if !ok {
		return "–"
	}
	return reports.Degrees(v)
}

// figure is a reading with its unit; a dash where it is unknown.
func figure(o fleet.Opt[float64], decimals int, unit string) string {
	v, ok := o.Get()
	if !ok {
		return "–"
	}
	return strconv.FormatFloat(v, 'f', decimals, 64) + "\u00a0" + unit
}
