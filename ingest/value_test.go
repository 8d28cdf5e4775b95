package ingest

import (
	"math/big"
	"strconv"
	"testing"
	"time"
	_ "time/tzdata" // the zones must be those of the tests, whatever the machine has

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
)

func TestDecimals(t *testing.T) {
	for _, tc := range []struct {
		text  string
		comma bool
		want  float64
		err   error
	}{
		{"12.4", false, 12.4, nil},
		{"-0", false, 0, nil},
		{"-0.00000000000000000000", false, 0, nil},
		{"+7", false, 7, nil},
		{".5", false, 0.5, nil},
		{"12,4", true, 12.4, nil},
		{"-12.4", true, -12.4, nil},
		{"12.345678901234567890", false, 12.34567890123456789, nil},
		{"12,4", false, 0, errDecimalComma},
		{"1.234,5", true, 0, errNotPlain},
		{"1 234.5", false, 0, errNotPlain},
		{"1\u00a0234", false, 0, errNotPlain},
		{"NaN", false, 0, errNotPlain},
		{"Inf", false, 0, errNotPlain},
		{"-inf", false, 0, errNotPlain},
		{"0x1F", false, 0, errNotPlain},
		{"1e3", false, 0, errNotPlain},
		{"1_000", false, 0, errNotPlain},
		{"12.4V", false, 0, errNotPlain},
		{"1.2.3", false, 0, errNotPlain},
		{"--1", false, 0, errNotPlain},
		{"-", false, 0, errNotPlain},
		{".", false, 0, errNotPlain},
	} {
		got, err := parseDecimal([]byte(tc.text), tc.comma)
		require.Equal(t, tc.err, err, tc.text)
		require.InDelta(t, tc.want, got, 0, tc.text)
		require.Equal(t, strconv.FormatFloat(tc.want, 'f', -1, 64), plain(got), tc.text)
	}
}

// TestDecimalsAreReadToTheNearestFloat holds the short way against strconv's.
func TestDecimalsAreReadToTheNearestFloat(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := rapid.StringMatching(`-?[0-9]{1,18}(\.[0-9]{1,18})?`).Draw(t, "s")
		want, err := strconv.ParseFloat(s, 64)
		if err != nil {
			t.Fatal(err)
		}
		got, err := parseDecimal([]byte(s), false)
		if err != nil || got != want {
			t.Fatalf("%s: got %v, %v, want %v", s, got, err, want)
		}
	})
}

func TestFahrenheitIsTheSameReadingAsCelsius(t *testing.T) {
	// Defined points: ice and boiling point of water, and where the scales meet; NIST SP 811 (2008), appendix B.8.
	for f, c := range map[float64]float64{32: 0, 212: 100, -40: -40, 14: -10, 0: -17.777778} {
		require.InDelta(t, c, celsius(f), 0)
	}
	rapid.Check(t, func(t *rapid.T) { // tenths of a degree Celsius are 0.18 °F apart, so both scales can write them exactly
		tenths := rapid.Int64Range(-600, 1300).Draw(t, "tenths")
		f, _ := new(big.Rat).Add(big.NewRat(tenths*18, 100), big.NewRat(32, 1)).Float64()
		if got, want := celsius(f), float64(tenths)/10; got != want {
			t.Fatalf("%v °F: got %v, want %v", f, got, want)
		}
	})
}

