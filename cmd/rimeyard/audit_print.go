package main

import (
	"fmt"
	"io"
	"math"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func printAudit(w io.Writer, format outputFormat, seasons []auditedSeason) error {
	results := make([]alerts.AuditResult, len(seasons))
	for i, s := range seasons {
		results[i] = s.whole
	}
	switch format {
	case asJSON:
		return writeJSON(w, struct {
			Seasons []alerts.AuditResult `json:"seasons"`
		}{results})
	case asCSV:
		var rows [][]string
		for _, r := range results {
			for _, row := range r.Rows() {
				rows = append(rows, append([]string{r.AsOf.String(), r.Source}, row...))
			}
		}
		return writeCSV(w, append([]string{"as_of", "source"}, alerts.AuditColumns()...), rows)
	}
	for _, r := range results {
		if err := printAuditOf(w, r); err != nil {
			return err
		}
	}
	return nil
}

func printAuditOf(w io.Writer, r alerts.AuditResult) error {
	source := "replayed: made now by " + r.Method + ", from what was known then"
	if day, issued := r.IssuedOn.Get(); issued {
		source = fmt.Sprintf("as issued on %s by %s", day, r.Method)
	}
	fmt.Fprintf(w, "List of %s (%s), season %s to %s\n%s\n", r.AsOf, source, r.Season.From, r.Through, r.Judgement)
	fmt.Fprintf(w, "%d units: %d failed, %.1f ± %.1f expected; %d had a part taken out before it could fail\n",
		r.Scored, r.Failed, r.Expected, r.ExpectedSD, r.TakenOut)
	if n := r.Nights; n.Units > 0 {
		fmt.Fprintf(w, "with the nights that came: %.1f ± %.1f expected of %d units, %d of which failed\n", n.Expected, n.ExpectedSD, n.Units, n.Failed)
	}
	fmt.Fprintln(w)
	steps := []func(io.Writer, alerts.AuditResult) error{printOrders, printMoney, printScores, printBands}
	for _, step := range steps {
		if err := step(w, r); err != nil {
			return err
		}
		fmt.Fprintln(w)
	}
	return nil
}

func printOrders(w io.Writer, r alerts.AuditResult) error {
	var rows [][]string
	for _, k := range append([]alerts.Ranking{r.Forecast}, r.Rules...) {
		rows = append(rows, []string{
			k.Rule, decimals(k.AUC, 3) + inBrackets(k.AUCInterval, 1, 3), decimals(k.Lead, 3) + inBrackets(k.LeadInterval, 1, 3),
			percent(k.Precision) + inBrackets(k.PrecisionInterval, 100, 0), fmt.Sprint(k.Known),
		})
	}
	return writeTable(w, []string{"ordered by", "AUC", "forecast's lead", "of the top, failed", "units with a value"}, rows)
}

func printMoney(w io.Writer, r alerts.AuditResult) error {
	if r.Swaps == 0 {
		_, err := fmt.Fprintln(w, "The list asked for no swap, so there is nothing it could have saved.")
		return err
	}
	fmt.Fprintf(w, "Had the first %d of each order been swapped before the season, as many as the list asked for:\n", r.Swaps)
	var rows [][]string
	for _, k := range append([]alerts.Ranking{r.Forecast}, r.Rules...) {
		s := k.Saving
		saved := orDash(s.Saved)
		if span, known := s.Interval.Get(); known {
			saved += fmt.Sprintf(" (%s … %s)", span.Low, span.High)
		}
		rows = append(rows, []string{k.Rule, trimmed(s.Caught), orDash(s.Avoided), orDash(s.Spent), saved, trimmed(s.Unpriced), orDash(s.PerSwap)})
	}
	return writeTable(w, []string{"ordered by", "failures caught", "avoided", "spent", "saved", "left out, no price", "saved per swap"}, rows)
}

// trimmed is a count that may be a fraction where units tie.
func trimmed(x float64) string {
	if x == math.Trunc(x) {
		return fmt.Sprintf("%.0f", x)
	}
	return fmt.Sprintf("%.1f", x)
}

func printScores(w io.Writer, r alerts.AuditResult) error {
	s := r.Scores
	fmt.Fprintf(w, "Brier score %s%s = reliability %.4f%s − resolution %.4f%s + uncertainty %.4f%s + within groups %.4f\n",
		decimals(s.Brier, 4), inBrackets(s.BrierInterval, 1, 4), s.Reliability, inBrackets(s.ReliabilityInterval, 1, 4),
		s.Resolution, inBrackets(s.ResolutionInterval, 1, 4), s.Uncertainty, inBrackets(s.UncertaintyInterval, 1, 4), s.Within)
	fmt.Fprintf(w, "log loss %s, calibration error over ten groups %s\n", decimals(s.LogLoss, 4), decimals(s.CalibrationError, 4))
	_, err := fmt.Fprintf(w, "right part named: %d of %d failures%s, %d of the %d caught%s\n", r.Parts.Right, r.Parts.Failed,
		inBrackets(r.Parts.RightShare, 100, 0), r.Parts.CaughtRight, r.Parts.Caught, inBrackets(r.Parts.CaughtShare, 100, 0))
	return err
}

func printBands(w io.Writer, r alerts.AuditResult) error {
	var rows [][]string
	for _, g := range append(append([]alerts.Group{}, r.Bands...), r.Tenths...) {
		n := float64(g.Units)
		rows = append(rows, []string{
			g.Name, fmt.Sprint(g.Units), fmt.Sprintf("%.1f", g.Expected), decimals(g.ExpectedNights, 1),
			fmt.Sprintf("%d (%.1f … %.1f)", g.Failed, g.Low*n, g.High*n),
		})
	}
	return writeTable(w, []string{"band, tenth", "units", "expected", "with the nights that came", "failed"}, rows)
}

// inBrackets is an interval behind its figure, in the same unit; empty where it is unknown.
func inBrackets(span fleet.Opt[alerts.Span], times float64, places int) string {
	s, known := span.Get()
	if !known {
		return ""
	}
	return fmt.Sprintf(" (%.*f … %.*f)", places, times*s.Low, places, times*s.High)
}

func decimals(v fleet.Opt[float64], places int) string {
	x, known := v.Get()
	if !known {
		return "–"
	}
	return fmt.Sprintf("%.*f", places, x)
}
