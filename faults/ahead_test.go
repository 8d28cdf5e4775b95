package faults

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func begin(tb testing.TB, facts Facts, answers ...string) Session {
	tb.Helper()
	s, err := New(facts, Prior{})
	require.NoError(tb, err)
	for _, a := range answers {
		check, reading, _ := strings.Cut(a, " ")
		s, err = s.Answer(Check(check), reading, "jo", time.Unix(60, 0))
		require.NoError(tb, err)
	}
	return s
}

func TestTheMinutesAheadShrinkAndEnd(t *testing.T) {
	s := begin(t, Facts{SystemVolts: 12, TemperatureC: fleet.Known(8.0)})
	before := s.Ahead()
	require.Greater(t, before, 10.0)
	require.Less(t, before, 120.0)
	s = begin(t, s.Facts, "secure done", "key dark", "main_fuse_check open", "rest_v 12.7", "main_fuse_check open")
	require.NotNil(t, s.Next().Finding)
	require.Zero(t, s.Ahead())
}

func TestWhatMayBeDoneNow(t *testing.T) {
	cold := Facts{SystemVolts: 12, TemperatureC: fleet.Known(-8.0)}
	s := begin(t, cold)
	require.False(t, s.May(Key), "not before the unit is safe")
	require.True(t, s.May(Secure))
	s = begin(t, cold, "secure done", "key clicks", "rest_v 11.2")
	require.False(t, s.May(Charge), "not before ice is ruled out")
	s = begin(t, cold, "secure done", "key clicks", "rest_v 11.2", "frozen no")
	require.True(t, s.May(Charge))
	s = begin(t, cold, "secure done", "key clicks", "frozen frozen")
	require.False(t, s.May(LookTerminals), "a frozen battery stops all else")
	require.True(t, s.May(Frozen))
	require.False(t, s.May("tea"))
}

func TestASearchComesBackAsItWasKept(t *testing.T) {
	s := begin(t, Facts{SystemVolts: 24, Class: "heavy"}, "secure done", "key clicks", "rest_v 11.4 V", "lamps unknown")
	begun, err := s.Begun()
	require.NoError(t, err)
	kept := fleet.FaultSearch{ID: 7, Begun: begun}
	for _, a := range s.Answers {
		kept.Answers = append(kept.Answers, a.Keep())
	}
	again, err := Kept(kept)
	require.NoError(t, err)
	require.Equal(t, s, again)
	kept.Answers[3].TakenBackAt = time.Unix(90, 0)
	again, err = Kept(kept)
	require.NoError(t, err)
	require.Equal(t, s.Undo(), again)
	_, err = Kept(fleet.FaultSearch{ID: 7, Begun: []byte("{")})
	require.ErrorContains(t, err, "search 7")
}

func TestReplaySortsFiguresAndSaysWhichAnswerIsWrong(t *testing.T) {
	said := begin(t, Facts{SystemVolts: 12})
	said.Answers = []Answer{{Check: Secure, Answer: "done"}, {Check: RestV, Answer: "11.4"}, {Check: Key, Answer: "click", By: "bo", At: time.Unix(5, 0)}}
	s, err := Replay(said, "jo", time.Unix(60, 0))
	require.NoError(t, err)
	require.Equal(t, Answer{RestV, "flat", fleet.Known(11.4), "jo", time.Unix(60, 0).UTC()}, s.Answers[1])
	require.Equal(t, "bo", s.Answers[2].By)
	said.Answers[1].Answer = "24.9"
	_, err = Replay(said, "jo", time.Unix(60, 0))
	require.ErrorContains(t, err, "answer 2: ")
}

// Whatever a sheet leaves blank for a torque can be noted, and nothing else can.
func TestEveryFastenerIsOnASheet(t *testing.T) {
	asked, names := map[string]bool{}, Fasteners()
	for _, row := range causeRows {
		b, err := json.Marshal(SheetFor(row.id, Facts{SystemVolts: 24}, ClassNotes{}))
		require.NoError(t, err)
		for _, name := range names {
			asked[name] = asked[name] || strings.Contains(string(b), name+": ____ N·m")
		}
		require.LessOrEqual(t, strings.Count(string(b), "____ N·m"), len(names))
	}
	for _, name := range names {
		require.True(t, asked[name], name)
	}
}

func TestTheOddAnswerIsNamed(t *testing.T) {
	s := begin(t, Facts{SystemVolts: 12, TemperatureC: fleet.Known(12.0)}, "secure done", "key normal", "rest_v 11.2", "lamps dark")
	step := s.Next()
	require.NotEmpty(t, step.Doubt)
	require.Equal(t, Key, step.Odd)
}

func BenchmarkAhead(b *testing.B) {
	s := begin(b, Facts{SystemVolts: 12})
	for b.Loop() {
		s.Ahead()
	}
}

func TestStrengthHasTwoSteps(t *testing.T) {
	for times, want := range map[float64]int{9: 2, 5: 2, 4.9: 1, 1.3: 1, 1.2: 0, 1: 0, 0.8: 0, 0.7: -1, 0.21: -1, 0.2: -2, 0: -2} {
		require.Equal(t, want, Evidence{Times: times}.Strength(), "%v", times)
	}
}
