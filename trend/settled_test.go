package trend

import (
	"context"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
	"rimeyard/internal/proving/motor"
)

// spoiled is a fleet whose physics is not the model's and whose records are spoiled as real ones are.
var spoiled = sync.OnceValue(func() proving.Fleet {
	f, err := proving.Build(context.Background(), motor.New(), proving.Options{Seed: 5, Units: 120, Years: 2, Dirt: true, Workers: 2})
	if err != nil {
		panic(err) // only the context can end building
	}
	return f
})

// thenOf is what Compress would have made of a unit on the settled day.
func thenOf(h fleet.History, depot fleet.Depot, temps map[fleet.DepotID][]fleet.DayTemp, depots []fleet.Depot, day fleet.Date) string {
	h, _ = tidy(h)
	t := compress(knownOn(day, h, depot.Zone()), depot.Zone(), NewWeather(depots, temps, day), day, day).track
	t.forgetWhatIsShown()
	t.print = t.fingerprint()
	return fmt.Sprintf("%+v", *t)
}

func TestSettledTrackIsWhatItsDayKnew(t *testing.T) {
	f := spoiled()
	late := f.Depots[0]
	late.ID, late.Latitude = "LATE", fleet.Known(late.Latitude.Or(0)+0.1) // its thermometer begins within the last month
	temps := map[fleet.DepotID][]fleet.DayTemp{late.ID: {{Depot: late.ID, Date: f.AsOf + 50, MinC: fleet.Known(-3.0), MaxC: fleet.Known(2.0)}}}
	for depot, days := range f.Temps {
		temps[depot] = days
	}
	depots := append(slices.Clone(f.Depots), late)
	cut, anew := 0, 0
	for _, asOf := range []fleet.Date{f.AsOf, f.AsOf + 17, f.AsOf + 52, f.AsOf + 83, f.AsOf + 130} {
		weather := NewWeather(depots, temps, asOf)
		for i, h := range f.Histories {
			if i%10 == 0 {
				h.Unit.Depot = late.ID
			}
			depot := depots[slices.IndexFunc(depots, func(d fleet.Depot) bool { return d.ID == h.Unit.Depot })]
			track := Compress(h, depot, weather, asOf)
			same(t, thenOf(h, depot, temps, depots, settledOn(asOf)), fmt.Sprintf("%+v", *track.then), asOf)
			if len(track.then.Weeks) > 0 && &track.then.Weeks[0] == &track.Weeks[0] {
				cut++
			} else {
				anew++
			}
		}
	}
	require.Greater(t, cut, 2*anew, "most rows are shared and not read twice")
	require.Positive(t, anew)
}

// Whatever comes since the settled day, the settled track is what that day knew.
func TestWhatComesSinceDoesNotReachTheSettledTrack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := lived(rapid.IntRange(0, 7).Draw(t, "unit"))
		h.Unit.Parked = rapid.SampledFrom([]fleet.Parked{fleet.Outdoors, fleet.Indoors, fleet.PluggedIn}).Draw(t, "parked")
		today := asOf - fleet.Date(rapid.IntRange(0, 200).Draw(t, "back"))
		day := settledOn(today)
		for range rapid.IntRange(1, 5).Draw(t, "edits") {
			on := day + fleet.Date(rapid.SampledFrom([]int{-2, -1, 0, 1, rapid.IntRange(2, 40).Draw(t, "on")}).Draw(t, "near"))
			editSince(t, &h, on)
		}
		holdsToItsDay(t, h, today)
	})
}

