package demofleet

import (
	"encoding/csv"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// contract is the order of columns that the public contract of interchange files gives; a * marks what is required.
var contract = map[fleet.Kind]string{
	fleet.DepotsKind: "depot*,name*,timezone*,latitude,longitude,elevation_m,swaps_per_week,cost_centre",
	fleet.VehiclesKind: "unit*,depot*,class*,fuel*,engine_litres,system_volts*,batteries*,gearbox,parked,in_service_on,no_start_cost," +
		"vin,starts_per_day,criticality",
	fleet.BatteriesKind: "battery*,unit*,position*,part*,chemistry*,rated_cca_a*,cca_standard*,rated_ah,made_on,fitted_on,removed_on," +
		"removed_because,price,core_deposit,core_returned_on,free_months,prorata_months",
	fleet.StartersKind: "starter*,unit*,part*,fitted_on,removed_on,removed_because,price,core_deposit,core_returned_on,free_months",
	fleet.TestsKind: "tested_at*,unit*,position,battery,rest_v,cca_a,cca_standard,load_v,load_a,load_s,resistance_mohm,soc_pct," +
		"temperature_c,tested_by,tester,note",
	fleet.CranksKind:       "cranked_at*,unit*,rest_v,min_v*,mean_v,duration_ms,temperature_c,coolant_c,current_a,rpm,outcome",
	fleet.BreakdownsKind:   "happened_at*,unit*,cause*,cost,hours_down",
	fleet.TemperaturesKind: "depot*,date*,min_c*,max_c*",
}

var (
	decimalForm = regexp.MustCompile(`^-?(0|[1-9]\d*)(\.\d*[1-9])?$`) // shortest: no zeros to spare
	moneyForm   = regexp.MustCompile(`^\d+\.\d\d$`)
	words       = map[string][]string{
		"fuel": {"petrol", "diesel"}, "gearbox": {"automatic", "manual"}, "parked": {"indoors", "outdoors", "plugged_in"},
		"chemistry": {"flooded", "efb", "agm", "gel"}, "cca_standard": {"sae", "en", "din", "iec", "jis"},
		"removed_because": {"failed", "preventive", "damaged", "sold", "other"},
		"outcome":         {"started", "slow", "no_crank", "no_start"},
		"cause":           {"battery", "starter", "cable", "control", "charging", "other"},
	}
	plain = []string{"depot", "name", "timezone", "cost_centre", "unit", "class", "vin", "battery", "starter", "part", "tested_by", "tester", "note"}
)

// fieldError checks one field against what the contract says of its column.
func fieldError(column, value string) error {
	switch {
	case value == "" || slices.Contains(plain, column):
		return nil
	case words[column] != nil:
		if !slices.Contains(words[column], value) {
			return fmt.Errorf("%s: %q is no word for it", column, value)
		}
		return nil
	case strings.HasSuffix(column, "_at"):
		_, err := time.Parse(time.RFC3339, value)
		return err
	case strings.HasSuffix(column, "_on") || column == "date":
		_, err := fleet.ParseDate(value)
		return err
	case slices.Contains([]string{"price", "core_deposit", "no_start_cost", "cost"}, column):
		if !moneyForm.MatchString(value) {
			return fmt.Errorf("%s: %q has not two decimals", column, value)
		}
		return nil
	case !decimalForm.MatchString(value):
		return fmt.Errorf("%s: %q is not the shortest decimal", column, value)
	}
	return nil
}

type writtenFile struct {
	columns map[string]int
	rows    [][]string
}

func (w writtenFile) get(row []string, column string) string { return row[w.columns[column]] }

func writtenFiles(t *testing.T, o Options) map[fleet.Kind]writtenFile {
	t.Helper()
	dir := t.TempDir()
	_, err := Write(dir, o)
	require.NoError(t, err)
	files := map[fleet.Kind]writtenFile{}
	for _, k := range fleet.Kinds() {
		f, err := os.Open(filepath.Join(dir, string(k)+".csv"))
		require.NoError(t, err)
		all, err := csv.NewReader(f).ReadAll() // refuses rows of another length
		require.NoError(t, err)
		require.NoError(t, f.Close())
		w := writtenFile{columns: map[string]int{}, rows: all[1:]}
		for i, c := range all[0] {
			w.columns[c] = i
		}
		require.Equal(t, strings.ReplaceAll(contract[k], "*", ""), strings.Join(all[0], ","))
		files[k] = w
	}
	return files
}

func TestFilesKeepTheContract(t *testing.T) {
	files := writtenFiles(t, Options{Seed: 3, Today: autumn, Units: 60})
	for kind, w := range files {
		require.NotEmpty(t, w.rows, kind)
		columns := strings.Split(contract[kind], ",")
		for n, row := range w.rows {
			for i, c := range columns {
				name, required := strings.CutSuffix(c, "*")
				if required && row[i] == "" {
					t.Fatalf("%s row %d: %s is empty", kind, n, name)
				}
				if err := fieldError(name, row[i]); err != nil {
					t.Fatalf("%s row %d: %v", kind, n, err)
				}
			}
		}
		inKeyOrder := slices.IsSortedFunc(w.rows, func(a, b []string) int {
			for _, c := range keys[kind] {
				if o := strings.Compare(a[c], b[c]); o != 0 {
					return o
				}
			}
			return 0
		})
		require.True(t, inKeyOrder, kind)
	}
	offsetsAreTheDepots(t, files)
	volumesAndMess(t, files)
}

func offsetsAreTheDepots(t *testing.T, files map[fleet.Kind]writtenFile) {
	t.Helper()
	zones, zoneOf := map[string]*time.Location{}, map[string]*time.Location{}
	for _, r := range files[fleet.DepotsKind].rows {
		zone, err := time.LoadLocation(r[2])
		require.NoError(t, err)
		zones[r[0]] = zone
	}
	for _, r := range files[fleet.VehiclesKind].rows {
		zoneOf[r[0]] = zones[r[1]]
	}
	end := autumn.Midnight(time.UTC).Add(14 * time.Hour)
	for _, r := range files[fleet.CranksKind].rows {
		at, err := time.Parse(time.RFC3339, r[0])
		require.NoError(t, err)
		if zone := zoneOf[r[1]]; zone != nil && at.In(zone).Format(time.RFC3339) != r[0] || !at.Before(end) {
			t.Fatalf("crank of %s at %s: not its depot's clock, or not before the day of the data", r[1], r[0])
		}
	}
}

// volumesAndMess finds the mess that was planted, and nothing impossible beside it.
func volumesAndMess(t *testing.T, files map[fleet.Kind]writtenFile) {
	t.Helper()
	w := files[fleet.CranksKind]
	number := func(s string) float64 {
		v, _ := strconv.ParseFloat(s, 64)
		return v
	}
	twice, unknown, impossible, warmTests := 0, 0, 0, 0
	for i, r := range w.rows {
		rest, low, mean := number(w.get(r, "rest_v")), number(w.get(r, "min_v")), number(w.get(r, "mean_v"))
		switch {
		case i > 0 && slices.Equal(r, w.rows[i-1]):
			twice++
		case w.get(r, "unit") == "X-099":
			unknown++
		case rest > 32:
			impossible++
		case low >= rest || mean != 0 && (low > mean || mean > rest) || rest < 8:
			t.Fatalf("volts out of order: %v", r)
		}
	}
	require.Equal(t, []int{12, 3, 3}, []int{twice, unknown, impossible})
	tests := files[fleet.TestsKind]
	for _, r := range tests.rows {
		if number(tests.get(r, "temperature_c")) > 48 {
			warmTests++
		}
	}
	require.Positive(t, warmTests, "Fahrenheit in the Celsius column")
	batteries := files[fleet.BatteriesKind]
	undated := slices.ContainsFunc(batteries.rows, func(r []string) bool { return batteries.get(r, "fitted_on") == "" })
	require.True(t, undated)
}

// TestFailuresPerSeason: shares of units that break down for their starting system, by seed and winter.
func TestFailuresPerSeason(t *testing.T) {
	const seeds, units = 3, 240
	var shares []float64
	causes := map[fleet.Part]float64{}
	all := 0.0
	for seed := range uint64(seeds) {
		o := Options{Seed: seed, Today: autumn, Units: units}
		cranks := 0
		failed := map[int]map[fleet.UnitID]bool{2023: {}, 2024: {}}
		for _, m := range build(o).machines {
			m.liveUntil(o.Today)
			cranks += len(m.history.Cranks)
			for _, b := range m.history.Breakdowns {
				day := fleet.DateOf(b.At, m.zone)
				_, month, _ := day.YMD()
				season := failed[winterOf(day)]
				if b.Cause == fleet.OtherPart || month >= time.April && month <= time.September || season == nil || season[b.Unit] {
					continue
				}
				season[b.Unit] = true
				causes[b.Cause]++
				all++
			}
		}
		require.True(t, cranks > 230_000 && cranks < 400_000, "%d cranks", cranks)
		for winter, season := range failed {
			share := float64(len(season)) / units
			t.Logf("seed %d, winter %d: %.1f %% of units failed", seed, winter, 100*share)
			require.True(t, share > 0.04 && share < 0.30, "seed %d, winter %d: %.3f", seed, winter, share)
			shares = append(shares, share)
		}
	}
	sum := 0.0
	for _, s := range shares {
		sum += s / float64(len(shares))
	}
	t.Logf("mean %.1f %%, causes %v", 100*sum, causes)
	require.InDelta(t, 0.115, sum, 0.035)
	require.InDelta(t, 0.62, causes[fleet.BatteryPart]/all, 0.15, "batteries lead, and are not alone")
	for _, part := range fleet.Suspects() {
		require.Positive(t, causes[part], part)
	}
}
