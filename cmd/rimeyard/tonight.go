package main

import (
	"errors"
	"fmt"
	"maps"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

var errNoLow = errors.New("no depot has a forecast low for tonight: type it in on the page Tonight, import temperatures for tomorrow, or say it, like --low NOR=-18")

func newTonightCmd() *cobra.Command {
	cmd := &cobra.Command{
		Use: "tonight", Args: cobra.NoArgs,
		Short:   "Print who will probably not start tomorrow morning, at the forecast low of each depot",
		Example: "  rimeyard tonight\n  rimeyard tonight --low NOR=-24 --low COA=-3 --top 10",
	}
	format, asOf := addFormatFlag(cmd), addAsOfFlag(cmd)
	said := cmd.Flags().StringArray("low", nil, "DEPOT=°C: tonight's low at a depot, instead of what was typed in or imported")
	top := cmd.Flags().Int("top", 20, "print only this many units (0: all)")
	cmd.RunE = func(cmd *cobra.Command, _ []string) error {
		lows, err := parseLows(*said)
		if err != nil {
			return err
		}
		db, done, err := openDatabase(cmd)
		if err != nil {
			return err
		}
		defer done()
		in, err := rankInput(cmd.Context(), db, asOf.day())
		if err != nil {
			return err
		}
		if err := knownDepots(in.Depots, lows); err != nil {
			return err
		}
		in.Progress = progressOf(cmd)
		foreseen, err := reports.LowsTonight(cmd.Context(), db, in.Depots, dawnAfter(in.AsOf, time.Now()))
		if err != nil {
			return err
		}
		for depot, low := range foreseen {
			if _, isSaid := lows[depot]; !isSaid {
				lows[depot] = low.C
			}
		}
		if len(lows) == 0 {
			return errNoLow
		}
		nights, err := alerts.Tonight(cmd.Context(), in, lows)
		if err != nil {
			return err
		}
		if err := noteUncounted(cmd, db, asOf, ""); err != nil {
			return err
		}
		if *top > 0 {
			nights = nights[:min(*top, len(nights))]
		}
		return listNights(nights, *format).print(cmd.OutOrStdout(), *format)
	}
	return cmd
}

func listNights(nights []alerts.Night, format outputFormat) listing {
	rows := make([][]string, len(nights))
	for i, n := range nights {
		chance := exact(n.NoStartProbability)
		if format == asTable {
			chance = percent(fleet.Known(n.NoStartProbability))
		}
		rows[i] = []string{string(n.Unit), string(n.Depot), chance, exact(n.LowC), exact(n.ColdLimitC), exact(n.LowC - n.ColdLimitC)}
	}
	return listing{
		[]string{"unit", "depot", "no_start_probability", "low_c", "cold_limit_c", "reserve_c"},
		rows, nights,
		"no unit stands at a depot whose low is known",
	}
}

func parseLows(said []string) (map[fleet.DepotID]float64, error) {
	lows := map[fleet.DepotID]float64{}
	for _, s := range said {
		depot, degrees, _ := strings.Cut(s, "=")
		low, err := strconv.ParseFloat(degrees, 64)
		if err != nil || depot == "" || !(low > -80 && low < 50) {
			return nil, usageError{fmt.Errorf("--low %q: want a depot and its low in °C, like NOR=-18", s)}
		}
		lows[fleet.DepotID(depot)] = low
	}
	return lows, nil
}

// knownDepots refuses a low of a depot that is not there: it would be held against nobody, and nobody would notice.
func knownDepots(depots []fleet.Depot, lows map[fleet.DepotID]float64) error {
	for _, depot := range slices.Sorted(maps.Keys(lows)) {
		if !slices.ContainsFunc(depots, func(d fleet.Depot) bool { return d.ID == depot }) {
			return usageError{fmt.Errorf("--low %s: there is no such depot", depot)}
		}
	}
	return nil
}

// exact drops what binary fractions add, and nothing else.
func exact(v float64) string {
	return strconv.FormatFloat(math.Round(v*1e4)/1e4, 'f', -1, 64)
}