func editSince(t *rapid.T, h *fleet.History, on fleet.Date) {
	at := on.Midnight(yard.Zone()).Add(time.Duration(rapid.IntRange(0, 23).Draw(t, "hour")) * time.Hour)
	switch rapid.SampledFrom([]string{"breakdown", "no crank", "battery", "thermometer", "logger"}).Draw(t, "what") {
	case "breakdown":
		cause := rapid.SampledFrom([]fleet.Part{fleet.BatteryPart, fleet.ControlPart, fleet.OtherPart}).Draw(t, "cause")
		h.Breakdowns = append(h.Breakdowns, fleet.Breakdown{Unit: h.Unit.ID, At: at, Cause: cause})
	case "no crank":
		h.Cranks = append(h.Cranks, fleet.Crank{Unit: h.Unit.ID, At: at, Outcome: fleet.NoCrank, TemperatureC: fleet.Known(4.0)})
	case "battery":
		if from, _ := h.Batteries[len(h.Batteries)-1].FittedOn.Get(); from > on {
			return
		}
		renewAt(h, on, rapid.SampledFrom([]float64{600, 700}).Draw(t, "rated"))
	case "thermometer": // shows °F from then on, or from some days before
		from := (on - fleet.Date(rapid.IntRange(0, 20).Draw(t, "before"))).Midnight(yard.Zone())
		for i := range h.Cranks {
			if c := &h.Cranks[i]; !c.At.Before(from) {
				c.TemperatureC = fleet.Known(c.TemperatureC.Or(0)*1.8 + 32)
			}
		}
	case "logger": // was fitted not long ago, where it is warmer
		from := (on - fleet.Date(rapid.IntRange(0, 40).Draw(t, "before"))).Midnight(yard.Zone())
		h.Cranks = slices.DeleteFunc(h.Cranks, func(c fleet.Crank) bool { return c.At.Before(from) })
		for i := range h.Cranks {
			h.Cranks[i].TemperatureC = fleet.Known(h.Cranks[i].TemperatureC.Or(0) + 8)
		}
	}
}

func holdsToItsDay(t require.TestingT, h fleet.History, today fleet.Date) {
	temps := map[fleet.DepotID][]fleet.DayTemp{yard.ID: coldDays()}
	track := Compress(h, yard, NewWeather([]fleet.Depot{yard}, temps, today), today)
	same(t, thenOf(h, yard, temps, []fleet.Depot{yard}, settledOn(today)), fmt.Sprintf("%+v", *track.then), today)
}

func TestSettledTrackForgetsWhatIsToldLater(t *testing.T) {
	today := fleet.NewDate(2024, 5, 30)
	day := settledOn(today)
	hour := func(d fleet.Date, hours int) time.Time {
		return d.Midnight(yard.Zone()).Add(time.Duration(hours) * time.Hour)
	}
	since := func(h *fleet.History, from fleet.Date) {
		h.Cranks = slices.DeleteFunc(h.Cranks, func(c fleet.Crank) bool { return c.At.Before(hour(from, 0)) })
	}
	for what, edit := range map[string]func(h *fleet.History){
		"the crank that a breakdown is joined to": func(h *fleet.History) {
			h.Breakdowns = append(h.Breakdowns, fleet.Breakdown{Unit: h.Unit.ID, At: hour(day-1, 20), Cause: fleet.StarterPart})
			h.Cranks = append(h.Cranks, fleet.Crank{Unit: h.Unit.ID, At: hour(day, 5), Outcome: fleet.NoCrank, TemperatureC: fleet.Known(4.0)})
		},
		"the cause of a failed crank": func(h *fleet.History) {
			h.Cranks = append(h.Cranks, fleet.Crank{Unit: h.Unit.ID, At: hour(day-1, 23), Outcome: fleet.NoCrank, TemperatureC: fleet.Known(4.0), RestV: fleet.Known(12.4), MinV: fleet.Known(7.0)})
			h.Breakdowns = append(h.Breakdowns, fleet.Breakdown{Unit: h.Unit.ID, At: hour(day, 1), Cause: fleet.ControlPart})
		},
		"that its thermometer shows °F": func(h *fleet.History) {
			for i := range h.Cranks {
				if c := &h.Cranks[i]; !c.At.Before(hour(day-4, 0)) {
					c.TemperatureC = fleet.Known(c.TemperatureC.Or(0)*1.8 + 32)
				}
			}
		},
		"where it stands at night": func(h *fleet.History) {
			h.Unit.Parked = fleet.Indoors
			since(h, day-12)
			for i := range h.Cranks {
				h.Cranks[i].TemperatureC = fleet.Known(h.Cranks[i].TemperatureC.Or(0) + 13)
			}
			h.Breakdowns = append(h.Breakdowns, fleet.Breakdown{Unit: h.Unit.ID, At: hour(day-5, 1), Cause: fleet.StarterPart})
		},
		"that it is read":        func(h *fleet.History) { since(h, day+3); h.Tests, h.Breakdowns = nil, nil },
		"the rating of a part":   func(h *fleet.History) { renewAt(h, day+3, 700) },
		"that a battery is gone": func(h *fleet.History) { renewAt(h, day, 600) },
	} {
		t.Run(what, func(t *testing.T) {
			for unit := range 4 {
				h := lived(unit)
				edit(&h)
				holdsToItsDay(t, h, today)
			}
		})
	}
}

