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
}

// Table is the whole list as CSV, one row per unit; what is unknown is empty. Texts that a spreadsheet would run as a
// formula get an apostrophe before them.
func (w WinterList) Table() ([]byte, error) {
	var b bytes.Buffer
	out := csv.NewWriter(&b)
	out.UseCRLF = true // RFC 4180
	if err := out.Write(tableHeader); err != nil {
		return nil, err
	}
	for _, f := range w.forecasts {
		if err := out.Write(TableRow(f)); err != nil {
			return nil, err
		}
	}
	out.Flush()
	return b.Bytes(), out.Error()
}

// TableHeader is the first line of Table, for who writes the rows one by one.
func TableHeader() []string { return slices.Clone(tableHeader) }

// TableRow is one line of Table.
func TableRow(f fleet.Forecast) []string {
	row := []string{
		strconv.Itoa(f.Rank), Inert(string(f.Unit)), Inert(string(f.Depot)), string(f.Band), plain(f.NoStartProbability),
		plain(f.ColdLimitC), plain(f.ColdLimitP10C), plain(f.ColdLimitP90C), string(f.Suspect), "",
		"", "", "", Inert(strings.Join(f.Evidence, " | ")),
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
