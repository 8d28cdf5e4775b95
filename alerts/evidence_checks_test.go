package alerts

import (
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

const checkDay fleet.Date = 20000

// seen is the state of a unit with the given rows and nothing else.
func seen(weeks []trend.WeekRow, tests []trend.TestRow, events []trend.Event) trend.State {
	week := int(checkDay+3) / 7
	for i := range weeks {
		weeks[i].Week = week - 1
	}
	return trend.Estimate(trend.Track{
		AsOf: checkDay, AsOfWeek: week, FirstWeek: week - 4, LastDay: checkDay - 2, Series: 1, Positions: 1, Fuel: fleet.Petrol,
		AgeWeeks: 50, Weeks: weeks, Tests: tests, Events: events,
	}, trend.Params{Noise: [8]float64{1, 1, 1, 1, 1, 1, 1, 1}})
}

func TestEveryPartsResultsSumToOne(t *testing.T) {
	for _, c := range checks {
		for i, part := range fleet.Suspects() {
			sum := 0.0
			for _, result := range c.outcomes {
				sum += result[i]
			}
			require.InDelta(t, 1, sum, 1e-12, "%s, %s", c.name, part)
		}
	}
}

// The expected fall of entropy is the same told either way round: H(part) − H(part | result) = H(result) − H(result | part).
func TestGainIsMutualInformation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var p likelihood
		sum := 0.0
		for i := range p {
			p[i] = rapid.Float64Range(0.001, 1).Draw(t, "share")
			sum += p[i]
		}
		for i := range p {
			p[i] /= sum
		}
		for _, c := range checks {
			results, given := 0.0, 0.0
			for _, result := range c.outcomes {
				total := 0.0
				for i := range p {
					total += p[i] * result[i]
					given -= p[i] * result[i] * math.Log(result[i])
				}
				results -= total * math.Log(total)
			}
			require.InDelta(t, results-given, c.gain(p), 1e-9, c.name)
			require.GreaterOrEqual(t, c.gain(p), -1e-12, c.name)
		}
	})
	require.InDelta(t, 0, checks[0].gain(likelihood{0, 0, 1, 0, 0}), 1e-12, "where the part is known nothing can be learned")
}

func TestCheapestCheckFollowsTheSuspects(t *testing.T) {
	blank := seen(nil, nil, nil)
	for _, tc := range []struct {
		why  string
		p    likelihood
		s    trend.State
		want string
	}{
		{"as good as sure of the battery", likelihood{0.9, 0.04, 0.02, 0.03, 0.01}, blank, "charge fully and test again"},
		{"as good as sure of the starter", likelihood{0.02, 0.9, 0.04, 0.03, 0.01}, blank, "current clamp while cranking"},
		{"… and the logger reads current", likelihood{0.02, 0.9, 0.04, 0.03, 0.01}, seen([]trend.WeekRow{{Current: trend.Mean{Y: 0.1, N: 3}}}, nil, nil), "the starter on the bench"},
		{"as good as sure of the cables", likelihood{0.02, 0.04, 0.9, 0.03, 0.01}, blank, "volts lost over both cables while cranking"},
		{"as good as sure of charging", likelihood{0.02, 0.04, 0.01, 0.9, 0.03}, blank, "charging volts at fast idle"},
		{"as good as sure of control", likelihood{0.02, 0.04, 0.01, 0.03, 0.9}, blank, "listen for the relay and try a like one"},
		{"starter or cables", likelihood{0.02, 0.5, 0.46, 0.01, 0.01}, blank, "volts lost over both cables while cranking"},
		{"battery or starter, never tested", likelihood{0.5, 0.48, 0.01, 0.005, 0.005}, blank, "a battery test"},
	} {
		require.Equal(t, tc.want, cheapest(tc.p, tc.s).name, tc.why)
	}
}

