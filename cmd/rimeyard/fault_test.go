package main

import (
	"bytes"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// typed runs the program with what a person types, one line each.
func typed(t *testing.T, lines []string, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	var out, errs bytes.Buffer
	code = run(args, strings.NewReader(strings.Join(lines, "\n")+"\n"), &out, &errs, time.Now)
	return code, out.String(), errs.String()
}

// noDatabase makes any touch of one fail.
func noDatabase(t *testing.T) {
	t.Helper()
	t.Setenv(envDatabase, "postgres://nobody@127.0.0.1:1/none")
	t.Setenv(envHome, filepath.Join(t.TempDir(), "never made"))
}

// script answers by check, whatever the order in which they are asked; what it does not know it says so.
func script(t *testing.T, s faults.Session, answers map[faults.Check]string) (lines []string) {
	t.Helper()
	for step := s.Next(); step.Ask != nil; step = s.Next() {
		line, found := answers[step.Ask.Check]
		if !found {
			line = "d"
		}
		var err error
		s, err = s.Answer(step.Ask.Check, reading(line, *step.Ask), "", time.Unix(0, 0))
		require.NoError(t, err)
		lines = append(lines, line)
	}
	return lines
}

// One truck on a driveway, no database: facts, checks, finding and a job sheet.
func TestFaultServesAVehicleNobodyHasRecorded(t *testing.T) {
	noDatabase(t)
	facts := []string{"12 V", "petrol", "1.6 l", "man", "agm", "760", "en", "70", "", "8"}
	known := faults.Facts{
		SystemVolts: 12, Fuel: fleet.Petrol, EngineLitres: fleet.Known(1.6), Gearbox: fleet.Manual, Chemistry: fleet.AGM,
		RatedCCAA: fleet.Known(760.0), CCAStandard: fleet.EN, RatedAh: fleet.Known(70.0), TemperatureC: fleet.Known(8.0),
	}
	s, err := faults.New(known, faults.Prior{})
	require.NoError(t, err)
	lines := script(t, s, map[faults.Check]string{
		faults.Secure: "1", faults.Key: "3", faults.Lamps: "3", faults.Story: "3", faults.RestV: "12,75", faults.LookTerminals: "2", faults.ClampDrop: "0.9", faults.CleanTerminals: "1", faults.CCATest: "740",
	})
	code, stdout, stderr := typed(t, append(facts, lines...), "fault")
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, stdout, "Battery terminals loose or corroded, at over 99 %.")
	require.Contains(t, stdout, "JOB SHEET: Clean the battery's terminals")
	require.Contains(t, stdout, "Negative lead off first and on last")
	require.Contains(t, stdout, "12.6 V or more", "the limits of its kind of battery")
	require.Contains(t, stdout, "0.9 V (More than 0.1 V at one of them)")
}

func TestFaultIsLeftAndGoneOnWithByAnother(t *testing.T) {
	noDatabase(t)
	file := filepath.Join(t.TempDir(), "s.json")
	code, stdout, _ := typed(t, []string{"24", "", "", "", "", "", "", "-3", "?", "1", "banana", "4", "back", "2", "quit"}, "fault", "--save", file, "--by", "ann")
	require.Equal(t, exitDone, code)
	require.Contains(t, stdout, "You should find: It does not move when pushed.")
	require.Contains(t, stdout, `"banana" is none of the answers: type a number from 1 to 8, or d`)
	require.Contains(t, stdout, "rimeyard fault --resume "+file)

	b, err := os.ReadFile(file)
	require.NoError(t, err)
	var s faults.Session
	require.NoError(t, json.Unmarshal(b, &s))
	require.Len(t, s.Answers, 2, "taken back is gone")
	require.Equal(t, "silent", s.Answers[1].Answer)
	require.Equal(t, "ann", s.Answers[0].By)
	require.Equal(t, fleet.Known(-3.0), s.Facts.TemperatureC)

	// The input ends without a word: kept all the same, in the file it came from.
	code, stdout, _ = typed(t, []string{"1"}, "fault", "--resume", file, "--by", "ben")
	require.Equal(t, exitDone, code)
	require.Contains(t, stdout, "answered: Turn the key and listen: Nothing is heard")
	b, err = os.ReadFile(file)
	require.NoError(t, err)
	s = faults.Session{}
	require.NoError(t, json.Unmarshal(b, &s))
	require.Equal(t, []string{"ann", "ann", "ben"}, []string{s.Answers[0].By, s.Answers[1].By, s.Answers[2].By})
}

