package main

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// writeFeatures writes what a careful analyst would compute of each unit as of the start of each past season and as of the fleet's
// date, with what came: from the records for the past, by the truth at the end. Only the benchmark's learners read it.
func writeFeatures(folder string, p plan, f *proving.Fleet, list fleet.RankedList) error {
	said := map[fleet.UnitID]float64{}
	for _, u := range list.Units {
		said[u.Unit] = u.NoStartProbability.Or(math.NaN())
	}
	var lines [][]string
	for back := pastYears(f); back >= 0; back-- {
		season := fleet.Season{From: f.Season.From.AddMonths(-12 * back), To: (f.Season.To + 1).AddMonths(-12*back) - 1}
		asOf := f.AsOf.AddMonths(-12 * back)
		known := asKnown(f, asOf)
		whole := f.Histories
		if back == 0 {
			whole = known // by the truth: nobody is left out
		}
		units, err := recordsOf(f, asOf, season, whole)
		if err != nil {
			return err
		}
		records := map[fleet.UnitID]alerts.Scored{}
		for _, u := range units {
			records[u.Unit] = u
		}
		v := newView(f, known, asOf)
		for _, h := range known {
			r, judgedByRecords := records[h.Unit.ID]
			if !judgedByRecords || len(h.Cranks)+len(h.Tests)+len(h.Batteries) == 0 {
				continue
			}
			line := &features{}
			line.word("fleet", p.String())
			line.word("physics", p.physics)
			line.number("seed", float64(p.seed))
			line.flag("dirt", p.dirt)
			line.word("unit", string(h.Unit.ID))
			line.word("as_of", asOf.String())
			line.flag("last", back == 0)
			truth := f.Truth[h.Unit.ID]
			if back == 0 {
				line.flag("failed", truth.Failed)
				line.number("said", said[h.Unit.ID])
				line.number("chance", truth.Chance)
			} else {
				line.flag("failed", r.Failed)
				line.number("said", math.NaN())
				line.number("chance", math.NaN())
			}
			v.describe(line, h, r)
			if lines == nil {
				lines = append(lines, line.names)
			}
			lines = append(lines, line.values)
		}
	}
	return writeLines(filepath.Join(folder, p.String()+".csv"), lines)
}

func writeLines(path string, lines [][]string) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	file, err := os.Create(path)
	if err != nil {
		return err
	}
	return errors.Join(csv.NewWriter(file).WriteAll(lines), file.Close())
}

// leadUp is how long records must lead up to a season that is to be learned from.
const leadUp = 90 // days

func pastYears(f *proving.Fleet) int {
	first := f.AsOf
	for _, h := range f.Histories {
		if len(h.Cranks) > 0 {
			first = min(first, fleet.DateOf(h.Cranks[0].At, time.UTC))
		}
		if len(h.Tests) > 0 {
			first = min(first, fleet.DateOf(h.Tests[0].At, time.UTC))
		}
	}
	years := 0
	for f.AsOf.AddMonths(-12*(years+1)) >= first+leadUp {
		years++
	}
	return years
}

// features is one line in the making.
type features struct{ names, values []string }

func (f *features) word(name, value string) {
	f.names, f.values = append(f.names, name), append(f.values, value)
}

func (f *features) flag(name string, yes bool) {
	f.word(name, map[bool]string{false: "0", true: "1"}[yes])
}

// number leaves the cell empty for what is not known.
func (f *features) number(name string, v float64) {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		f.word(name, "")
		return
	}
	f.word(name, strconv.FormatFloat(v, 'g', 7, 64))
}

func (f *features) opt(name string, v fleet.Opt[float64]) { f.number(name, v.Or(math.NaN())) }