func renewAt(h *fleet.History, on fleet.Date, ratedA float64) {
	last := &h.Batteries[len(h.Batteries)-1]
	renewed := *last
	last.RemovedOn, last.RemovedBecause = fleet.Known(on), fleet.RemovedFailed
	renewed.Battery, renewed.FittedOn, renewed.RatedCCAA = fmt.Sprint(h.Unit.ID, on), fleet.Known(on), ratedA
	h.Batteries = append(h.Batteries, renewed)
}

// same compares two long texts.
func same(t require.TestingT, want, got string, on fleet.Date) {
	for i := range min(len(want), len(got)) {
		if want[i] != got[i] {
			from, to := max(0, i-150), i+100
			require.Equal(t, want[from:min(to, len(want))], got[from:min(to, len(got))], "on %s", on)
		}
	}
	require.Len(t, got, len(want))
}

// asKnown is the learned fleet as a list of that day has it.
func (f *learnedFleet) asKnown(day fleet.Date, change func(i int, h *fleet.History)) ([]Track, Weather) {
	weather := NewWeather([]fleet.Depot{yard}, map[fleet.DepotID][]fleet.DayTemp{yard.ID: coldDays()}, day)
	var tracks []Track
	for i, h := range f.histories {
		h.Tests, h.Batteries = slices.Clone(h.Tests), slices.Clone(h.Batteries)
		if change != nil {
			change(i, &h)
		}
		tracks = append(tracks, Compress(h, yard, weather, day))
	}
	return tracks, weather
}

