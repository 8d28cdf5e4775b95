package faults_test

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

func begin(tb testing.TB, facts faults.Facts) faults.Session {
	tb.Helper()
	if facts.SystemVolts == 0 {
		facts.SystemVolts = 12
	}
	s, err := faults.New(facts, faults.Prior{})
	require.NoError(tb, err)
	return s
}

// told answers checks in turn: check, reading, check, reading …
func told(tb testing.TB, s faults.Session, said ...string) faults.Session {
	tb.Helper()
	for i := 0; i < len(said); i += 2 {
		var err error
		s, err = s.Answer(faults.Check(said[i]), said[i+1], "ann", noon)
		require.NoError(tb, err)
	}
	return s
}

func chanceOf(s faults.Session, causes ...faults.Cause) (sum float64) {
	for _, c := range s.Next().Chances {
		if slices.Contains(causes, c.Cause) {
			sum += c.Probability
		}
	}
	return sum
}

// drawAnswers answers each check at most once, in words.
func drawAnswers(t *rapid.T) []faults.Answer {
	s, err := faults.New(faults.Facts{SystemVolts: 12}, faults.Prior{})
	require.NoError(t, err)
	all := []faults.Answer{}
	for _, check := range rapid.SliceOfNDistinct(rapid.SampledFrom(everyCheck), 0, 14, rapid.ID[faults.Check]).Draw(t, "checks") {
		ask, err := s.Look(check)
		require.NoError(t, err)
		n := rapid.IntRange(0, len(ask.Outcomes)).Draw(t, "outcome")
		answer := faults.DontKnow
		if n < len(ask.Outcomes) {
			answer = ask.Outcomes[n].ID
		}
		all = append(all, faults.Answer{Check: check, Answer: answer, By: "ann", At: noon})
	}
	return all
}

var everyCheck = []faults.Check{
	faults.Secure, faults.Key, faults.Lamps, faults.Story, faults.FlatBefore, faults.ChargeLamp, faults.Frozen, faults.RestV, faults.CCATest, faults.LoadTest,
	faults.CrankV, faults.Jump, faults.Charge, faults.LookTerminals, faults.ClampDrop, faults.CleanTerminals, faults.PositiveDrop, faults.GroundDrop,
	faults.MainFuseCheck, faults.StarterWires, faults.CleanWires, faults.SolenoidDrop, faults.Draw, faults.Tap, faults.Bench, faults.SolenoidBench, faults.Pinion,
	faults.Signal, faults.StartFuse, faults.RelayClick, faults.RelaySwap, faults.OtherPosition, faults.InterlockTest, faults.SecurityLamp, faults.SecondKey,
	faults.EngineLamp, faults.ComputerTalks, faults.SwitchFeed, faults.ChargingV, faults.Ripple, faults.DrainMA, faults.TurnEngine,
}

func bytesOf(tb rapid.TB, v any) string {
	b, err := json.Marshal(v)
	require.NoError(tb, err)
	return string(b)
}

func TestLawsOfASearch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		answers := drawAnswers(t)
		s, err := faults.New(faults.Facts{SystemVolts: 12, TemperatureC: fleet.Known(-5.0)}, faults.Prior{})
		require.NoError(t, err)
		s.Answers = answers
		chances := bytesOf(t, s.Next().Chances)

		turned := s
		turned.Answers = rapid.Permutation(answers).Draw(t, "order")
		require.Equal(t, chances, bytesOf(t, turned.Next().Chances), "the order of answers changes nothing")

		b, err := json.Marshal(s)
		require.NoError(t, err)
		var again faults.Session
		require.NoError(t, json.Unmarshal(b, &again))
		require.Equal(t, bytesOf(t, s.Next()), bytesOf(t, again.Next()), "left and taken up again")
		require.Equal(t, string(b), bytesOf(t, again))
		first, second := s.Next(), s.Next()
		require.Equal(t, bytesOf(t, first), bytesOf(t, second), "the same input gives the same bytes")

		check := rapid.SampledFrom(everyCheck).Draw(t, "asked in vain")
		vain, err := s.Answer(check, faults.DontKnow, "ben", noon)
		require.NoError(t, err)
		require.Equal(t, chances, bytesOf(t, vain.Next().Chances), "not knowing changes nothing")
		require.Equal(t, string(b), bytesOf(t, vain.Undo()), "taken back")

		for _, c := range s.Next().Chances {
			require.True(t, c.Probability >= 0.01 && c.Probability <= 1, "%v", c)
		}
	})
}