func TestFaultQuitNamesAFreshFile(t *testing.T) {
	noDatabase(t)
	t.Chdir(t.TempDir())
	for _, name := range []string{"fault.json", "fault-2.json"} {
		code, stdout, _ := typed(t, []string{"12", "", "", "", "", "", "", "", "1", "quit"}, "fault")
		require.Equal(t, exitDone, code)
		require.Contains(t, stdout, "--resume "+name)
		require.FileExists(t, name)
	}
	code, stdout, _ := typed(t, []string{"12", "quit"}, "fault")
	require.Equal(t, exitDone, code)
	require.Contains(t, stdout, "nothing is kept")
}

type judged struct {
	Session faults.Session `json:"session"`
	Next    faults.Step    `json:"next"`
}

func TestFaultJudgesAFileWithoutAsking(t *testing.T) {
	noDatabase(t)
	file := filepath.Join(t.TempDir(), "answers.json")
	write := func(text string) { require.NoError(t, os.WriteFile(file, []byte(text), 0o600)) }
	write(`{"facts": {"system_volts": 12, "temperature_c": 12}, "answers": [{"check": "secure", "answer": "done"}, {"check": "key", "answer": "clicks"}, {"check": "rest_v", "answer": "11.4 V"}]}`)
	code, stdout, stderr := rimeyard(t, "fault", "--answers", file, "--format", "json")
	require.Equal(t, exitDone, code, stderr)
	var j judged
	require.NoError(t, json.Unmarshal([]byte(stdout), &j))
	require.NotNil(t, j.Next.Ask)
	require.Equal(t, "flat", j.Session.Answers[2].Answer)
	require.Equal(t, fleet.Known(11.4), j.Session.Answers[2].Value)

	// What it printed goes in again, on standard input, and says the same.
	session, err := json.Marshal(j.Session)
	require.NoError(t, err)
	code, again, stderr := typed(t, []string{string(session)}, "fault", "--answers", "-", "--format", "json")
	require.Equal(t, exitDone, code, stderr)
	require.Equal(t, stdout, again)

	code, text, _ := rimeyard(t, "fault", "--answers", file)
	require.Equal(t, exitDone, code)
	require.Contains(t, text, j.Next.Ask.Title)

	for said, wants := range map[string]string{
		`{"facts": {"system_volts": 48}}`: "12 and 24 V",
		`{"facts": {"system_volts": 12}, "answers": [{"check": "rest_v", "answer": "24.9"}]}`: "answer 1",
		`{"facts": {"system_volts": 12}, "replies": []}`:                                      "replies",
		`{`: "is no session",
	} {
		write(said)
		code, stdout, stderr = rimeyard(t, "fault", "--answers", file, "--format", "json")
		require.Equal(t, exitUsage, code, said)
		require.Empty(t, stdout)
		require.Contains(t, stderr, wants)
	}
}

func TestFaultWrongUse(t *testing.T) {
	noDatabase(t)
	for says, args := range map[string][]string{
		"want table or json":            {"fault", "--format", "csv"},
		"nothing is known":              {"fault", "--format", "json"},
		"one unit's number":             {"fault", "A-1", "A-2"},
		"no such file":                  {"fault", "--answers", filepath.Join(t.TempDir(), "none.json")},
		"leaves nobody to ask":          {"fault", "--resume", "-"},
		"none of the others can be":     {"fault", "--resume", "a", "--answers", "b"},
		"want -55 to 55":                {"fault", "--answers", withFacts(t), "--temperature", "200"},
		"is of unit \"\", not of \"A\"": {"fault", "A", "--answers", withFacts(t)},
	} {
		code, stdout, stderr := rimeyard(t, args...)
		require.Equal(t, exitUsage, code, "%v %s", args, stderr)
		require.Empty(t, stdout)
		require.Contains(t, stderr, says, "%v", args)
	}
}

func withFacts(t *testing.T) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "facts.json")
	require.NoError(t, os.WriteFile(file, []byte(`{"facts": {"system_volts": 12}}`), 0o600))
	return file
}

