package demofleet

import (
	"errors"
	"fmt"
	"os"

	"rimeyard/internal/fleet"
)

// Options say which fleet to make.
type Options struct {
	Seed  uint64
	Today fleet.Date // readings end on the day before
	Units int        // 0: 240
}

const (
	defaultUnits = 240
	fewestUnits  = 16 // below this a depot has no room for its story units
)

var errTooFew = errors.New("a demonstration fleet needs at least 16 units, to hold the units of its story")

// Write makes the fleet and writes it into dir as the eight interchange files. The same options give the same bytes.
func Write(dir string, o Options) (Story, error) {
	if o.Units == 0 {
		o.Units = defaultUnits
	}
	if o.Units < fewestUnits {
		return Story{}, fmt.Errorf("demonstration fleet of %d units: %w", o.Units, errTooFew)
	}
	y := build(o)
	y.hideASwap(o)
	for _, m := range y.machines {
		m.liveUntil(o.Today)
		m.forget()
	}
	y.mistakeNumbers(o)
	y.mistakeDegrees(o)
	y.loseDates(o)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return Story{}, fmt.Errorf("making the folder for the demonstration fleet: %w", err)
	}
	if err := y.writeFiles(dir, o); err != nil {
		return Story{}, fmt.Errorf("writing the demonstration fleet: %w", err)
	}
	var s Story
	for _, w := range scripts(o.Today) {
		s.Tales = append(s.Tales, w.tale)
	}
	return s, nil
}