// A search ends with whatever is said, and says something that can be done.
func TestEverySearchEnds(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, err := faults.New(faults.Facts{SystemVolts: rapid.SampledFrom([]int{12, 24}).Draw(t, "volts")}, faults.Prior{})
		require.NoError(t, err)
		const most = 90 // each check twice would be 84
		for range most {
			step := s.Next()
			if f := step.Finding; f != nil {
				require.NotEmpty(t, f.Says)
				require.NotEmpty(t, f.Advice)
				require.NotEmpty(t, f.Part)
				require.NotEmpty(t, f.Sheet.Steps)
				require.True(t, f.Probability > 0 && f.Probability <= 1)
				return
			}
			n := rapid.IntRange(0, len(step.Ask.Outcomes)).Draw(t, "outcome")
			reading := faults.DontKnow
			if n < len(step.Ask.Outcomes) {
				reading = step.Ask.Outcomes[n].ID
			}
			s, err = s.Answer(step.Ask.Check, reading, "", noon)
			require.NoError(t, err)
		}
		t.Fatal("it goes on asking")
	})
}

func TestAnAnswerMayBeChangedByAnother(t *testing.T) {
	s := told(t, begin(t, faults.Facts{}), "secure", "done", "key", "slow", "rest_v", "11.2")
	flat := chanceOf(s, faults.Flat)
	changed, err := s.Answer(faults.RestV, "12.7 V", "ben", noon.Add(time.Hour))
	require.NoError(t, err)
	require.Less(t, chanceOf(changed, faults.Flat), flat)
	require.InDelta(t, flat, chanceOf(changed.Undo(), faults.Flat), 0, "the answer whose place it took stands again")
	said := changed.Said()
	require.Equal(t, "ben", said[len(said)-1].By)
	require.Equal(t, "12.7 V (12.4 V or more)", said[len(said)-1].Text)
	require.Empty(t, begin(t, faults.Facts{}).Undo().Answers)
}

// What was typed wrong and put right was one piece of work; what the search asked for again was two.
func TestAnAnswerPutRightTakesNoMinutes(t *testing.T) {
	minutes := func(s faults.Session) float64 { return s.Next().Minutes }
	s := told(t, begin(t, faults.Facts{}), "secure", "done", "key", "slow", "rest_v", "11.2")
	require.InDelta(t, 2+1+3, minutes(s), 1e-9)
	require.InDelta(t, 6, minutes(told(t, s, "rest_v", "12.7")), 1e-9, "another answer")
	require.InDelta(t, 6, minutes(told(t, s, "rest_v", faults.DontKnow)), 1e-9, "taken for a guess")
	require.InDelta(t, 6, minutes(told(t, s, "rest_v", "12.7", "rest_v", "12.6", "rest_v", "11.2").Undo().Undo()), 1e-9)
	require.InDelta(t, 9, minutes(told(t, s, "rest_v", "11.3")), 1e-9, "measured again, and the same")
	vain := told(t, begin(t, faults.Facts{}), "secure", "done", "key", faults.DontKnow)
	require.InDelta(t, 3, minutes(told(t, vain, "key", "slow")), 1e-9, "known after all")
	odd := told(t, begin(t, faults.Facts{}), "secure", "done", "key", "normal")
	require.True(t, odd.Next().Ask.Again)
	require.InDelta(t, 4, minutes(told(t, odd, "key", "slow")), 1e-9, "asked for again")
	require.InDelta(t, 4, minutes(told(t, odd, "key", faults.DontKnow)), 1e-9, "asked for again in vain")
}

