package main

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// talk is a search held with a person, line by line.
type talk struct {
	in  *bufio.Scanner
	out io.Writer
	o   faultOptions

	// keep holds every answer, given or taken back, as it comes, and says how the search stands then; nil: it is kept on leaving.
	keep func(after faults.Session) (faults.Session, error)
}

// errLeft ends a talk that the person leaves.
var errLeft = errors.New("left")

// askFault asks until the finding, or until the person leaves.
func askFault(cmd *cobra.Command, o faultOptions, unit fleet.UnitID) error {
	t := &talk{in: bufio.NewScanner(cmd.InOrStdin()), out: cmd.OutOrStdout(), o: o}
	if o.keep {
		return t.searchKept(cmd, unit)
	}
	var s faults.Session
	var err error
	if unit == "" && o.resume == "" {
		s, err = t.askFacts()
		if errors.Is(err, errLeft) {
			fmt.Fprintln(t.out, "Left before the first check: nothing is kept.")
			return nil
		}
	} else {
		s, err = saidSession(cmd, o, unit)
	}
	if err != nil {
		return err
	}
	t.greet(s)
	s, err = t.search(s)
	if errors.Is(err, errLeft) {
		return t.leave(s)
	}
	if err != nil {
		return err
	}
	if o.save != "" || o.resume != "" {
		return keepSession(o.keepIn(s), s)
	}
	return nil
}

// keepIn is the file for the session.
func (o faultOptions) keepIn(s faults.Session) string {
	switch {
	case o.save != "":
		return o.save
	case o.resume != "":
		return o.resume
	}
	return freeName(s.Facts.Unit)
}

func (t *talk) leave(s faults.Session) error {
	file := t.o.keepIn(s)
	if err := keepSession(file, s); err != nil {
		return err
	}
	fmt.Fprintf(t.out, "\nKept in %s. Anybody goes on with: rimeyard fault --resume %s\n", file, file)
	return nil
}

// line is the next line; errLeft at the end of the input.
func (t *talk) line(prompt string) (string, error) {
	fmt.Fprint(t.out, prompt)
	if !t.in.Scan() {
		fmt.Fprintln(t.out)
		return "", errors.Join(errLeft, t.in.Err())
	}
	said := strings.TrimSpace(t.in.Text())
	if strings.EqualFold(said, "quit") {
		return "", errLeft
	}
	return said, nil
}

func (t *talk) greet(s faults.Session) {
	if s.Facts.Unit != "" {
		fmt.Fprintf(t.out, "Unit %s, %d V %s.\n", s.Facts.Unit, s.Facts.SystemVolts, s.Facts.Fuel)
		for _, e := range s.Prior.Evidence {
			fmt.Fprintf(t.out, "  - %s\n", e)
		}
	}
	for _, a := range s.Said() {
		fmt.Fprintf(t.out, "  answered: %s: %s\n", a.Title, a.Text)
	}
	fmt.Fprintln(t.out, "Answer by number; ? says what each answer means, d is don't know, back takes the last answer back, quit keeps the search for later.")
}

// search asks check after check.
func (t *talk) search(s faults.Session) (faults.Session, error) {
	resumed, told := len(s.Answers) > 0, ""
	for {
		step := s.Next()
		printStep(t.out, step, told)
		told = soFar(step.Chances)
		ask := step.Ask
		if step.Finding != nil && step.Finding.Kind.Stopped() == "" {
			return s, nil
		}
		if step.Finding != nil {
			if !resumed { // kept, to go on once it is safe
				return s, errLeft
			}
			anew, err := s.Look(step.Finding.Kind.GoOn())
			if err != nil {
				return s, err
			}
			ask = &anew
			printStep(t.out, faults.Step{Ask: ask, Chances: step.Chances}, soFar(step.Chances))
		}
		resumed = false
		after, err := t.answer(s, *ask)
		if err != nil {
			return s, err
		}
		if t.keep != nil {
			if after, err = t.keep(after); err != nil {
				return s, err
			}
		}
		s = after
	}
}

// answer reads lines until one is an answer, or takes one back.
func (t *talk) answer(s faults.Session, ask faults.Ask) (faults.Session, error) {
	prompt := fmt.Sprintf("1–%d > ", len(ask.Outcomes))
	if ask.Unit != "" {
		prompt = fmt.Sprintf("what you read in %s, or #1 to #%d for one of these > ", ask.Unit, len(ask.Outcomes))
	}
	for {
		said, err := t.line(prompt)
		switch {
		case err != nil:
			return s, err
		case said == "":
			continue
		case said == "?":
			printMeanings(t.out, ask)
			continue
		case strings.EqualFold(said, "back"):
			if len(s.Answers) == 0 {
				fmt.Fprintln(t.out, "There is no answer to take back.")
				continue
			}
			return s.Undo(), nil
		}
		after, err := s.Answer(ask.Check, reading(said, ask), t.o.by, time.Now())
		if err == nil {
			return after, nil
		}
		if ask.Unit == "" {
			err = fmt.Errorf("%q is none of the answers: type a number from 1 to %d, or d", said, len(ask.Outcomes))
		}
		fmt.Fprintf(t.out, "%s.\n", strings.TrimPrefix(err.Error(), ask.Title+": "))
	}
}

// reading turns what is typed into what Answer takes: #2 (or 2, where no figure is asked for) is the second outcome.
func reading(said string, ask faults.Ask) string {
	if strings.EqualFold(said, "d") || strings.EqualFold(said, "don't know") {
		return faults.DontKnow
	}
	number, sharp := strings.CutPrefix(said, "#")
	if n, err := strconv.Atoi(number); err == nil && (sharp || ask.Unit == "") && n >= 1 && n <= len(ask.Outcomes) {
		return ask.Outcomes[n-1].ID
	}
	return said
}

