package trend

import (
	"encoding/json"
	"math"
	"os"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/witness"
)

const (
	milwaukee = "USW00014839"
	bethel    = "BET"
)

func record(tb testing.TB, station, file, column string) []fleet.DayTemp {
	tb.Helper()
	var days []fleet.DayTemp
	for _, r := range witness.Table(tb, "climate/"+file) {
		d, err := fleet.ParseDate(r["date"])
		require.NoError(tb, err)
		days = append(days, fleet.DayTemp{Depot: fleet.DepotID(station), Date: d, MinC: fleet.Known(witness.Number(tb, r[column]))})
	}
	return days
}

// longSeasons are winters of 152 days, November to March, whose thirty winters before cover the whole record.
func longSeasons(tb testing.TB) []fleet.Season {
	tb.Helper()
	var out []fleet.Season
	for _, year := range []int{1967, 1995, 2023, 2027} {
		out = append(out, fleet.Season{From: fleet.NewDate(year, 11, 1), To: fleet.NewDate(year+1, 3, 31)})
	}
	return out
}

func wintersByYear(tb testing.TB, days []fleet.DayTemp) map[int]Winter {
	tb.Helper()
	byYear := map[int]Winter{}
	for _, s := range longSeasons(tb) {
		for _, w := range Winters(days, s, s.From) {
			byYear[w.Year] = w
		}
	}
	return byYear
}

func below(dawnC []float64, c float64) (nights int) {
	for _, t := range dawnC {
		if t < c {
			nights++
		}
	}
	return nights
}

// Every winter of two stations: the coldest night, its mean, the nights under −18, −25 and −30 °C.
func TestWintersAgainstStationRecords(t *testing.T) {
	at := map[string]map[int]Winter{
		"milwaukee": wintersByYear(t, record(t, milwaukee, "milwaukee.csv", "tmin_c")),
		"bethel":    wintersByYear(t, record(t, bethel, "bethel.csv", "tavg_c")),
	}
	checked := map[string]int{}
	for _, r := range witness.Table(t, "golden/climate/winters_expected.csv") {
		days := int(witness.Number(t, r["days"]))
		w, found := at[r["station"]][int(witness.Number(t, r["winter_start"]))]
		if days < 122 { // four fifths of a winter
			require.False(t, found, "%v", r)
			continue
		}
		require.True(t, found, "%v", r)
		if days < 151 {
			continue // its gaps are bridged, so means and counts are of more days than the record has
		}
		checked[r["station"]]++
		dawn := w.DawnC[:days]
		require.InDelta(t, witness.Number(t, r["coldest_c"]), w.MinC, 0, "%v", r)
		require.InDelta(t, witness.Number(t, r["mean_c"]), average(dawn), 1e-9, "%v", r)
		for column, c := range map[string]float64{"below_m18": -18, "below_m25": -25, "below_m30": -30} {
			require.InDelta(t, witness.Number(t, r[column]), float64(below(dawn, c)), 0, "%v", r)
		}
	}
	require.Equal(t, 88, checked["milwaukee"])
	require.Greater(t, checked["bethel"], 20)
}

type stationSummary struct {
	Winters   int `json:"winters_used"`
	WinterMin struct {
		Probs, Type7 []float64
	} `json:"winter_min"`
	Days struct {
		AnyBelowM25 float64 `json:"share_of_winters_with_any_below_m25"`
		AnyBelowM30 float64 `json:"share_of_winters_with_any_below_m30"`
	} `json:"days_per_winter"`
}

func summary(tb testing.TB) stationSummary {
	tb.Helper()
	var all map[string]stationSummary
	b, err := os.ReadFile("../testdata/golden/climate/expected.json")
	require.NoError(tb, err)
	require.NoError(tb, json.Unmarshal(b, &all))
	return all["milwaukee"]
}

// As many winters as the quantile says have a colder minimum: of a limit that is known, that is the chance of a failed start.
func TestChanceOverWintersIsTheShareOfHardOnes(t *testing.T) {
	want := summary(t)
	winters := wintersByYear(t, record(t, milwaukee, "milwaukee.csv", "tmin_c"))
	require.Len(t, winters, want.Winters)
	chance := func(limitC float64) (mean float64) {
		for _, w := range winters {
			mean += knownLimit(limitC, 0.15).Risk(w.DawnC, 0, 0, nil) / float64(len(winters))
		}
		return mean
	}
	// The station writes whole degrees Fahrenheit: between −13 and −14 °F (−25.0 and −25.6 °C) there is no reading, nor between −22 and −23.
	require.InDelta(t, want.Days.AnyBelowM25, chance(-25.3), 0.01)
	require.InDelta(t, want.Days.AnyBelowM30, chance(-30.3), 0.01)
	var coldest []float64
	for _, w := range winters {
		coldest = append(coldest, w.MinC)
	}
	for i, p := range want.WinterMin.Probs {
		q := want.WinterMin.Type7[i]
		colder, notWarmer := 0.0, 0.0
		for _, c := range coldest {
			colder += float64(truth(c < q-1e-9)) / float64(len(coldest))
			notWarmer += float64(truth(c <= q+1e-9)) / float64(len(coldest))
		}
		require.LessOrEqual(t, colder, p+1/float64(len(coldest)))
		require.GreaterOrEqual(t, notWarmer, p)
		if p == 0.5 {
			require.InDelta(t, q, median(coldest), 1e-9)
		}
	}
}

// The archive marks what is missing as −9999 and writes tenths of a degree: read in the wrong unit those are −999.9 and −178 °C,
// and no such night has been.
func TestMissingDaysAndTenthsAreNoColdNights(t *testing.T) {
	days := record(t, milwaukee, "milwaukee.csv", "tmin_c")
	clean := wintersByYear(t, days)
	dirty := slices.Clone(days)
	for i := range dirty {
		switch i % 40 {
		case 7:
			dirty[i].MinC = fleet.Known(-999.9)
		case 19:
			dirty[i].MinC = fleet.Known(-9999.0)
		case 31:
			dirty[i].MinC = fleet.Known(-178.0)
		}
	}
	for year, w := range wintersByYear(t, dirty) {
		require.GreaterOrEqual(t, w.MinC, clean[year].MinC)
		require.Less(t, math.Abs(average(w.DawnC)-average(clean[year].DawnC)), 1.0)
	}
	_, _, known := NewWeather(nil, map[fleet.DepotID][]fleet.DayTemp{milwaukee: dirty}, dirty[len(dirty)-1].Date+1).Day(milwaukee, dirty[7].Date)
	require.False(t, known)
}