// Where the search asked again, two answers that contradict weigh the same; where a person puts an answer right, the newer one counts.
func TestTwoReadingsThatContradictWeighTheSame(t *testing.T) {
	s := told(t, begin(t, faults.Facts{}), "secure", "done", "key", "normal")
	require.True(t, s.Next().Ask.Again && s.Next().Ask.Check == faults.Key, "so rare that it is asked again")
	before, once := chanceOf(begin(t, faults.Facts{}), faults.NotStarting), chanceOf(s, faults.NotStarting)
	both := told(t, s, "key", "slow")
	turned := told(t, told(t, begin(t, faults.Facts{}), "secure", "done", "key", "slow"), "key", "normal")
	require.Greater(t, chanceOf(both, faults.NotStarting), before)
	require.Less(t, chanceOf(both, faults.NotStarting), once)
	require.Contains(t, both.Said()[1].Text, "first it was: It turns as fast as always")
	require.InDelta(t, once, chanceOf(turned, faults.NotStarting), 1e-12, "nobody asked again: it was put right")
	sure := told(t, both, "key", "normal")
	require.Greater(t, chanceOf(sure, faults.NotStarting), chanceOf(both, faults.NotStarting))
}

func TestAFigureOnTheLimitSaysLittleAndOneFarBeyondItMuch(t *testing.T) {
	s := told(t, begin(t, faults.Facts{RatedAh: fleet.Known(80.0)}), "secure", "done", "key", "slow", "rest_v", "11.6", "charge", "cranks")
	chance := func(mA string) float64 { return chanceOf(told(t, s, "drain_ma", mA), faults.Drain) }
	require.InDelta(t, chance("49.9"), chance("50.1"), 0.02, "on both sides of 50 mA")
	for _, step := range [][2]string{{"20", "50"}, {"50", "60"}, {"60", "100"}, {"100", "800"}} {
		require.Less(t, chance(step[0]), chance(step[1]), "%v", step)
	}
}

func TestTheChanceOfTheCauseAndOfItsPart(t *testing.T) {
	s := told(t, begin(t, faults.Facts{TemperatureC: fleet.Known(10.0)}), "secure", "done", "key", "click", "lamps", "bright", "rest_v", "12.7", "cca_test", "good",
		"relay_click", "clicks", "positive_drop", "0.02", "ground_drop", "0.01", "crank_v", "12.6", "relay_swap", "same")
	require.Equal(t, faults.SolenoidDrop, s.Next().Ask.Check, "the starter is sure, which part of it is not")
	f := told(t, s, "solenoid_drop", "12.4").Next().Finding
	require.Equal(t, faults.Solenoid, f.Cause)
	require.Equal(t, "the starter as a whole", f.Whole)
	require.InDelta(t, chanceOf(told(t, s, "solenoid_drop", "12.4"), faults.Solenoid), f.CauseProbability, 1e-12)
	require.InDelta(t, chanceOf(told(t, s, "solenoid_drop", "12.4"), faults.Solenoid, faults.StarterMotor, faults.StarterDrive), f.Probability, 0.01)
	vain := told(t, s, "solenoid_drop", faults.DontKnow)
	for step := vain.Next(); step.Finding == nil; step = vain.Next() {
		vain = told(t, vain, string(step.Ask.Check), faults.DontKnow)
	}
	require.Regexp(t, `^The starter as a whole, at \d+ %: starter's solenoid \d+ %, starter motor worn \d+ %`, vain.Next().Finding.Says)
	worn := told(t, begin(t, faults.Facts{}), "secure", "done", "key", "slow", "rest_v", "12.6", "cca_test", "poor", "load_test", "6.1").Next().Finding
	require.Empty(t, worn.Whole)
	require.InDelta(t, worn.Probability, worn.CauseProbability, 1e-12)
}

