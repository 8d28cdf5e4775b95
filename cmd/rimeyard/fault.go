package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

// faultOptions are the flags of the fault command.
type faultOptions struct {
	format      outputFormat
	answers     string // a session or answers, to be judged without a question
	resume      string // a session to go on with
	save        string
	keep        bool // in the database
	by          string
	temperature float64
	cold        bool // temperature was said
}

func newFaultCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "fault [UNIT]",
		Short: "Find out why a unit does not crank: one check after the other, then the part, how sure, and its job sheet",
		Long: `fault asks for the check that tells most for the minutes and the risk it takes, learns from each answer, and ends in
a named part with its probability and a job sheet, or says who should have a look.

With a UNIT it starts from what is recorded of it and from its newest forecast. Without one it serves any vehicle: it asks the few
facts it needs and touches no database. A search can be left with quit and gone on with by somebody else.

--keep holds the search in the database, where one of the unit that is open already is gone on with: begun here, it can be gone on with
on a phone, and the other way round.

--answers judges without asking: the file is a kept session, or facts and answers of your own, such as
{"facts": {"system_volts": 12}, "answers": [{"check": "secure", "answer": "done"}, {"check": "rest_v", "answer": "12.1"}]}`,
		Example: "  rimeyard fault\n  rimeyard fault T-014 --temperature -12\n  rimeyard fault T-014 --keep --by ann\n  rimeyard fault --resume fault-T-014.json\n  rimeyard fault --answers session.json --format json",
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) > 1 {
				return errors.New("fault wants one unit's number, or none for a vehicle that is not recorded")
			}
			return nil
		},
	}
	o := faultOptions{}
	format := addFormatFlag(cmd)
	cmd.Flags().StringVar(&o.answers, "answers", "", "judge this file of facts and answers (-: standard input) and print what comes next")
	cmd.Flags().StringVar(&o.resume, "resume", "", "go on with a session kept in this file")
	cmd.Flags().StringVar(&o.save, "save", "", "keep the session in this file (default: the resumed one; on quit a new one beside you)")
	cmd.Flags().BoolVar(&o.keep, "keep", false, "hold the unit's search in the database, and go on with one that is open")
	cmd.Flags().StringVar(&o.by, "by", "", "who does the checks, to be kept with the answers")
	cmd.Flags().Float64Var(&o.temperature, "temperature", 0, "°C of the battery, else of the air (default: the newest low of the unit's depot)")
	cmd.MarkFlagsMutuallyExclusive("answers", "resume", "keep")
	cmd.MarkFlagsMutuallyExclusive("save", "keep")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		o.format, o.cold = *format, cmd.Flags().Changed("temperature")
		if o.format == asCSV {
			return usageError{errors.New("--format csv: a search is no table; want table or json")}
		}
		unit := ""
		if len(args) == 1 {
			unit = args[0]
		}
		if o.resume == "-" {
			return usageError{errors.New("--resume -: a session from standard input leaves nobody to ask; want a file, or --answers -")}
		}
		if o.keep && (unit == "" || o.format == asJSON) {
			return usageError{errors.New("--keep: name a unit, and answer at the prompt; the search of another vehicle is kept with --save, and the API keeps searches for programs")}
		}
		if o.answers != "" || o.format == asJSON {
			return judgeFault(cmd, o, fleet.UnitID(unit))
		}
		return askFault(cmd, o, fleet.UnitID(unit))
	}
	return cmd
}

// judgeFault prints what follows from what is said, and asks nothing.
func judgeFault(cmd *cobra.Command, o faultOptions, unit fleet.UnitID) error {
	s, err := saidSession(cmd, o, unit)
	if err != nil {
		return err
	}
	if o.save != "" {
		if err := keepSession(o.save, s); err != nil {
			return err
		}
	}
	out := cmd.OutOrStdout()
	if o.format == asJSON {
		return writeJSON(out, struct {
			Session faults.Session `json:"session"`
			Next    faults.Step    `json:"next"`
		}{s, s.Next()})
	}
	printStep(out, s.Next(), "")
	return nil
}

