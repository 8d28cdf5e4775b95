package alerts

import (
	"math"
	"strconv"

	"rimeyard/internal/fleet"
)

// AuditColumns heads the rows of [AuditResult.Rows].
func AuditColumns() []string { return []string{"part", "name", "measure", "value", "low", "high"} }

// Rows are all figures of the audit, but for the single units, one a row: for tables and CSV. An unknown figure is an empty field.
func (r AuditResult) Rows() [][]string {
	var rows [][]string
	add := func(part, name, measure, value string, interval ...float64) {
		row := []string{part, name, measure, value, "", ""}
		for i, v := range interval {
			row[4+i] = shown(v)
		}
		rows = append(rows, row)
	}
	counts := []struct {
		name string
		n    int
	}{
		{"listed", r.Listed},
		{"scored", r.Scored},
		{"failed", r.Failed},
		{"taken_out", r.TakenOut},
		{"failed_after_taken_out", r.FailedAfterwards},
		{"no_probability", r.NoProbability},
		{"no_history", r.NoHistory},
		{"not_listed", r.NotListed},
	}
	for _, c := range counts {
		add("units", c.name, "count", strconv.Itoa(c.n))
	}
	add("units", "expected_failures", "count", shown(r.Expected), r.Expected-2*r.ExpectedSD, r.Expected+2*r.ExpectedSD)
	add("units", "taken_out_expected", "count", shown(r.TakenOutExpected))
	for _, k := range append([]Ranking{r.Forecast}, r.Rules...) {
		auc, known := k.AUC.Get()
		se, sure := k.AUCSE.Get()
		if known && sure {
			add("order", k.Rule, "auc", shown(auc), max(0, auc-2*se), min(1, auc+2*se))
		} else {
			add("order", k.Rule, "auc", shownOpt(k.AUC))
		}
		add("order", k.Rule, "precision", shownOpt(k.Precision))
		add("order", k.Rule, "known", strconv.Itoa(k.Known))
	}
	s := r.Scores
	for _, m := range []struct {
		name string
		v    fleet.Opt[float64]
	}{
		{"brier", s.Brier},
		{"reliability", fleet.Known(s.Reliability)},
		{"resolution", fleet.Known(s.Resolution)},
		{"uncertainty", fleet.Known(s.Uncertainty)},
		{"within", fleet.Known(s.Within)},
		{"log_loss", s.LogLoss},
		{"calibration_error", s.CalibrationError},
	} {
		add("probability", "forecast", m.name, shownOpt(m.v))
	}
	for _, part := range []struct {
		name string
		list []Group
	}{{"tenth", r.Tenths}, {"band", r.Bands}} {
		for _, g := range part.list {
			add(part.name, g.Name, "units", strconv.Itoa(g.Units))
			add(part.name, g.Name, "expected", shown(g.Expected))
			add(part.name, g.Name, "failed", strconv.Itoa(g.Failed), g.Low*float64(g.Units), g.High*float64(g.Units))
		}
	}
	add("part", "all", "failed", strconv.Itoa(r.Parts.Failed))
	add("part", "all", "named_right", strconv.Itoa(r.Parts.Right))
	add("part", "top", "failed", strconv.Itoa(r.Parts.Caught))
	add("part", "top", "named_right", strconv.Itoa(r.Parts.CaughtRight))
	for _, c := range r.Parts.ByCause {
		add("part", string(c.Cause), "failed", strconv.Itoa(c.Failed))
		add("part", string(c.Cause), "named_right", strconv.Itoa(c.Right))
	}
	return rows
}

// AuditUnitColumns heads the rows of [AuditResult.UnitRows].
func AuditUnitColumns() []string {
	return []string{"unit", "depot", "band", "no_start_probability", "suspect", "failed", "failed_on", "cause", "battery_age_years", "last_test_pct", "lowest_cranking_v"}
}

// UnitRows are the units that were scored, one a row, by their keys.
func (r AuditResult) UnitRows() [][]string {
	var rows [][]string
	for _, s := range r.Units {
		on := ""
		if day, known := s.FailedOn.Get(); known {
			on = day.String()
		}
		rows = append(rows, []string{
			string(s.Unit), string(s.Depot), string(s.Band), shown(s.P), string(s.Suspect), strconv.FormatBool(s.Failed), on, string(s.Cause),
			shownOpt(s.AgeYears), shownOpt(s.TestPct), shownOpt(s.LowestV),
		})
	}
	return rows
}

// shown is a figure to four decimals: more than an audit can mean.
func shown(v float64) string { return strconv.FormatFloat(math.Round(v*1e4)/1e4, 'f', -1, 64) }

func shownOpt(o fleet.Opt[float64]) string {
	v, known := o.Get()
	if !known {
		return ""
	}
	return shown(v)
}
