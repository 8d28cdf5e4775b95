// Command prove holds the forecast against fleets of which the truth is known: it builds them, runs the product on their records as
// it runs on a database, and prints how good the forecast was beside what knowing the true state would give and what the rules in
// use today give.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/pprof"
	"strconv"
	"strings"

	"rimeyard/trend"
)

// options are what the command line says.
type options struct {
	physics  []string
	seeds    []uint64
	dirt     []bool
	units    int
	years    int
	futures  int
	cache    string
	sources  map[string]string // hash of those that build a physics' fleets, if fleets are kept
	stale    bool
	stages   bool
	format   string
	features string
	teach    string
	correct  string
	profile  string
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	err := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	if errors.Is(err, flag.ErrHelp) {
		return
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "prove:", err)
		os.Exit(1) //nolint:gocritic // the signal handler ends with the process
	}
}

func run(ctx context.Context, args []string, out, progress io.Writer) (err error) {
	o, err := parse(args, progress)
	if err != nil {
		return err
	}
	if o.profile != "" {
		end, started := profileTo(o.profile)
		if started != nil {
			return started
		}
		defer func() { err = errors.Join(err, end()) }()
	}
	var all []judged
	var lessons []trend.Params
	var off offTruth
	for _, one := range o.fleets() {
		f, err := one.fleet(ctx, o, progress)
		if err != nil {
			return fmt.Errorf("build %s: %w", one, err)
		}
		if o.teach != "" {
			p, err := lessonOf(ctx, f)
			if err != nil {
				return fmt.Errorf("learn from %s: %w", one, err)
			}
			lessons = append(lessons, p)
			continue
		}
		j, err := judge(ctx, f, o.stages)
		if err != nil {
			return fmt.Errorf("judge %s: %w", one, err)
		}
		off.add(&j, o.futures)
		if o.features != "" {
			if err := writeFeatures(o.features, one, f, j.list); err != nil {
				return fmt.Errorf("features of %s: %w", one, err)
			}
		}
		j.dirt = one.dirt
		first := j.rows[0].Score
		fmt.Fprintf(progress, "%s: %d units, %.1f %% failing, AUC %.3f, top k %.0f %%, ECE %.3f, all %.1f s\n", one, first.Units, 100*first.FailedShare,
			first.AUC, 100*first.TopShare, first.ErrorByCount, j.took.Rank.Seconds())
		all = append(all, j)
	}
	if o.teach != "" {
		return writePrior(o.teach, lessons)
	}
	if o.correct != "" {
		return correctPrior(o.correct, &off)
	}
	if o.format == "csv" {
		return writeCSV(out, all)
	}
	printTable(out, all)
	return nil
}

func parse(args []string, errs io.Writer) (o options, err error) {
	flags := flag.NewFlagSet("prove", flag.ContinueOnError)
	flags.SetOutput(errs)
	physics := flags.String("physics", strings.Join(physicsNames(false), ","), "which `physics`, by comma")
	seeds := flags.String("seeds", "1-3", "`seeds`, like 1-3 or 4,7")
	dirt := flags.String("dirt", "both", "records with dirt: `no, yes or both`")
	flags.IntVar(&o.units, "units", 600, "units of a fleet")
	flags.IntVar(&o.years, "years", 3, "years of records")
	flags.IntVar(&o.futures, "futures", 100, "futures drawn for each unit's true chance")
	flags.StringVar(&o.cache, "cache", "", "keep built fleets in `folder`")
	flags.BoolVar(&o.stale, "stale", false, "use kept fleets even if the sources that built them have changed")
	flags.BoolVar(&o.stages, "stages", false, "time compression and learning apart, in a run of their own")
	flags.StringVar(&o.features, "features", "", "write a table of features of each fleet to `folder`")
	flags.StringVar(&o.teach, "teach", "", "do not judge: learn from each fleet, and write what they have in common to `file`")
	flags.StringVar(&o.correct, "correct", "", "write how far limits and chances lie from the truth into the prior in `file`, with which this was built")
	flags.StringVar(&o.format, "format", "text", "text or csv")
	flags.StringVar(&o.profile, "cpuprofile", "", "write a profile to `file`")
	if err := flags.Parse(args); err != nil {
		return o, err
	}
	if flags.NArg() > 0 {
		return o, fmt.Errorf("%q: want flags only", flags.Arg(0))
	}
	o.physics = strings.Split(*physics, ",")
	for _, name := range o.physics {
		if physicsNamed[name] == nil {
			return o, fmt.Errorf("-physics %q: want some of %s", name, strings.Join(physicsNames(true), ", "))
		}
	}
	if o.dirt = map[string][]bool{"no": {false}, "yes": {true}, "both": {false, true}}[*dirt]; o.dirt == nil {
		return o, fmt.Errorf("-dirt %q: want no, yes or both", *dirt)
	}
	if o.format != "text" && o.format != "csv" {
		return o, fmt.Errorf("-format %q: want text or csv", o.format)
	}
	if o.cache != "" { // before long work, during which they may change
		o.sources = map[string]string{}
		for _, name := range o.physics {
			if o.sources[name], err = sourcesOf(name); err != nil {
				return o, err
			}
		}
	}
	o.seeds, err = parseSeeds(*seeds)
	return o, err
}

// parseSeeds reads 1-3,7 as 1, 2, 3, 7.
func parseSeeds(s string) (seeds []uint64, err error) {
	for part := range strings.SplitSeq(s, ",") {
		from, to, isRange := strings.Cut(part, "-")
		if !isRange {
			to = from
		}
		low, errLow := strconv.ParseUint(from, 10, 32)
		high, errHigh := strconv.ParseUint(to, 10, 32)
		if errLow != nil || errHigh != nil || low > high {
			return nil, fmt.Errorf("-seeds %q: want numbers and ranges, like 1-3,7", s)
		}
		for seed := low; seed <= high; seed++ {
			seeds = append(seeds, seed)
		}
	}
	return seeds, nil
}

func profileTo(path string) (end func() error, err error) {
	file, err := os.Create(path)
	if err != nil {
		return nil, err
	}
	if err := pprof.StartCPUProfile(file); err != nil {
		return nil, errors.Join(err, file.Close())
	}
	return func() error {
		pprof.StopCPUProfile()
		return file.Close()
	}, nil
}
