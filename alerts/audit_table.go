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
	if n := r.Nights; n.Units > 0 {
		add("units", "nights_known", "count", strconv.Itoa(n.Units))
		add("units", "failed_nights_known", "count", strconv.Itoa(n.Failed))
		add("units", "expected_with_nights", "count", shown(n.Expected), n.Expected-2*n.ExpectedSD, n.Expected+2*n.ExpectedSD)
	}
	add("units", "swaps_advised", "count", strconv.Itoa(r.Swaps))
	for _, k := range append([]Ranking{r.Forecast}, r.Rules...) {
		add("order", k.Rule, "auc", shownOpt(k.AUC), ends(k.AUCInterval)...)
		add("order", k.Rule, "precision", shownOpt(k.Precision), ends(k.PrecisionInterval)...)
		add("order", k.Rule, "known", strconv.Itoa(k.Known))
		if k.Lead.IsKnown() {
			add("order", k.Rule, "auc_lead_of_forecast", shownOpt(k.Lead), ends(k.LeadInterval)...)
		}
		rows = append(rows, k.Saving.rows(k.Rule, r.Swaps)...)
	}
	s := r.Scores
	for _, m := range []struct {
		name string
		v    fleet.Opt[float64]
		span fleet.Opt[Span]
	}{
		{"brier", s.Brier, s.BrierInterval},
		{"reliability", fleet.Known(s.Reliability), s.ReliabilityInterval},
		{"resolution", fleet.Known(s.Resolution), s.ResolutionInterval},
		{"uncertainty", fleet.Known(s.Uncertainty), s.UncertaintyInterval},
		{"within", fleet.Known(s.Within), fleet.Opt[Span]{}},
		{"log_loss", s.LogLoss, fleet.Opt[Span]{}},
		{"calibration_error", s.CalibrationError, fleet.Opt[Span]{}},
	} {
		add("probability", "forecast", m.name, shownOpt(m.v), ends(m.span)...)
	}
	for _, part := range []struct {
		name string
		list []Group
	}{{"tenth", r.Tenths}, {"band", r.Bands}} {
		for _, g := range part.list {
			add(part.name, g.Name, "units", strconv.Itoa(g.Units))
			add(part.name, g.Name, "expected", shown(g.Expected))
			if g.ExpectedNights.IsKnown() {
				add(part.name, g.Name, "expected_with_nights", shownOpt(g.ExpectedNights))
			}
			add(part.name, g.Name, "failed", strconv.Itoa(g.Failed), g.Low*float64(g.Units), g.High*float64(g.Units))
		}
	}
	add("part", "all", "failed", strconv.Itoa(r.Parts.Failed))
	add("part", "all", "named_right", strconv.Itoa(r.Parts.Right), counted(r.Parts.RightShare, r.Parts.Failed)...)
	add("part", "top", "failed", strconv.Itoa(r.Parts.Caught))
	add("part", "top", "named_right", strconv.Itoa(r.Parts.CaughtRight), counted(r.Parts.CaughtShare, r.Parts.Caught)...)
	for _, c := range r.Parts.ByCause {
		add("part", string(c.Cause), "failed", strconv.Itoa(c.Failed))
		add("part", string(c.Cause), "named_right", strconv.Itoa(c.Right))
	}
	return rows
}

// rows are the figures of one order; money that is unknown is an empty field.
func (s Saving) rows(order string, swaps int) [][]string {
	if swaps == 0 {
		return nil
	}
	low, high := "", ""
	if span, known := s.Interval.Get(); known {
		low, high = span.Low.String(), span.High.String()
	}
	return [][]string{
		{"money", order, "swaps", strconv.Itoa(swaps), "", ""},
		{"money", order, "caught", shown(s.Caught), "", ""},
		{"money", order, "unpriced", shown(s.Unpriced), "", ""},
		{"money", order, "avoided", amount(s.Avoided), "", ""},
		{"money", order, "spent", amount(s.Spent), "", ""},
		{"money", order, "saved", amount(s.Saved), low, high},
		{"money", order, "saved_per_swap", amount(s.PerSwap), "", ""},
	}
}

func amount(m fleet.Opt[fleet.Money]) string {
	if v, known := m.Get(); known {
		return v.String()
	}
	return ""
}

func ends(span fleet.Opt[Span]) []float64 {
	if s, known := span.Get(); known {
		return []float64{s.Low, s.High}
	}
	return nil
}

// counted turns the interval of a share into one of a count.
func counted(span fleet.Opt[Span], of int) []float64 {
	if s, known := span.Get(); known {
		return []float64{s.Low * float64(of), s.High * float64(of)}
	}
	return nil
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