func TestAnswersAreListedAsTheyWereGiven(t *testing.T) {
	s := told(t, begin(t, faults.Facts{}), "secure", "done", "rest_v", "12.1", "key", "slow", "story", "neither", "rest_v", "12.2")
	var order []faults.Check
	for _, a := range s.Said() {
		order = append(order, a.Check)
	}
	require.Equal(t, []faults.Check{faults.Secure, faults.RestV, faults.Key, faults.Story}, order)
}

// A cure shows nothing on a unit that turns as always, and the sound of the fault is not asked for after one was tried.
func TestCuresAndTheSoundOfTheFault(t *testing.T) {
	turns := told(t, begin(t, faults.Facts{TemperatureC: fleet.Known(10.0)}), "secure", "done", "key", "normal", "rest_v", "11.8", "look_terminals", "bad")
	for _, check := range []faults.Check{faults.Charge, faults.Jump, faults.CleanTerminals, faults.RelaySwap, faults.SecondKey, faults.Tap} {
		require.False(t, turns.May(check), "%s", check)
	}
	slow := told(t, begin(t, faults.Facts{TemperatureC: fleet.Known(10.0)}), "secure", "done", "key", "slow", "rest_v", "11.8")
	require.True(t, slow.May(faults.Charge))
	require.True(t, slow.May(faults.Key))
	require.False(t, told(t, slow, "charge", faults.DontKnow).May(faults.Key))
}

func TestFiguresAreSortedOrRefusedWithASentence(t *testing.T) {
	s24 := begin(t, faults.Facts{SystemVolts: 24})
	for _, tc := range []struct {
		s              faults.Session
		check          faults.Check
		reading, wants string // the outcome, or words of the error
	}{
		{begin(t, faults.Facts{}), faults.RestV, "12,4", "fine"},
		{begin(t, faults.Facts{}), faults.RestV, "12.39 V", "enough"},
		{begin(t, faults.Facts{}), faults.RestV, "24.8", "one battery at a time"},
		{begin(t, faults.Facts{}), faults.RestV, "-3", "want 0 to 13.3 V"},
		{begin(t, faults.Facts{}), faults.RestV, "full", "no figure in V"},
		{begin(t, faults.Facts{}), faults.RestV, "NaN", "no figure"},
		{begin(t, faults.Facts{}), faults.PositiveDrop, "0.5", "within"},
		{begin(t, faults.Facts{}), faults.PositiveDrop, "0.51", "above"},
		{s24, faults.PositiveDrop, "1.0", "within"},
		{s24, faults.GroundDrop, "1.41", "above"},
		{s24, faults.CrankV, "26.7", "want 0 to 26.6 V"},
		{s24, faults.ChargingV, "28.2", "regulated"},
		{begin(t, faults.Facts{}), faults.ChargingV, "15.1", "high"},
		{begin(t, faults.Facts{}), faults.CCATest, "600", "choose one of the outcomes"},
		{begin(t, faults.Facts{}), faults.Draw, "200", "choose one of the outcomes"},
		{begin(t, faults.Facts{}), faults.Lamps, "3", "none of its outcomes"},
		{begin(t, faults.Facts{}), "horoscope", "good", "there is no check"},
	} {
		after, err := tc.s.Answer(tc.check, tc.reading, "", noon)
		if err != nil {
			require.ErrorContains(t, err, tc.wants)
			require.Empty(t, after.Answers)
			continue
		}
		require.Equal(t, tc.wants, after.Answers[0].Answer, "%s %s", tc.check, tc.reading)
	}
}

func TestAnswersThatContradictAreNoticedAndAskedAgain(t *testing.T) {
	s := told(t, begin(t, faults.Facts{TemperatureC: fleet.Known(15.0)}),
		"secure", "done", "key", "silent", "lamps", "bright", "relay_click", "quiet", "start_fuse", "blown", "signal", "none", "rest_v", "12.6", "positive_drop", "within", "crank_v", "7.1")
	step := s.Next()
	require.Contains(t, step.Doubt, "Measure the battery while the key is turned: 7.1 V")
	require.Contains(t, step.Doubt, "does not fit")
	s = told(t, s, "crank_v", "12.5")
	require.Empty(t, s.Next().Doubt)
	require.Equal(t, faults.StarterFuse, s.Next().Chances[0].Cause)

	odd := told(t, begin(t, faults.Facts{}), "secure", "done", "key", "grinds", "rest_v", "fine", "lamps", "dark")
	step = odd.Next()
	require.NotNil(t, step.Ask)
	require.True(t, step.Ask.Again)
	require.Contains(t, step.Doubt, "Do that check again.")
}