// askFacts asks what must be known of a vehicle that nobody has recorded. Whatever but the volts may be left out.
func (t *talk) askFacts() (s faults.Session, err error) {
	fmt.Fprintln(t.out, "A few facts first. Enter where you do not know: all but the first may be left out. quit to leave.")
	var f faults.Facts
	var p faults.Prior
	for _, ask := range []func(*faults.Facts, *faults.Prior) error{t.askVolts, t.askEngine, t.askBattery, t.askCold} {
		if err := ask(&f, &p); err != nil {
			return s, err
		}
	}
	return faults.New(f, p)
}

func (t *talk) askVolts(f *faults.Facts, _ *faults.Prior) error {
	v, err := choose(t, "Is it a 12 or a 24 volt vehicle (cars and vans: 12; two batteries in a row on a heavy truck: 24): ", map[string]int{"12": 12, "24": 24, "12 volts": 12, "24 volts": 24, "12v": 12, "24v": 24}, false)
	f.SystemVolts = v
	return err
}

func (t *talk) askEngine(f *faults.Facts, _ *faults.Prior) (err error) {
	f.Fuel, err = choose(t, "Petrol or diesel: ", map[string]fleet.Fuel{"petrol": fleet.Petrol, "gasoline": fleet.Petrol, "diesel": fleet.Diesel}, true)
	if err != nil {
		return err
	}
	if f.SystemVolts == 12 && f.Fuel == fleet.Petrol { // for what its starter may draw
		if f.EngineLitres, err = t.figure("Size of the engine in litres, such as 1.6: ", 0.2, 30); err != nil {
			return err
		}
	}
	f.Gearbox, err = choose(t, "Gearbox, automatic or manual (manual: there is a clutch pedal): ", map[string]fleet.Gearbox{"automatic": fleet.Automatic, "manual": fleet.Manual}, true)
	return err
}

func (t *talk) askBattery(f *faults.Facts, p *faults.Prior) (err error) {
	types := map[string]fleet.Chemistry{"none": fleet.Flooded, "flooded": fleet.Flooded, "efb": fleet.EFB, "agm": fleet.AGM, "gel": fleet.Gel}
	standards := map[string]fleet.CCAStandard{"sae": fleet.SAE, "cca": fleet.SAE, "en": fleet.EN, "din": fleet.DIN, "iec": fleet.IEC, "jis": fleet.JIS}
	const mostA, mostAh, mostYears = 2500, 400, 40
	if f.Chemistry, err = choose(t, "Does the battery's label say AGM, EFB or gel (which, or none): ", types, true); err != nil {
		return err
	}
	if f.RatedCCAA, err = t.figure("The label's figure in A, the current for cold starts, such as 640 (of one battery): ", 50, mostA); err != nil {
		return err
	}
	if f.RatedCCAA.IsKnown() {
		if f.CCAStandard, err = choose(t, "The letters beside that figure: EN, SAE (CCA alone: SAE), DIN, IEC or JIS: ", standards, true); err != nil {
			return err
		}
	}
	if f.RatedAh, err = t.figure("The label's figure in Ah, such as 70 (of one battery): ", 5, mostAh); err != nil {
		return err
	}
	p.BatteryYears, err = t.figure("How many years old is the battery, about: ", 0, mostYears)
	return err
}

func (t *talk) askCold(f *faults.Facts, _ *faults.Prior) (err error) {
	if t.o.cold {
		f.TemperatureC = fleet.Known(t.o.temperature)
		return nil
	}
	f.TemperatureC, err = t.figure("How cold is it where it stands, in °C (with F: in °F): ", -55, 55)
	return err
}

// choose reads one of the words, a beginning of one that fits no other, or nothing where that is allowed.
func choose[T any](t *talk, prompt string, words map[string]T, orNothing bool) (T, error) {
	var none T
	for {
		said, err := t.line(prompt)
		if err != nil || said == "" && orNothing {
			return none, err
		}
		said = strings.ToLower(said)
		if v, found := words[said]; found {
			return v, nil
		}
		var found []T
		for word, v := range words {
			if said != "" && strings.HasPrefix(word, said) {
				found = append(found, v)
			}
		}
		if len(found) == 1 {
			return found[0], nil
		}
		fmt.Fprintf(t.out, "%q is none of these: type one of them, or Enter.\n", said)
	}
}

// plainFigure reads a number as people type it, with its unit or without; °F become °C.
func plainFigure(said string) (float64, error) {
	text := strings.ToLower(strings.NewReplacer(",", ".", "−", "-", "°", "", " ", "").Replace(said))
	number, isF := strings.CutSuffix(text, "f")
	for _, unit := range []string{"ah", "a", "v", "c", "l"} {
		number = strings.TrimSuffix(number, unit)
	}
	v, err := strconv.ParseFloat(number, 64)
	if isF {
		v = (v - 32) / 1.8
	}
	return v, err
}

// figure reads a number within bounds, or nothing.
func (t *talk) figure(prompt string, low, high float64) (fleet.Opt[float64], error) {
	for {
		said, err := t.line(prompt)
		if err != nil || said == "" {
			return fleet.Opt[float64]{}, err
		}
		v, err := plainFigure(said)
		if err == nil && v >= low && v <= high {
			return fleet.Known(v), nil
		}
		fmt.Fprintf(t.out, "%q cannot be: want a number from %v to %v, or Enter.\n", said, low, high)
	}
}