// saidSession is the session of a file, of a unit, or of both: the unit's facts, the file's answers.
func saidSession(cmd *cobra.Command, o faultOptions, unit fleet.UnitID) (faults.Session, error) {
	if file := o.answers + o.resume; file != "" {
		said, err := readSaid(cmd, file)
		if err != nil {
			return faults.Session{}, err
		}
		if said.Facts.SystemVolts != 0 || unit == "" {
			if unit != "" && said.Facts.Unit != unit {
				return faults.Session{}, usageError{fmt.Errorf("%s is of unit %q, not of %q", file, said.Facts.Unit, unit)}
			}
			return o.replay(file, said)
		}
		s, err := o.recorded(cmd, unit)
		if err != nil {
			return faults.Session{}, err
		}
		said.Facts, said.Prior, said.Notes = s.Facts, s.Prior, s.Notes
		return o.replay(file, said)
	}
	if unit == "" {
		return faults.Session{}, usageError{errors.New("nothing is known of the vehicle: name a unit, or give facts with --answers; see rimeyard fault --help")}
	}
	return o.recorded(cmd, unit)
}

// begin starts a search with what the command line says of the cold.
func (o faultOptions) begin(f faults.Facts, p faults.Prior) (faults.Session, error) {
	if o.cold {
		f.TemperatureC = fleet.Known(o.temperature)
	}
	s, err := faults.New(f, p)
	if err != nil {
		return s, usageError{err}
	}
	return s, nil
}

// recorded begins a search of a unit that the database knows.
func (o faultOptions) recorded(cmd *cobra.Command, unit fleet.UnitID) (faults.Session, error) {
	db, done, err := openDatabase(cmd)
	if err != nil {
		return faults.Session{}, err
	}
	defer done()
	return o.recordedIn(cmd.Context(), db, unit)
}

func (o faultOptions) recordedIn(ctx context.Context, db *store.DB, unit fleet.UnitID) (faults.Session, error) {
	h, err := db.History(ctx, unit)
	if errors.Is(err, store.ErrNoUnit) {
		return faults.Session{}, usageError{fmt.Errorf("unit %q is not in the fleet: rimeyard rank lists the units there are; without a unit, rimeyard fault asks for the facts", unit)}
	}
	if err != nil {
		return faults.Session{}, err
	}
	forecast, err := newestForecast(ctx, db, unit)
	if err != nil {
		return faults.Session{}, err
	}
	today := fleet.DateOf(time.Now(), time.Local)
	facts, prior := faults.Recorded(h, forecast, today)
	low, known, err := db.LastLow(ctx, h.Unit.Depot, today-1, today)
	if err != nil {
		return faults.Session{}, err
	}
	if known {
		facts.TemperatureC = fleet.Known(low.C)
	}
	s, err := o.begin(facts, prior)
	if err != nil {
		return s, err
	}
	err = noteClass(ctx, db, &s)
	return s, err
}

// noteClass gives a session what the fleet has written down for its class.
func noteClass(ctx context.Context, db *store.DB, s *faults.Session) error {
	note, found, err := db.ClassNote(ctx, s.Facts.Class)
	if err != nil || !found {
		return err
	}
	if err := json.Unmarshal(note.Notes, &s.Notes); err != nil {
		return fmt.Errorf("read the notes of class %q: %w", s.Facts.Class, err)
	}
	return nil
}

// newestForecast is the unit's line in the newest list; the zero Forecast: there is none.
func newestForecast(ctx context.Context, db *store.DB, unit fleet.UnitID) (fleet.Forecast, error) {
	issue, err := db.LatestIssue(ctx)
	if errors.Is(err, store.ErrNoIssue) {
		return fleet.Forecast{}, nil
	}
	if err != nil {
		return fleet.Forecast{}, err
	}
	found, err := db.Forecasts(ctx, issue.ID, store.ForecastFilter{Unit: unit})
	if err != nil || len(found) == 0 {
		return fleet.Forecast{}, err
	}
	return found[0], nil
}