func TestWhatCannotBeToldApartIsNamed(t *testing.T) {
	blank := seen(nil, nil, nil)
	tested := seen(nil, []trend.TestRow{{Day: checkDay - 30, Week: int(checkDay-27) / 7, CCA: trend.Mean{Y: -0.1, N: 1}, ShownA: 540, RatedA: 600}}, nil)
	clicked := seen(nil, nil, []trend.Event{{Day: checkDay - 20, Week: int(checkDay-17) / 7, Failed: true, Click: true, FromRow: true, Weight: 0.2}})
	current := seen([]trend.WeekRow{{Current: trend.Mean{Y: 0.1, N: 3}}}, nil, nil)
	for _, tc := range []struct {
		why  string
		p    likelihood
		s    trend.State
		want string
	}{
		{"two hold most", likelihood{0.1, 0.42, 0.35, 0.08, 0.05}, blank, "starter (42 %) and cables (35 %) cannot be told apart by these readings: volts lost over both cables while cranking would"},
		{"the logger reads current", likelihood{0.1, 0.42, 0.35, 0.08, 0.05}, current, ""},
		{"a battery test says nothing of starter or cables", likelihood{0.1, 0.42, 0.35, 0.08, 0.05}, tested, "starter (42 %) and cables (35 %) cannot be told apart by these readings: volts lost over both cables while cranking would"},
		{"one leads", likelihood{0.1, 0.52, 0.25, 0.08, 0.05}, blank, ""},
		{"two do not hold enough", likelihood{0.2, 0.31, 0.28, 0.15, 0.06}, blank, ""},
		{"never tested", likelihood{0.45, 0.3, 0.1, 0.1, 0.05}, blank, "battery (45 %) and starter (30 %) cannot be told apart by these readings: a battery test would"},
		{"control, and nothing clicked", likelihood{0.1, 0.4, 0.05, 0.05, 0.4}, blank, "starter (40 %) and control circuit (40 %) cannot be told apart by these readings: listen for the relay and try a like one would"},
		{"control, and it clicked", likelihood{0.1, 0.4, 0.05, 0.05, 0.4}, clicked, ""},
		{"tested", likelihood{0.45, 0.3, 0.1, 0.1, 0.05}, tested, ""},
	} {
		got, found := inseparable(tc.p, tc.s, checkDay)
		require.Equal(t, tc.want, got, tc.why)
		require.Equal(t, tc.want != "", found, tc.why)
	}
}

func TestChecksAreSafe(t *testing.T) {
	for _, c := range checks {
		for _, volts := range []int{12, 24} {
			said := c.sentence(volts)
			require.Contains(t, said, fmt.Sprintf("about %.0f minutes", c.minutes))
			if strings.Contains(c.do, "crank") || strings.Contains(c.do, "idle") || strings.Contains(c.do, "relay") {
				require.Contains(t, c.caution, "neutral and brake on", c.name)
			}
			require.Equal(t, strings.Count(said, "bypass"), strings.Count(said, "never bypass"), c.name)
			require.NotContains(t, said, "bridge", c.name)
		}
	}
	require.Contains(t, cheapest(likelihood{0.02, 0.04, 0.01, 0.03, 0.9}, seen(nil, nil, nil)).sentence(12), "never bypass an interlock")
}

// published returns a column of the row whose given columns read so.
func published(t *testing.T, file, column string, where map[string]string) string {
	t.Helper()
	f, err := os.Open("../testdata/reference/" + file)
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	found := ""
	for _, row := range rows[1:] {
		cell := map[string]string{}
		for i, name := range rows[0] {
			cell[name] = row[i]
		}
		same := true
		for name, v := range where {
			same = same && cell[name] == v
		}
		if same {
			require.Empty(t, found, "two rows of %s fit %v", file, where)
			found = cell[column]
		}
	}
	require.NotEmpty(t, found, "no row of %s fits %v", file, where)
	return found
}

func TestLimitsAreThosePublished(t *testing.T) {
	drop := func(volts, source, path string) string {
		return published(t, "07_voltage_drop_limits.csv", "value", map[string]string{"system_v": volts, "source": source, "path": path})
	}
	cables := &checks[0]
	require.Contains(t, cables.sentence(12), fmt.Sprintf("above %s V plus or %s V earth",
		drop("12", "TRAINING-NOCRANK", "positive cable battery to starter"), drop("12", "TRAINING-NOCRANK", "negative cable battery to block")))
	require.Contains(t, cables.sentence(24), fmt.Sprintf("above %s V plus or %s V earth",
		drop("24", "TM5-3895", "battery positive post to starter positive terminal"), drop("24", "TM5-3895", "battery negative post to starter ground")))
	amps := func(item, of string) string {
		return published(t, "08_starter_current_and_duty.csv", "value", map[string]string{"item": item, "engine_or_condition": of})
	}
	named := map[string]*check{}
	for i := range checks {
		named[checks[i].name] = &checks[i]
	}
	require.Contains(t, named["current clamp while cranking"].sentence(12), fmt.Sprintf("4 to 8 cylinders draw at most %s to %s A warm",
		amps("starter_current_max", "4 cylinder"), amps("starter_current_max", "8 cylinder")))
	require.Contains(t, named["the starter on the bench"].sentence(12), fmt.Sprintf("about %s A at 11.5 V", amps("starter_no_load_12v", "12 V starter of a road roller")))
	require.Contains(t, named["the starter on the bench"].sentence(24), fmt.Sprintf("at most %s A at 23 V", amps("starter_no_load_24v", "24 V starter of a road roller")))
	require.Contains(t, named["key-off current after 30 minutes"].sentence(12), fmt.Sprintf("above %s mA",
		published(t, "09_parasitic_drain.csv", "value", map[string]string{"item": "key_off_drain_max", "source": "WEB-PARASITIC-A"})))
}