func TestInstants(t *testing.T) {
	oslo, err := time.LoadLocation("Europe/Oslo")
	require.NoError(t, err)
	for _, tc := range []struct {
		text, want string
		twice      bool
		err        error
	}{
		{"2025-10-01T06:40:00+02:00", "2025-10-01T04:40:00Z", false, nil},
		{"2025-10-01t06:40:00z", "2025-10-01T06:40:00Z", false, nil},
		{"2025-10-01 06:40:00-05:30", "2025-10-01T12:10:00Z", false, nil},
		{"2025-10-01T06:40:00.1234567Z", "2025-10-01T06:40:00.123456Z", false, nil},
		{"2025-01-15T12:00:00", "2025-01-15T11:00:00Z", false, nil},
		{"2025-07-15T12:00:00", "2025-07-15T10:00:00Z", false, nil},
		// Summer time in the European Union began on 2025-03-30 and ended on 2025-10-26 at 01:00 UTC; Directive 2000/84/EC.
		{"2025-03-30T01:59:59", "2025-03-30T00:59:59Z", false, nil},
		{"2025-03-30T02:00:00", "", false, errGap},
		{"2025-03-30T02:59:59", "", false, errGap},
		{"2025-03-30T03:00:00", "2025-03-30T01:00:00Z", false, nil},
		{"2025-10-26T01:59:59", "2025-10-25T23:59:59Z", false, nil},
		{"2025-10-26T02:00:00", "2025-10-26T00:00:00Z", true, nil},
		{"2025-10-26T02:59:59", "2025-10-26T00:59:59Z", true, nil},
		{"2025-10-26T03:00:00", "2025-10-26T02:00:00Z", false, nil},
		{"2025-10-26T02:30:00+01:00", "2025-10-26T01:30:00Z", false, nil},
		{"2025-02-29T12:00:00Z", "", false, errNotInstant},
		{"2025-10-01T24:00:00Z", "", false, errNotInstant},
		{"2025-10-01T06:40Z", "", false, errNotInstant},
		{"2025-10-01", "", false, errNotInstant},
		{"01.10.2025 06:40:00", "", false, errNotInstant},
		{"2025-10-01T06:40:00.Z", "", false, errNotInstant},
		{"2025-10-01T06:40:00+0200", "", false, errNotInstant},
		{"2025-10-01T06:40:00Zulu", "", false, errNotInstant},
	} {
		w, err := parseWall([]byte(tc.text))
		var at time.Time
		twice := false
		if err == nil {
			at, twice, err = w.in(oslo)
		}
		require.Equal(t, tc.err, err, tc.text)
		if err == nil {
			require.Equal(t, tc.want, at.UTC().Format(time.RFC3339Nano), tc.text)
			require.Equal(t, tc.twice, twice, tc.text)
		}
	}
}

func TestInstantsWithoutOffsetReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		zone, err := time.LoadLocation(rapid.SampledFrom([]string{"Europe/Oslo", "America/Chicago", "Australia/Lord_Howe", "Asia/Kathmandu"}).Draw(t, "zone"))
		if err != nil {
			t.Fatal(err)
		}
		at := time.Unix(rapid.Int64Range(946_684_800, 2_000_000_000).Draw(t, "at"), 0).In(zone)
		w, err := parseWall([]byte(at.Format("2006-01-02T15:04:05")))
		if err != nil {
			t.Fatal(err)
		}
		got, twice, err := w.in(zone)
		earlier := twice && got.Before(at) && got.In(zone).Format(time.DateTime) == at.Format(time.DateTime)
		if err != nil || !got.Equal(at) && !earlier {
			t.Fatalf("%s: got %s, %v", at, got, err)
		}
	})
}

func TestDates(t *testing.T) {
	d, err := parseDate([]byte("2024-02-29"))
	require.NoError(t, err)
	require.Equal(t, fleet.NewDate(2024, 2, 29), d)
	for _, s := range []string{"2025-02-29", "2025-2-1", "01.02.2025", "2025-13-01", "2025-00-10", "2025-01-0a", "0000-01-01"} {
		_, err := parseDate([]byte(s))
		require.ErrorIs(t, err, errNotDate, s)
	}
}

func TestTablesNeedTheContractsColumns(t *testing.T) {
	for _, k := range fleet.Kinds() {
		p := parserOf(k)
		require.Equal(t, k, p.kind())
		wanted := map[fleet.Kind]int{"depots": 3, "vehicles": 6, "batteries": 7, "starters": 3, "battery_tests": 2, "crank_events": 2, "breakdowns": 3, "temperatures": 2}
		n := 0
		for _, c := range p.columns() {
			if c.need == required {
				n++
			}
		}
		require.Equal(t, wanted[k], n, k)
	}
}
