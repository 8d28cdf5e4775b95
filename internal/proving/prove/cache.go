package main

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"rimeyard/internal/proving"
)

var errStale = errors.New("it was built by other sources than today's")

// readKept reads a fleet that was built before, by sources of that hash, or (stale) by any.
func readKept(path, sources string, stale bool) (*proving.Fleet, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close() //nolint:errcheck // it was only read
	builtBy := make([]byte, len(sources))
	if _, err := io.ReadFull(file, builtBy); err != nil {
		return nil, err
	}
	same := string(builtBy) == sources
	if !same && !stale {
		return nil, errStale
	}
	f, err := readFleet(file)
	if err == nil && !same {
		f.Name += " (stale)"
	}
	return f, err
}

// keep puts a fleet in its place whole or not at all.
func keep(path, sources string, f *proving.Fleet) (err error) {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	file, err := os.CreateTemp(filepath.Dir(path), "new-*")
	if err != nil {
		return err
	}
	_, err = io.WriteString(file, sources)
	if err = errors.Join(err, writeFleet(file, f), file.Close()); err != nil {
		return errors.Join(err, os.Remove(file.Name()))
	}
	return os.Rename(file.Name(), path)
}

// sourcesOf is a hash of the sources that build a fleet of that physics.
func sourcesOf(physics string) (string, error) {
	_, here, _, _ := runtime.Caller(0)
	proving := filepath.Dir(filepath.Dir(here))
	var files []string
	for _, folder := range []string{proving, filepath.Join(proving, strings.TrimSuffix(physics, gradually))} {
		found, err := filepath.Glob(filepath.Join(folder, "*.go"))
		if err != nil {
			return "", err
		}
		files = append(files, found...)
	}
	files = slices.DeleteFunc(files, func(f string) bool {
		return strings.HasSuffix(f, "_test.go") || filepath.Base(f) == "score.go"
	})
	slices.Sort(files)
	sum := sha256.New()
	for _, f := range files {
		text, err := os.ReadFile(f)
		if err != nil {
			return "", err
		}
		fmt.Fprintf(sum, "%s %d\n%s", filepath.Base(f), len(text), text)
	}
	if len(files) == 0 {
		return "", fmt.Errorf("sources of the fleets in %s: %w", proving, fs.ErrNotExist)
	}
	return hex.EncodeToString(sum.Sum(nil)), nil
}
