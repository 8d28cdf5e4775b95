package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

// fill puts something into every field, however deep, so that a field that the codec forgets is missed.
func fill(t *testing.T, v reflect.Value, n *int) {
	t.Helper()
	*n++
	if v.Type() == reflect.TypeFor[time.Time]() {
		v.Set(reflect.ValueOf(time.Unix(int64(1_700_000_000+*n), int64(*n)).UTC()))
		return
	}
	if strings.HasPrefix(v.Type().Name(), "Opt[") {
		json := fmt.Sprintf("%d", *n)
		if v.Type() == reflect.TypeFor[fleet.Opt[fleet.Date]]() {
			json = fmt.Sprintf("%q", fleet.Date(*n))
		}
		require.NoError(t, v.Addr().Interface().(interface{ UnmarshalJSON(b []byte) error }).UnmarshalJSON([]byte(json)))
		return
	}
	switch v.Kind() {
	case reflect.String:
		v.SetString(fmt.Sprintf("word %d", *n))
	case reflect.Int, reflect.Int32, reflect.Int64:
		v.SetInt(int64(*n))
	case reflect.Float64:
		v.SetFloat(float64(*n) / 7)
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Struct:
		for i := range v.NumField() {
			fill(t, v.Field(i), n)
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		fill(t, v.Index(0), n) // the second stays unknown
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		key, value := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
		fill(t, key, n)
		fill(t, value, n)
		v.SetMapIndex(key, value)
	default:
		require.Fail(t, "a kind of field that is not known here", "%s", v.Type())
	}
}

func everything(t *testing.T) *proving.Fleet {
	t.Helper()
	f, n := &proving.Fleet{}, 0
	fill(t, reflect.ValueOf(f).Elem(), &n)
	return f
}

func TestFleetIsKeptWhole(t *testing.T) {
	want := everything(t)
	for i := range want.Histories { // an instant that is not known is no instant that a record may have
		h := &want.Histories[i]
		h.Tests, h.Cranks, h.Breakdowns = slices.Clip(h.Tests), slices.Clip(h.Cranks), slices.Clip(h.Breakdowns)
		for k := 1; k < len(h.Tests); k++ {
			h.Tests[k].At, h.Cranks[k].At, h.Breakdowns[k].At = time.Unix(0, 0).UTC(), time.Unix(0, 0).UTC(), time.Unix(0, 0).UTC()
		}
	}
	want.Histories[1] = fleet.History{
		Batteries: []fleet.BatteryFitting{}, Starters: []fleet.StarterFitting{}, Tests: []fleet.Test{}, Cranks: []fleet.Crank{}, Breakdowns: []fleet.Breakdown{},
	}
	var kept bytes.Buffer
	require.NoError(t, writeFleet(&kept, want))
	got, err := readFleet(bytes.NewReader(kept.Bytes()))
	require.NoError(t, err)
	require.Equal(t, want, got)

	for cut := 0; cut < kept.Len(); cut += 7 {
		_, err := readFleet(bytes.NewReader(kept.Bytes()[:cut]))
		require.Error(t, err, "cut off after %d bytes", cut)
	}
}

func TestKeptFleetOfOtherSourcesIsRefused(t *testing.T) {
	path := filepath.Join(t.TempDir(), "sub", "fleet")
	f := everything(t)
	require.NoError(t, keep(path, "aaaa", f))
	_, err := readKept(path, "bbbb", false)
	require.ErrorIs(t, err, errStale)
	stale, err := readKept(path, "bbbb", true)
	require.NoError(t, err)
	require.Equal(t, f.Name+" (stale)", stale.Name)
	same, err := readKept(path, "aaaa", false)
	require.NoError(t, err)
	require.Equal(t, f.Name, same.Name)
	left, err := os.ReadDir(filepath.Dir(path))
	require.NoError(t, err)
	require.Len(t, left, 1)
}

func TestSourcesOfPhysicsDiffer(t *testing.T) {
	one, err := sourcesOf("curves")
	require.NoError(t, err)
	other, err := sourcesOf("plates")
	require.NoError(t, err)
	require.NotEqual(t, one, other)
}

func TestParseSeeds(t *testing.T) {
	got, err := parseSeeds("1-3,7")
	require.NoError(t, err)
	require.Equal(t, []uint64{1, 2, 3, 7}, got)
	for _, bad := range []string{"", "x", "3-1", "1-", "-2", "1,,2"} {
		_, err := parseSeeds(bad)
		require.ErrorContains(t, err, "want numbers and ranges", bad)
	}
}

func TestUnknownFlagsAreNamed(t *testing.T) {
	for args, want := range map[string]string{"-physics steam": "curves", "-dirt some": "both", "-format xml": "csv", "-seeds x": "ranges", "extra": "flags only"} {
		err := run(t.Context(), strings.Fields(args), &bytes.Buffer{}, &bytes.Buffer{})
		require.ErrorContains(t, err, want, args)
	}
}

// six is a fleet of six units: the older the battery, the worse the test and the lower the volts; the three oldest fail.
func six() *proving.Fleet {
	asOf := fleet.NewDate(2025, time.October, 1)
	f := &proving.Fleet{
		Name: "six", AsOf: asOf, Season: fleet.Season{From: asOf, To: asOf + 181},
		Depots: []fleet.Depot{{ID: "N", Timezone: "UTC", Latitude: fleet.Known(60.0)}},
		Temps:  map[fleet.DepotID][]fleet.DayTemp{}, Truth: map[fleet.UnitID]proving.Truth{},
	}
	for d := asOf - 4*365; d < asOf+182; d++ {
		low := 8 - 16*math.Cos(2*math.Pi*float64(d-20)/365.25)
		f.Temps["N"] = append(f.Temps["N"], fleet.DayTemp{Depot: "N", Date: d, MinC: fleet.Known(low), MaxC: fleet.Known(low + 8)})
	}
	for i := range 6 {
		id := fleet.UnitID(fmt.Sprintf("U%d", i+1))
		h := fleet.History{
			Unit: fleet.Unit{ID: id, Depot: "N", Class: "van", Fuel: fleet.Diesel, SystemVolts: 12, Batteries: 1},
			Batteries: []fleet.BatteryFitting{{
				Battery: "B" + string(id), Unit: id, Position: 1, RatedCCAA: 800, CCAStandard: fleet.EN, FittedOn: fleet.Known(asOf - 1000 - fleet.Date(200*i)),
			}},
			Tests: []fleet.Test{{Unit: id, Position: 1, At: (asOf - 30).Midnight(time.UTC), CCAA: fleet.Known(800 - 60*float64(i)), CCAStandard: fleet.EN}},
		}
		for d := asOf - 800; d < asOf; d++ {
			h.Cranks = append(h.Cranks, fleet.Crank{
				Unit: id, At: d.Midnight(time.UTC).Add(6 * time.Hour), RestV: fleet.Known(12.6), MinV: fleet.Known(10 - 0.2*float64(i)), Outcome: fleet.Started,
			})
		}
		if i >= 3 {
			h.Breakdowns = []fleet.Breakdown{
				{Unit: id, At: (asOf - 300).Midnight(time.UTC), Cause: fleet.BatteryPart},
				{Unit: id, At: (asOf + 60).Midnight(time.UTC), Cause: fleet.BatteryPart},
			}
		}
		f.Histories = append(f.Histories, h)
		f.Truth[id] = proving.Truth{Failed: i >= 3, Cause: fleet.BatteryPart, On: asOf + 60, Chance: float64(i) / 6, Worst: fleet.BatteryPart}
	}
	return f
}

func TestSixUnitsAreJudged(t *testing.T) {
	f := six()
	j, err := judge(t.Context(), f, true)
	require.NoError(t, err)
	methods := map[string]proving.Score{}
	for _, r := range j.rows {
		methods[r.Method] = r.Score
	}
	for _, sure := range []string{theCeiling, "battery age", "last test", "lowest volts"} {
		require.InDelta(t, 1.0, methods[sure].AUC, 1e-12, sure)
		require.InDelta(t, 1.0, methods[sure].TopShare, 1e-12, sure)
	}
	require.Equal(t, 6, methods[theForecast].Units)
	require.Positive(t, j.took.Learn)

	var out bytes.Buffer
	require.NoError(t, writeCSV(&out, []judged{j}))
	lines, err := csv.NewReader(&out).ReadAll()
	require.NoError(t, err)
	require.Len(t, lines, 6)
	spoilt := j
	spoilt.dirt = true
	printTable(&out, []judged{j, j, spoilt, spoilt})
	require.Contains(t, out.String(), "mean, clean")
	require.Contains(t, out.String(), "mean, dirt")
}

func TestFutureIsNotInFeatures(t *testing.T) {
	features := func(f *proving.Fleet) [][]string {
		folder := t.TempDir()
		require.NoError(t, writeFeatures(folder, plan{physics: "six", seed: 1}, f, fleet.RankedList{}))
		file, err := os.Open(filepath.Join(folder, "six-1.csv"))
		require.NoError(t, err)
		defer file.Close()
		lines, err := csv.NewReader(file).ReadAll()
		require.NoError(t, err)
		return lines
	}
	with := features(six())
	require.Len(t, with, 1+2*6, "as of the one past season that enough records lead up to, and now")
	failed, last := slices.Index(with[0], "failed"), slices.Index(with[0], "last")
	slow := slices.Index(with[0], "f_slow")
	counts := map[string]int{}
	for _, line := range with[1:] {
		counts[line[last]+line[failed]]++
		require.Equal(t, "0", line[slow])
	}
	require.Equal(t, map[string]int{"00": 3, "01": 3, "10": 3, "11": 3}, counts)

	ahead := six()
	h := &ahead.Histories[0]
	h.Cranks = append(h.Cranks, fleet.Crank{Unit: "U1", At: ahead.AsOf.Midnight(time.UTC).Add(time.Hour), MinV: fleet.Known(2.0), Outcome: fleet.Slow})
	h.Batteries[0].RemovedOn, h.Batteries[0].RemovedBecause = fleet.Known(ahead.AsOf+9), fleet.RemovedFailed
	require.Equal(t, with, features(ahead))
}

func TestCurveByHand(t *testing.T) {
	var points []point
	for x := -3.0; x <= 3; x++ {
		points = append(points, point{10 * x, 1 + x + 0.1*x*x})
	}
	k := fitCurve(points)
	require.InDelta(t, 1.0, k.a, 2e-3) // the touch of ridge
	require.InDelta(t, 1.0, k.b, 2e-3)
	require.InDelta(t, 0.1, k.c, 2e-3)
	require.InDelta(t, 2.0, slope([]point{{0, 1}, {1, 3}, {2, 5}}), 1e-12)
	require.True(t, math.IsNaN(slope([]point{{0, 1}, {1, 3}})))
}

func TestStopsWhenAsked(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, err := judge(ctx, six(), false)
	require.ErrorIs(t, err, context.Canceled)
}