// A recorded unit starts from what the fleet knows of it.
func TestFaultStartsFromTheNewestForecast(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	code, _, stderr := rimeyard(t, "import", writeFleet(t))
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)

	code, _, stderr = rimeyard(t, "fault", "NO-SUCH", "--format", "json")
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr, "not in the fleet")

	fault := func() (j judged) {
		code, stdout, stderr := rimeyard(t, "fault", "C-001", "--format", "json", "--temperature", "-7")
		require.Equal(t, exitDone, code, stderr)
		require.NoError(t, json.Unmarshal([]byte(stdout), &j))
		return j
	}
	before := fault()
	require.Empty(t, before.Session.Prior.Suspects, "no list was issued yet")
	require.True(t, before.Session.Facts.RatedCCAA.IsKnown())
	require.Equal(t, fleet.UnitID("C-001"), before.Session.Facts.Unit)

	code, _, stderr = rimeyard(t, "fit", "--as-of", testToday)
	require.Equal(t, exitDone, code, stderr)
	after := fault()
	require.Contains(t, after.Session.Prior.Suspects, fleet.ControlPart)
	require.NotEmpty(t, after.Session.Prior.Evidence)
	require.NotEqual(t, before.Next.Chances, after.Next.Chances)
	require.Equal(t, faults.Secure, after.Next.Ask.Check)
	require.Equal(t, fleet.Known(-7.0), after.Session.Facts.TemperatureC)
}

// Begun in a terminal, the search is held in the database answer by answer, and gone on with by whoever comes next.
func TestFaultIsKeptInTheDatabase(t *testing.T) {
	url := pgtest.URL(t)
	t.Setenv(envDatabase, url)
	code, _, stderr := rimeyard(t, "import", writeFleet(t))
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)

	code, stdout, stderr := typed(t, []string{"1", "banana", "4", "quit"}, "fault", "C-001", "--keep", "--by", "ann")
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, stdout, "Kept as search 1.")
	code, stdout, stderr = typed(t, []string{"back", "2"}, "fault", "C-001", "--keep", "--temperature", "3")
	require.Equal(t, exitDone, code, stderr)
	require.Contains(t, stdout, "going on with it")
	require.Contains(t, stdout, "answered: Turn the key and listen: One click or thump, then nothing")

	db, err := store.Open(t.Context(), url)
	require.NoError(t, err)
	defer db.Close()
	kept, found, err := db.Fault(t.Context(), 1, nil)
	require.NoError(t, err)
	require.True(t, found)
	require.Len(t, kept.Answers, 3)
	require.Equal(t, []string{"done", "click", "silent"}, []string{kept.Answers[0].Answer, kept.Answers[1].Answer, kept.Answers[2].Answer})
	require.Equal(t, fleet.ByCommand, kept.Answers[1].TakenBackBy)
	require.Equal(t, "ann", kept.StartedBy)

	for _, args := range [][]string{{"fault", "--keep"}, {"fault", "C-001", "--keep", "--format", "json"}, {"fault", "C-001", "--keep", "--save", "x"}} {
		code, _, _ := rimeyard(t, args...)
		require.Equal(t, exitUsage, code, args)
	}
}

// The cold of the depot and the fleet's own notes come from the database too.
func TestFaultKnowsTheColdAndTheNotes(t *testing.T) {
	url := pgtest.URL(t)
	t.Setenv(envDatabase, url)
	code, _, stderr := rimeyard(t, "import", writeFleet(t))
	require.Contains(t, []int{exitDone, exitKeptApart}, code, stderr)
	db, err := store.Open(t.Context(), url)
	require.NoError(t, err)
	defer db.Close()
	h, err := db.History(t.Context(), "C-001")
	require.NoError(t, err)
	require.NoError(t, db.TypeLow(t.Context(), fleet.Low{Depot: h.Unit.Depot, Dawn: fleet.DateOf(time.Now(), time.Local), C: -13.5, Typed: "jo"}))
	note := fleet.ClassNote{Class: h.Unit.Class, Notes: []byte(`{"reach": "below"}`), ChangedAt: time.Now(), ChangedBy: "mara"}
	require.NoError(t, db.KeepClassNote(t.Context(), note))
	code, stdout, stderr := rimeyard(t, "fault", "C-001", "--format", "json")
	require.Equal(t, exitDone, code, stderr)
	var j judged
	require.NoError(t, json.Unmarshal([]byte(stdout), &j))
	require.Equal(t, fleet.Known(-13.5), j.Session.Facts.TemperatureC)
	require.Equal(t, "below", j.Session.Notes.Reach)
}
