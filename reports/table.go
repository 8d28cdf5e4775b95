package reports

import (
	"bytes"
	"encoding/csv"
	"slices"
	"strconv"
	"strings"

	"rimeyard/internal/fleet"
)

var tableHeader = []string{
	"rank", "unit", "depot", "band", "no_start_probability", "cold_limit_c", "cold_limit_p10_c", "cold_limit_p90_c",
	"suspect", "suspect_probability", "expected_loss", "swap_cost", "swap_by", "evidence",
	"judged_on", "since", "since_judged_on", "since_band", "since_no_start_probability", "since_cold_limit_c",
}

// Table is the whole list as CSV, one row per unit; what is unknown is empty. A row is judged by what was known when the day in judged_on
// began; where something has come of the unit since, the last columns tell what, and what is said of it by now. Texts that a spreadsheet would run as a
// formula get an apostrophe before them.
func (w WinterList) Table() ([]byte, error) {
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	out.UseCRLF = true // RFC 4180
	if err := out.Write(tableHeader); err != nil {
		return nil, err
	}
	for _, f := range w.forecasts {
		if err := out.Write(TableRow(f, w.data.List.AsOf, w.data.Anew)); err != nil {
			return nil, err
		}
	}
	out.Flush()
	return b.Bytes(), out.Error()
}

// TableHeader is the first line of Table, for who writes the rows one by one.
func TableHeader() []string { return slices.Clone(tableHeader) }

// TableRow is one line of Table: of a unit as it was judged on a day, and as it was judged anew, if it was.
func TableRow(f fleet.Forecast, judgedOn fleet.Date, anew map[fleet.UnitID]fleet.Anew) []string {
	row := []string{
		strconv.Itoa(f.Rank), Inert(string(f.Unit)), Inert(string(f.Depot)), string(f.Band), plain(f.NoStartProbability),
		plain(f.ColdLimitC), plain(f.ColdLimitP10C), plain(f.ColdLimitP90C), string(f.Suspect), "",
		"", "", "", Inert(strings.Join(f.Evidence, " | ")), judgedOn.String(), "", "", "", "", "",
	}
	if a, judged := anew[f.Unit]; judged {
		row = append(row[:15], newsSaid(a.News, fleet.Date.String), a.AsOf.String(), string(a.Forecast.Band), plain(a.Forecast.NoStartProbability), plain(a.Forecast.ColdLimitC))
	}
	if p, ok := f.SuspectProbabilities[f.Suspect]; ok {
		row[9] = plain(fleet.Known(p))
	}
	if m, ok := f.ExpectedLoss.Get(); ok {
		row[10] = m.String()
	}
	if m, ok := f.SwapCost.Get(); ok {
		row[11] = m.String()
	}
	if by, ok := f.SwapBy.Get(); ok {
		row[12] = by.String()
	}
	return row
}

func plain(o fleet.Opt[float64]) string {
	v, ok := o.Get()
	if !ok {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// Inert puts an apostrophe before what a spreadsheet would run as a formula.
func Inert(s string) string {
	if runsAsFormula(s) {
		return "'" + s
	}
	return s
}

// runsAsFormula tells what a spreadsheet would run if it were typed in.
func runsAsFormula(s string) bool { return s != "" && strings.ContainsAny(s[:1], "=+-@\t\r\n") }