func TestFingerprintMovesWithWhatIsSettledAlone(t *testing.T) {
	f := learned()
	year, month, _ := asOf.YMD()
	first := fleet.NewDate(year, month, 1).AddMonths(-1)
	at := func(day fleet.Date, change func(i int, h *fleet.History)) string {
		return Fingerprint(f.asKnown(day, change))
	}
	want := at(first, nil)
	for _, day := range []fleet.Date{first + 1, first + 6, first + 7, first + 20, first.AddMonths(1) - 1} {
		require.Equal(t, want, at(day, nil), day)
	}
	for _, day := range []fleet.Date{first - 1, first.AddMonths(1), first.AddMonths(12)} {
		require.NotEqual(t, want, at(day, nil), day)
	}
	day := first + 20
	tracks, weather := f.asKnown(day, nil)
	slices.Reverse(tracks)
	require.Equal(t, want, Fingerprint(tracks, weather), "order of units")
	require.NotEqual(t, want, Fingerprint(tracks[1:], weather), "a unit less")
	require.NotEqual(t, want, Fingerprint(append(tracks, Compress(unread(3), yard, weather, day)), weather), "a unit more")
	same := map[string]func(i int, h *fleet.History){
		"order of rows": func(_ int, h *fleet.History) { slices.Reverse(h.Tests); slices.Reverse(h.Batteries) },
		"money": func(_ int, h *fleet.History) {
			h.Unit.NoStartCost, h.Batteries[0].Price = fleet.Known(fleet.Money(7)), fleet.Known(fleet.Money(9))
		},
		"news": func(_ int, h *fleet.History) { h.Tests = slices.DeleteFunc(h.Tests, since(settledOn(day))) },
	}
	for what, change := range same {
		require.Equal(t, want, at(day, change), what)
	}
	other := map[string]func(h *fleet.History){
		"a late test": func(h *fleet.History) {
			h.Tests = append(h.Tests, fleet.Test{Unit: h.Unit.ID, Position: 1, At: (first - 60).Midnight(yard.Zone()), RestV: fleet.Known(12.5), CCAA: fleet.Known(500.0), CCAStandard: fleet.EN, Tester: "A"})
		},
		"a late breakdown": func(h *fleet.History) {
			h.Breakdowns = append(slices.Clone(h.Breakdowns), fleet.Breakdown{Unit: h.Unit.ID, At: (first - 70).Midnight(yard.Zone()), Cause: fleet.StarterPart})
		},
		"another rating": func(h *fleet.History) { h.Batteries[0].RatedCCAA = 610 },
		"fitted before":  func(h *fleet.History) { h.Batteries[0].FittedOn = fleet.Known(h.Batteries[0].FittedOn.Or(0) - 70) },
		"removed as failed": func(h *fleet.History) {
			h.Batteries[0].RemovedOn, h.Batteries[0].RemovedBecause = fleet.Known(first-90), fleet.RemovedFailed
		},
		"another depot": func(h *fleet.History) { h.Unit.Depot = "ELSE" },
		"another class": func(h *fleet.History) { h.Unit.Class = "crane" },
		"a heater":      func(h *fleet.History) { h.Unit.Parked = fleet.PluggedIn },
	}
	for what, change := range other {
		require.NotEqual(t, want, at(day, func(i int, h *fleet.History) {
			if i == 7 {
				change(h)
			}
		}), what)
	}
	warmer := coldDays()
	for i := range warmer {
		if warmer[i].Date == first-200 {
			warmer[i].MinC = fleet.Known(warmer[i].MinC.Or(0) + 0.1)
		}
	}
	require.NotEqual(t, want, Fingerprint(tracks, NewWeather([]fleet.Depot{yard}, map[fleet.DepotID][]fleet.DayTemp{yard.ID: warmer}, day)), "one day's temperature")
}

func since(day fleet.Date) func(fleet.Test) bool {
	return func(x fleet.Test) bool { return !x.At.Before(day.Midnight(yard.Zone())) }
}

// A class of few units is learned from what is settled too, unless most of its units are new.
func TestSmallGroupIsNewOnlyWhileMostOfItsUnitsAre(t *testing.T) {
	f := learned()
	day := fleet.NewDate(2024, 9, 20)
	at := func(day fleet.Date, young int) string {
		from := fleet.NewDate(2024, 8, 10).Midnight(yard.Zone())
		return Fingerprint(f.asKnown(day, func(i int, h *fleet.History) {
			if i < 6 {
				h.Unit.Class = "crane"
			}
			if i < young {
				h.Cranks = slices.DeleteFunc(slices.Clone(h.Cranks), func(c fleet.Crank) bool { return c.At.Before(from) })
				h.Tests = slices.DeleteFunc(h.Tests, func(x fleet.Test) bool { return x.At.Before(from) })
				h.Breakdowns = nil
			}
		}))
	}
	require.Equal(t, at(day, 0), at(day+7, 0), "none is new")
	require.Equal(t, at(day, 2), at(day+7, 2), "of three petrol and three diesel ones one each is new")
	require.NotEqual(t, at(day, 4), at(day+7, 4), "two of three are new")
}

