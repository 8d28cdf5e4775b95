package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// mostSessionBytes is far more than a search can say.
const mostSessionBytes = 1 << 20

// readSaid reads a session as people and programs write it: an answer may also be a figure that is not sorted yet.
func readSaid(cmd *cobra.Command, file string) (said faults.Session, err error) {
	from := cmd.InOrStdin()
	if file != "-" {
		f, err := os.Open(file)
		if err != nil {
			return said, usageError{fmt.Errorf("read the session: %w", err)}
		}
		defer f.Close() //nolint:errcheck // only read
		from = f
	}
	dec := json.NewDecoder(io.LimitReader(from, mostSessionBytes))
	dec.DisallowUnknownFields()
	if err := dec.Decode(&said); err != nil {
		return said, usageError{fmt.Errorf("%s is no session: %w", file, err)}
	}
	return said, nil
}

// replay gives the answers of a file in turn.
func (o faultOptions) replay(file string, said faults.Session) (faults.Session, error) {
	if o.cold {
		said.Facts.TemperatureC = fleet.Known(o.temperature)
	}
	s, err := faults.Replay(said, o.by, time.Now())
	if err != nil {
		return s, usageError{fmt.Errorf("%s: %w", file, err)}
	}
	return s, nil
}

// keepSession writes a session whole or not at all.
func keepSession(file string, s faults.Session) (err error) {
	b, err := json.MarshalIndent(s, "", "  ")
	if err != nil {
		return fmt.Errorf("keep the session: %w", err)
	}
	temp, err := os.CreateTemp(filepath.Dir(file), ".fault-*")
	if err != nil {
		return fmt.Errorf("keep the session: %w", err)
	}
	_, err = temp.Write(append(b, '\n'))
	if err = errors.Join(err, temp.Close()); err == nil {
		err = os.Rename(temp.Name(), file)
	}
	if err != nil {
		return fmt.Errorf("keep the session in %s: %w", file, errors.Join(err, os.Remove(temp.Name())))
	}
	return nil
}

var notInFileNames = regexp.MustCompile(`[^A-Za-z0-9._-]+`)

// freeName is where a session is kept when nobody said: beside the person, over no other file.
func freeName(unit fleet.UnitID) string {
	base := "fault"
	if unit != "" {
		base += "-" + notInFileNames.ReplaceAllString(string(unit), "-")
	}
	name := base + ".json"
	for n := 2; ; n++ {
		if _, err := os.Stat(name); errors.Is(err, os.ErrNotExist) {
			return name
		}
		name = fmt.Sprintf("%s-%d.json", base, n)
	}
}