func TestWhatCannotBeIsRefused(t *testing.T) {
	for _, tc := range []struct {
		facts faults.Facts
		prior faults.Prior
		says  string
	}{
		{faults.Facts{SystemVolts: 6}, faults.Prior{}, "12 and 24 V"},
		{faults.Facts{SystemVolts: 12, Fuel: "coal"}, faults.Prior{}, "fuel"},
		{faults.Facts{SystemVolts: 12, RatedCCAA: fleet.Known(9000.0)}, faults.Prior{}, "rated cold cranking amperes 9000"},
		{faults.Facts{SystemVolts: 12, TemperatureC: fleet.Known(math.NaN())}, faults.Prior{}, "temperature"},
		{faults.Facts{SystemVolts: 12}, faults.Prior{Suspects: map[fleet.Part]float64{fleet.BatteryPart: 0.5}}, "add up"},
		{faults.Facts{SystemVolts: 12}, faults.Prior{NoStart: fleet.Known(1.5)}, "chance of a failed start"},
	} {
		_, err := faults.New(tc.facts, tc.prior)
		require.ErrorContains(t, err, tc.says)
	}
}

func TestAFrozenBatteryStopsTheSearch(t *testing.T) {
	s := told(t, begin(t, faults.Facts{TemperatureC: fleet.Known(-15.0)}), "secure", "done", "key", "dark", "rest_v", "11.3", "frozen", "frozen")
	f := s.Next().Finding
	require.NotNil(t, f)
	require.Equal(t, faults.Thaw, f.Kind)
	require.Contains(t, f.Says, "no charging, no jump")
	require.NotNil(t, told(t, s, "frozen", "no").Next().Ask, "thawed, it goes on")
	rare := told(t, begin(t, faults.Facts{}), "secure", "done", "key", "silent", "lamps", "bright", "rest_v", "12.7", "frozen", "frozen")
	require.Nil(t, rare.Next().Ask, "ice is never asked for again to be sure")
}

// Without a safe place the key is never turned.
func TestWhereItCannotBeMadeSafeTheKeyStays(t *testing.T) {
	s := told(t, begin(t, faults.Facts{TemperatureC: fleet.Known(10.0)}), "secure", "cannot")
	for step := s.Next(); step.Finding == nil; step = s.Next() {
		require.NotContains(t, turnsTheKey, step.Ask.Check)
		s = told(t, s, string(step.Ask.Check), faults.DontKnow)
	}
	require.Contains(t, s.Next().Finding.Says, "tow it to firm, level ground")
}

// A check to which nobody knew an answer may be asked once more at the end; whoever knew little all along is spared that, and whoever could
// not say it when asked again to be sure is not asked a third time.
func TestWhoDoesNotKnowIsNotAskedOnAndOn(t *testing.T) {
	const slips, walks = 3, 150
	again := map[bool]int{} // how often such a check was asked once more, by whether few did not know
	for seed := range uint64(walks) {
		r := rand.New(rand.NewPCG(seed, 7))
		share := r.Float64() // of answers that are not known
		s, knew, asked := begin(t, faults.Facts{TemperatureC: fleet.Known(10.0)}), map[faults.Check]bool{}, map[faults.Check]int{}
		unsure := faults.Check("") // answered before, and not when asked again
		for step := s.Next(); step.Finding == nil; step = s.Next() {
			check := step.Ask.Check
			require.NotEqual(t, unsure, check, "seed %d", seed)
			if asked[check] > 0 && !knew[check] {
				again[len(asked)-len(knew) <= slips]++
			}
			reading := step.Ask.Outcomes[r.IntN(len(step.Ask.Outcomes))].ID
			unsure = ""
			switch {
			case check == faults.Secure || r.Float64() >= share:
				knew[check] = true
			case knew[check]:
				reading, unsure = faults.DontKnow, check
			default:
				reading = faults.DontKnow
			}
			asked[check]++
			s = told(t, s, string(check), reading)
		}
	}
	require.Positive(t, again[true])
	require.Zero(t, again[false])
}