// Every field of a track moves the fingerprint, but for those that learning does not read.
func TestFingerprintReadsEveryFieldThatLearningReads(t *testing.T) {
	unread := []string{
		"Unit", "Chemistry", "Part", "Series", "RatedCCAA", "Starts", "Coldest", "LastDay", "Odd", "then", "print", "rowsGone", "courses", // Unit comes in beside it
		"Weeks.MeanV", "Weeks.LowV", "Weeks.RestStopV", "Weeks.From",
		"Tests.Day", "Tests.ShownA", "Tests.RatedA", "Tests.RestSpreadV", "Tests.SpreadLn",
	}
	track := func() Track {
		t := Track{AgeWeeks: 3}
		t.Changes, t.Weeks, t.Tests = make([]Change, 2), make([]WeekRow, 2), make([]TestRow, 2)
		t.Events, t.Breakdowns, t.Lives = make([]Event, 2), make([]Failure, 2), make([]Life, 2)
		return t
	}
	plain := track()
	var walk func(path string, v func(*Track) reflect.Value)
	walk = func(path string, v func(*Track) reflect.Value) {
		of := v(&plain).Type()
		for i := range of.NumField() {
			name := strings.TrimPrefix(path+"."+of.Field(i).Name, ".")
			field := func(t *Track) reflect.Value { return v(t).Field(i) }
			switch {
			case slices.Contains(unread, name):
				continue
			case of.Field(i).Type.Kind() == reflect.Slice:
				walk(name, func(t *Track) reflect.Value { return field(t).Index(1) })
				continue
			case of.Field(i).Type.Kind() == reflect.Struct:
				walk(name, field)
				continue
			}
			moved := track()
			switch f := field(&moved); f.Kind() {
			case reflect.String:
				f.SetString(f.String() + "x")
			case reflect.Bool:
				f.SetBool(true)
			case reflect.Float64:
				f.SetFloat(f.Float() + 1)
			default:
				f.SetInt(f.Int() + 1)
			}
			require.NotEqual(t, plain.fingerprint(), moved.fingerprint(), "%s is not in the fingerprint", name)
		}
	}
	walk("", func(t *Track) reflect.Value { return reflect.ValueOf(t).Elem() })
}

var update = flag.Bool("update", false, "write anew what the golden fleet taught")

// What a version of learning makes of one fleet is written down. Other results under the same version would let a list be made by what
// another program had learned.
func TestVersionOfLearningStandsForItsResults(t *testing.T) {
	const file = "testdata/learned.json"
	var now struct {
		Version int
		Params  map[string]any
	}
	now.Version = learning
	p := learned().params
	reread(t, p, &now.Params)
	if *update {
		text, err := json.MarshalIndent(now, "", " ")
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(file, append(text, '\n'), 0o644))
	}
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	was := now
	was.Params = nil
	require.NoError(t, json.Unmarshal(text, &was))
	require.Equal(t, was.Version, now.Version, "write the file anew: go test ./trend -run VersionOfLearning -update")
	if at, differs := firstDifference("Params", was.Params, now.Params); differs {
		require.Failf(t, "learning gives other results", "%s: raise the version of learning (fingerprint.go), then go test ./trend -run VersionOfLearning -update", at)
	}
}

// firstDifference walks through JSON; numbers may differ by what machines round differently.
func firstDifference(path string, a, b any) (string, bool) {
	switch a := a.(type) {
	case map[string]any:
		o, same := b.(map[string]any)
		if !same || len(a) != len(o) {
			return path, true
		}
		for key := range a {
			if at, differs := firstDifference(path+"."+key, a[key], o[key]); differs {
				return at, true
			}
		}
	case []any:
		o, same := b.([]any)
		if !same || len(a) != len(o) {
			return path, true
		}
		for i := range a {
			if at, differs := firstDifference(fmt.Sprintf("%s[%d]", path, i), a[i], o[i]); differs {
				return at, true
			}
		}
	case float64:
		o, same := b.(float64)
		return path, !same || math.Abs(a-o) > 1e-6*max(1, math.Abs(a))
	default:
		return path, a != b
	}
	return "", false
}
