package main

import (
	"encoding/csv"
	"fmt"
	"io"
	"math"
	"slices"
	"strconv"
	"text/tabwriter"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// figure is one column.
type figure struct {
	name     string // for people
	key      string // in CSV
	of       func(proving.Score) float64
	decimals int
	spread   bool // with its standard error
	ruled    bool // a rule, which gives but an order, has it too
}

var figures = []figure{
	{"AUC", "auc", func(s proving.Score) float64 { return s.AUC }, 3, true, true},
	{"top k", "top_share", func(s proving.Score) float64 { return 100 * s.TopShare }, 0, true, true},
	{"ECE", "error_by_count", func(s proving.Score) float64 { return s.ErrorByCount }, 3, true, false},
	{"ECE width", "error_by_width", func(s proving.Score) float64 { return s.ErrorByWidth }, 3, false, false},
	{"Brier", "brier", func(s proving.Score) float64 { return s.Brier }, 4, false, false},
	{"E/O", "expected_over_observed", func(s proving.Score) float64 { return s.Ratio }, 2, true, false},
	{"right, caught", "right_part_caught", func(s proving.Score) float64 { return 100 * s.RightCaught }, 0, true, false},
	{"right, all", "right_part_all", func(s proving.Score) float64 { return 100 * s.RightAll }, 0, false, false},
	{"limit in 80 %", "limit_in_80", func(s proving.Score) float64 { return 100 * s.LimitIn80 }, 0, true, false},
	{"in 90 %", "limit_in_90", func(s proving.Score) float64 { return 100 * s.LimitIn90 }, 0, false, false},
	{"chance in 90 %", "chance_in_90", func(s proving.Score) float64 { return 100 * s.ChanceIn90 }, 0, false, false},
	{"limit off °C", "limit_error_c", func(s proving.Score) float64 { return s.LimitErrorC }, 1, false, false},
	{"bias °C", "limit_bias_c", func(s proving.Score) float64 { return s.LimitBiasC }, 1, false, false},
	{"of failed °C", "limit_bias_failed_c", func(s proving.Score) float64 { return s.WeakBiasC }, 1, false, false},
}

const legend = `failing, top k, right and in are in per cent; ± is one standard error. top k: of as many top units as failed, how many did.
ECE: calibration error over ten bins of equal count (width: of width 0.1). E/O: expected over observed failures. right: part named
right, among the failures caught in the top k and among all. bias below 0: the limit was said too cold.
`

func printTable(w io.Writer, all []judged) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', tabwriter.AlignRight)
	fmt.Fprint(t, "fleet\tfailing\tby\t")
	for _, f := range figures {
		fmt.Fprintf(t, "%s\t", f.name)
	}
	fmt.Fprintln(t, "compress s\tlearn s\tall s\t")
	for _, j := range all {
		for i, r := range j.rows {
			printRow(t, j.name, r, i == 0)
			if i == 0 {
				fmt.Fprintf(t, "%s\t%s\t%s\t", seconds(j.took.Compress), seconds(j.took.Learn), seconds(j.took.Rank))
			}
			fmt.Fprintln(t)
		}
	}
	for _, kind := range []struct {
		name string
		dirt bool
	}{{"mean, clean", false}, {"mean, dirt", true}} {
		some := slices.DeleteFunc(slices.Clone(all), func(j judged) bool { return j.dirt != kind.dirt })
		for i, r := range meanRows(some) {
			printRow(t, kind.name, r, i == 0)
			fmt.Fprintln(t)
		}
	}
	if err := t.Flush(); err != nil {
		fmt.Fprintln(w, err)
	}
	fmt.Fprint(w, legend)
	printPooled(w, "clean", all, false)
	printPooled(w, "dirt", all, true)
}

// printPooled says what the fleets show together, of the forecast and of the ceiling.
func printPooled(w io.Writer, kind string, all []judged, dirt bool) {
	var said, ceiling [][]proving.Case
	for _, j := range all {
		if j.dirt == dirt {
			said = append(said, j.cases)
			if known, is := ceilingOf(j.cases); is {
				ceiling = append(ceiling, known)
			}
		}
	}
	if len(said) < 2 {
		return
	}
	forecast, most := proving.PooledOf(said, resamples, 1), proving.PooledOf(ceiling, 1, 1)
	fmt.Fprintf(w, "\n%s, all fleets in one heap: ECE %.3f; one fleet whose chances are right would show %.3f. AUC of failures by cause, ceiling in brackets:", kind,
		forecast.ErrorByCount, forecast.ErrorIfRight)
	for _, part := range fleet.Suspects() {
		if one, known := forecast.ByCause[part]; known {
			fmt.Fprintf(w, " %s %.3f (%.3f, n=%d)", part, one.AUC, most.ByCause[part].AUC, one.Failures)
		}
	}
	fmt.Fprintln(w)
}

func printRow(w io.Writer, name string, r row, first bool) {
	if first {
		fmt.Fprintf(w, "%s\t%.1f\t", name, 100*r.Score.FailedShare)
	} else {
		fmt.Fprint(w, "\t\t")
	}
	fmt.Fprintf(w, "%s\t", r.Method)
	for _, f := range figures {
		v, se := f.of(r.Score), f.of(r.SE)
		switch {
		case math.IsNaN(v), !f.ruled && r.isRule():
			fmt.Fprint(w, "\t")
		case f.spread && !math.IsNaN(se):
			fmt.Fprintf(w, "%.*f±%.*f\t", f.decimals, v, f.decimals, se)
		default:
			fmt.Fprintf(w, "%.*f\t", f.decimals, v)
		}
	}
}

func (r row) isRule() bool { return r.Method != theForecast && r.Method != theCeiling }

func seconds(d time.Duration) string {
	if d == 0 {
		return ""
	}
	return fmt.Sprintf("%.1f", d.Seconds())
}

// meanRows are over fleets; the standard error is that of a mean of fleets, each with its own.
func meanRows(all []judged) []row {
	var rows []row
	if len(all) < 2 {
		return nil
	}
	for i, r := range all[0].rows {
		var scores, errs []proving.Score
		for _, j := range all {
			scores, errs = append(scores, j.rows[i].Score), append(errs, j.rows[i].SE)
		}
		rows = append(rows, row{r.Method, proving.Mean(scores), proving.MeanError(errs)})
	}
	return rows
}

func writeCSV(w io.Writer, all []judged) error {
	out := csv.NewWriter(w)
	header := []string{"fleet", "by", "units", "failed"}
	for _, f := range figures {
		header = append(header, f.key, f.key+"_se")
	}
	header = append(header, "seconds")
	lines := [][]string{header}
	for _, j := range all {
		for _, r := range j.rows {
			line := []string{j.name, r.Method, strconv.Itoa(r.Score.Units), strconv.Itoa(r.Score.Failed)}
			for _, f := range figures {
				if !f.ruled && r.isRule() {
					line = append(line, "", "")
					continue
				}
				line = append(line, number(f.of(r.Score)), number(f.of(r.SE)))
			}
			took := ""
			if r.Method == theForecast {
				took = number(j.took.Rank.Seconds())
			}
			lines = append(lines, append(line, took))
		}
	}
	return out.WriteAll(lines)
}

// number is empty for what could not be computed.
func number(v float64) string {
	if math.IsNaN(v) {
		return ""
	}
	return strconv.FormatFloat(v, 'g', 6, 64)
}