func TestTheForecastTurnsThePrior(t *testing.T) {
	facts := faults.Facts{SystemVolts: 24}
	suspects := map[fleet.Part]float64{fleet.BatteryPart: 0.05, fleet.StarterPart: 0.85, fleet.CablePart: 0.05, fleet.ChargingPart: 0.03, fleet.ControlPart: 0.02}
	starter := func(p faults.Prior) float64 {
		s, err := faults.New(facts, p)
		require.NoError(t, err)
		return chanceOf(s, faults.StarterMotor, faults.Solenoid, faults.StarterDrive)
	}
	none, mild, foreseen := starter(faults.Prior{}), starter(faults.Prior{Suspects: suspects}), starter(faults.Prior{Suspects: suspects, NoStart: fleet.Known(0.9)})
	require.Less(t, none, 0.15)
	require.Greater(t, mild, 2*none)
	require.Greater(t, foreseen, mild, "a failure that was foreseen counts for more")
	require.Less(t, foreseen, 0.85, "but rules nothing out")

	worn := func(p faults.Prior, c float64) float64 {
		s, err := faults.New(faults.Facts{SystemVolts: 12, TemperatureC: fleet.Known(c)}, p)
		require.NoError(t, err)
		return chanceOf(s, faults.Worn)
	}
	require.Greater(t, worn(faults.Prior{BatteryYears: fleet.Known(7.0)}, 0), worn(faults.Prior{BatteryYears: fleet.Known(0.5)}, 0))
	require.Greater(t, worn(faults.Prior{}, -15), worn(faults.Prior{}, 15))
}

func TestRecordedUnits(t *testing.T) {
	asOf := fleet.NewDate(2026, 1, 12)
	h := fleet.History{
		Unit: fleet.Unit{ID: "T-4", Class: "tipper", SystemVolts: 24, Fuel: fleet.Diesel, Gearbox: fleet.Manual},
		Batteries: []fleet.BatteryFitting{
			{RatedCCAA: 500, FittedOn: fleet.Known(asOf - 3000), RemovedOn: fleet.Known(asOf - 1500)},
			{RatedCCAA: 1000, CCAStandard: fleet.EN, FittedOn: fleet.Known(asOf - 1461), RatedAh: fleet.Known(180.0), Chemistry: fleet.EFB},
			{RatedCCAA: 950, CCAStandard: fleet.EN, FittedOn: fleet.Known(asOf - 100), RatedAh: fleet.Known(170.0), Chemistry: fleet.EFB},
		},
		Tests: []fleet.Test{{At: noon.AddDate(0, 0, -40), RestV: fleet.Known(11.0)}, {At: noon.AddDate(0, 0, -3), RestV: fleet.Known(12.3)}, {At: noon.AddDate(0, 0, -3), RestV: fleet.Known(12.6)}},
	}
	facts, prior := faults.Recorded(h, fleet.Forecast{}, asOf)
	require.Equal(t, faults.Facts{
		Unit: "T-4", Class: "tipper", SystemVolts: 24, Fuel: fleet.Diesel, Gearbox: fleet.Manual,
		RatedCCAA: fleet.Known(950.0), CCAStandard: fleet.EN, RatedAh: fleet.Known(170.0), Chemistry: fleet.EFB,
	}, facts)
	require.InDelta(t, 4, prior.BatteryYears.Or(0), 0.01)
	require.Equal(t, fleet.Known(12.3), prior.RestV)
}
