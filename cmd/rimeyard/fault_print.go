package main

import (
	"fmt"
	"io"
	"strings"

	"rimeyard/faults"
)

// printStep shows the next check, or the finding with its sheet. What is known so far is said where it is not as before.
func printStep(w io.Writer, step faults.Step, before string) {
	fmt.Fprintln(w)
	if step.Doubt != "" {
		fmt.Fprintln(w, step.Doubt)
	}
	if step.Finding != nil {
		printFinding(w, *step.Finding)
		return
	}
	ask := step.Ask
	again := ""
	if ask.Again {
		again = ", once more"
	}
	minutes := "minutes"
	if ask.Minutes == 1 {
		minutes = "minute"
	}
	fmt.Fprintf(w, "%s%s (about %.0f %s)\n", ask.Title, again, ask.Minutes, minutes)
	if now := soFar(step.Chances); now != before {
		fmt.Fprintf(w, "  So far: %s\n", now)
	}
	fmt.Fprintf(w, "  %s\n", ask.Why)
	if len(ask.Tools) > 0 {
		fmt.Fprintf(w, "  Fetch: %s\n", strings.Join(ask.Tools, ", "))
	}
	printCautions(w, "  ", ask.Cautions)
	for i, h := range ask.How {
		fmt.Fprintf(w, "  %c) %s\n", 'a'+rune(i), h)
	}
	fmt.Fprintf(w, "  You should find: %s\n", ask.Expect)
	fmt.Fprintln(w, "  What do you find?")
	for i, o := range ask.Outcomes {
		fmt.Fprintf(w, "  %d  %s\n", i+1, o.Text)
	}
	fmt.Fprint(w, "  d  I don't know\n")
}

func printCautions(w io.Writer, indent string, cautions []string) {
	for _, c := range cautions {
		fmt.Fprintf(w, "%s! %s\n", indent, c)
	}
}

// soFar names the three likeliest causes.
func soFar(chances []faults.Chance) string {
	const shown = 3
	var said []string
	for _, c := range chances[:min(shown, len(chances))] {
		said = append(said, fmt.Sprintf("%s %.0f %%", c.Name, 100*c.Probability))
	}
	return strings.Join(said, "; ")
}

// printMeanings answers the question mark.
func printMeanings(w io.Writer, ask faults.Ask) {
	for i, o := range ask.Outcomes {
		fmt.Fprintf(w, "  %d  %s → %s\n", i+1, o.Text, o.Means)
	}
}

func printFinding(w io.Writer, f faults.Finding) {
	fmt.Fprintf(w, "%s\n", f.Says)
	const shown = 6
	for _, o := range f.Others[:min(shown, len(f.Others))] {
		fmt.Fprintf(w, "  or else: %s %.0f %%\n", o.Name, 100*o.Probability)
	}
	if len(f.Evidence) > 0 {
		fmt.Fprint(w, "\nEvidence\n")
	}
	speaks := map[int]string{-2: "against!", -1: "against", 0: "neither", 1: "for", 2: "for, much"}
	for _, e := range f.Evidence {
		fmt.Fprintf(w, "  %-9s %s\n", speaks[e.Strength()], e.Text)
	}
	fmt.Fprintf(w, "\nWhat to do\n  %s\n", f.Advice)
	if f.Kind.Stopped() == "" {
		fmt.Fprintln(w)
		printSheet(w, f.Sheet)
	}
}

func printSheet(w io.Writer, s faults.Sheet) {
	fmt.Fprintf(w, "JOB SHEET: %s\n%s\n\nHave at hand\n", s.Title, s.Unit)
	for _, h := range s.Have {
		fmt.Fprintf(w, "  [ ] %s\n", h)
	}
	fmt.Fprint(w, "\nMind\n")
	printCautions(w, "  ", s.Cautions)
	fmt.Fprintln(w)
	for i, step := range s.Steps {
		fmt.Fprintf(w, "%2d. %s\n", i+1, step.Do)
		printCautions(w, "    ", step.Cautions)
		for _, b := range step.Blanks {
			fmt.Fprintf(w, "    %s\n", b)
		}
		if step.Sign {
			fmt.Fprintln(w, "    done by ____________")
		}
	}
	fmt.Fprintf(w, "\n%s\n", s.Rules)
}
