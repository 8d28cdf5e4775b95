package ingest_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math/big"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"
	"pgregory.net/rapid"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

var (
	decimalForm = regexp.MustCompile(`^-?[0-9]+(\.[0-9]+)?$`)
	instantForm = regexp.MustCompile(`^(\d{4}-\d\d-\d\dT[0-9:.]+)(Z|[+-]\d\d:\d\d)$`)
)

// TestTheSameFleetComesOutHoweverItIsWrittenDown: neither the order of files, rows and columns, nor how rows are spread
// over files, nor separators, packing, scales of temperature or missing offsets make a difference.
func TestTheSameFleetComesOutHoweverItIsWrittenDown(t *testing.T) {
	db := store.New(pgtest.New(t))
	want := contents(t, fleetDir)
	rapid.Check(t, func(rt *rapid.T) {
		dir, err := os.MkdirTemp(t.TempDir(), "written")
		require.NoError(rt, err)
		for _, k := range fleet.Kinds() {
			rows, err := csv.NewReader(strings.NewReader(want[k])).ReadAll()
			require.NoError(rt, err)
			body := rapid.Permutation(rows[1:]).Draw(rt, "rows")
			cut := rapid.IntRange(0, len(body)).Draw(rt, "cut")
			for _, part := range [][][]string{body[:cut], body[cut:]} {
				name := fmt.Sprintf("%s_%d", rapid.StringMatching(`[a-z]{8}`).Draw(rt, "name"), len(part))
				writeSomehow(rt, filepath.Join(dir, name+".csv"), rows[0], part)
			}
		}
		res, err := ingest.Import(context.Background(), db, []string{dir}, options())
		require.NoError(rt, err)
		defer res.Close()
		for row := range res.Kept() {
			rt.Fatalf("kept apart: %+v", row)
		}
		require.True(rt, res.Complete(), "%v", res.Files)
		require.Equal(rt, want, contents(t, export(t, db)))
		emptyFleet(t, db)
	})
}

func writeSomehow(rt *rapid.T, path string, header []string, rows [][]string) {
	order := rapid.Permutation(upTo(len(header))).Draw(rt, "columns")
	separator := rapid.SampledFrom([]rune{',', ';', '\t'}).Draw(rt, "separator")
	inFahrenheit, noOffset := rapid.Bool().Draw(rt, "fahrenheit"), rapid.Bool().Draw(rt, "no offset")
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	w.Comma, w.UseCRLF = separator, rapid.Bool().Draw(rt, "CRLF")
	for i, row := range slices.Insert(slices.Clone(rows), 0, header) {
		var fields []string
		for _, c := range order {
			field := row[c]
			scale := strings.HasSuffix(header[c], "_c") && inFahrenheit
			switch {
			case i == 0 && scale:
				field = strings.TrimSuffix(field, "c") + "f"
			case i > 0 && scale && field != "":
				field = toFahrenheit(rt, field)
			case noOffset && instantForm.MatchString(field):
				field = instantForm.FindStringSubmatch(field)[1] // canonical files have the depot's own offset
			}
			if separator == ';' && i > 0 && decimalForm.MatchString(field) {
				field = strings.Replace(field, ".", ",", 1)
			}
			fields = append(fields, field)
		}
		require.NoError(rt, w.Write(fields))
	}
	w.Flush()
	content := b.String()
	if rapid.Bool().Draw(rt, "packed") {
		content = packed(rt, content)
	}
	require.NoError(rt, os.WriteFile(path, []byte(content), 0o600))
}

func upTo(n int) []int {
	is := make([]int, n)
	for i := range is {
		is[i] = i
	}
	return is
}

func toFahrenheit(rt *rapid.T, celsius string) string {
	c, ok := new(big.Rat).SetString(celsius)
	require.True(rt, ok)
	const decimals = 3 // nine fifths of two decimals
	return c.Mul(c, big.NewRat(9, 5)).Add(c, big.NewRat(32, 1)).FloatString(decimals)
}

func emptyFleet(tb testing.TB, db *store.DB) {
	tb.Helper()
	for _, table := range []string{"battery_test", "crank", "crank_week_stale", "breakdown", "day_temp", "battery_fitting", "starter_fitting", "unit", "depot"} {
		_, err := db.Pool().Exec(context.Background(), "DELETE FROM "+table)
		require.NoError(tb, err)
	}
}

// TestTwoWhoImportTheSameFilesAtOnce must neither block each other for good nor count a row twice.
func TestTwoWhoImportTheSameFilesAtOnce(t *testing.T) {
	db := store.New(pgtest.New(t))
	dirs := []string{t.TempDir(), t.TempDir(), t.TempDir()}
	for i, dir := range dirs {
		require.NoError(t, os.CopyFS(dir, os.DirFS(fleetDir)))
		writeManyCranks(t, filepath.Join(dir, "more_cranks.csv"), i%2 == 1)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	results := make([]*ingest.Result, len(dirs))
	g, ctx := errgroup.WithContext(ctx)
	for i, dir := range dirs {
		g.Go(func() (err error) {
			results[i], err = ingest.Import(ctx, db, []string{dir}, options())
			return err
		})
	}
	require.NoError(t, g.Wait())
	taken, rows := map[string]int64{}, map[string]int64{}
	for _, res := range results {
		defer res.Close()
		for _, f := range res.Files {
			require.Zero(t, f.KeptApart, "%v", f)
			require.Equal(t, f.Rows, f.Taken+f.AlreadyThere)
			taken[f.File] += f.Taken
			rows[f.File] = f.Rows
		}
	}
	require.Equal(t, rows, taken, "each row is taken once")
	require.NoError(t, db.RefreshDigests(t.Context()))
	require.Equal(t, int(rows["crank_events.csv"]+rows["more_cranks.csv"]), countCranks(t, db))
}

// writeManyCranks writes cranks of all units over two years, in the order of time or against it.
func writeManyCranks(tb testing.TB, path string, backwards bool) {
	tb.Helper()
	const n = 5000
	var lines []string
	start := time.Date(2023, 6, 1, 12, 0, 0, 0, time.UTC)
	for i := range n {
		unit := []string{"H-001", "N-002"}[i%2]
		lines = append(lines, fmt.Sprintf("%s,%s,%.2f", start.Add(time.Duration(i)*3*time.Hour).Format(time.RFC3339), unit, 8+float64(i%200)/100))
	}
	if backwards {
		slices.Reverse(lines)
	}
	content := "cranked_at,unit,min_v\n" + strings.Join(lines, "\n") + "\n"
	require.NoError(tb, os.WriteFile(path, []byte(content), 0o600))
}
