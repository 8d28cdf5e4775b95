package main

import (
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
)

type exportOptions struct {
	kinds []string
	gzip  bool
}

func newExportCmd() *cobra.Command {
	var opt exportOptions
	cmd := &cobra.Command{
		Use:   "export FOLDER",
		Short: "Write all that was taken in as interchange files",
		Long: `Writes one interchange file per kind into FOLDER, in canonical form: columns and rows in a fixed order, times with the
offset of the depot's zone, numbers as short as they can be. Importing them gives the same fleet again, and exporting
that gives the same files, byte for byte. A file that is there already is not overwritten.`,
		Example: `  rimeyard export backup/2025-10-01
  rimeyard export --kind battery_tests --kind crank_events --gzip readings/`,
		Args: func(_ *cobra.Command, args []string) error {
			if len(args) != 1 {
				return usageError{errors.New("export where? name one folder")}
			}
			return nil
		},
		RunE: func(cmd *cobra.Command, args []string) error { return runExport(cmd, args[0], opt) },
	}
	cmd.Flags().StringSliceVar(&opt.kinds, "kind", nil, "only this kind of file (may be given several times; default: all)")
	cmd.Flags().BoolVar(&opt.gzip, "gzip", false, "pack the files")
	return cmd
}

func runExport(cmd *cobra.Command, dir string, opt exportOptions) error {
	kinds, err := chosenKinds(opt.kinds)
	if err != nil {
		return usageError{err}
	}
	db, closeDB, err := openDatabase(cmd)
	if err != nil {
		return err
	}
	defer closeDB()
	if err := os.MkdirAll(dir, 0o750); err != nil {
		return fmt.Errorf("make the folder: %w", err)
	}
	return db.Export(cmd.Context(), kinds, func(k fleet.Kind, write func(io.Writer) error) error {
		return writeExport(filepath.Join(dir, string(k)+".csv"), opt.gzip, write)
	})
}

func chosenKinds(names []string) ([]fleet.Kind, error) {
	all := fleet.Kinds()
	if len(names) == 0 {
		return all[:], nil
	}
	var chosen []fleet.Kind
	for _, k := range all {
		if slices.Contains(names, string(k)) {
			chosen = append(chosen, k)
		}
	}
	for _, n := range names {
		if !slices.Contains(all[:], fleet.Kind(n)) {
			return nil, fmt.Errorf("no kind of file is called %q: want one of %s", n, strings.Trim(fmt.Sprint(all), "[]"))
		}
	}
	return chosen, nil
}

// writeExport writes a file that has its name only when it is whole: until then it ends in .part.
func writeExport(path string, packed bool, write func(io.Writer) error) (err error) {
	if packed {
		path += ".gz"
	}
	if _, err := os.Lstat(path); err == nil {
		return fmt.Errorf("%s is there already: choose another folder, or move it away", path)
	}
	f, err := os.Create(path + ".part")
	if err != nil {
		return err
	}
	defer func() {
		if err = errors.Join(err, f.Close()); err != nil {
			err = errors.Join(err, os.Remove(f.Name()))
			return
		}
		err = os.Rename(f.Name(), path)
	}()
	if !packed {
		return write(f)
	}
	z := gzip.NewWriter(f) // no name and no time in its header: the same rows give the same bytes
	return errors.Join(write(z), z.Close())
}
