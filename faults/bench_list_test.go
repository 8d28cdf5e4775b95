package faults_test

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/faults"
)

// fixedList works a printed list from top to bottom, as a careful mechanic would who does not think ahead: what one can see, then the
// battery as the most frequent cause, cables, start circuit, starter, engine. It leaves out what cannot be done. A verdict that is wrong
// shows when the work does not help, and the list goes on; that work is not counted. It returns the minutes until the right verdict, or
// those of the whole list, by the same minutes for each check as the guided search.
func fixedList(t *testing.T, v *vehicle) (minutes float64, found bool) {
	t.Helper()
	l := &list{t: t, v: v, said: map[faults.Check]string{}}
	var err error
	l.s, err = faults.New(v.facts, faults.Prior{})
	require.NoError(t, err)
	for _, line := range printedList {
		if line.when != nil && !line.when(l) {
			continue
		}
		said := l.do(line.check)
		if cause, is := line.verdict[said]; is && mended(cause, v.truth) {
			return l.minutes, true
		}
	}
	return l.minutes, false
}

type list struct {
	t       *testing.T
	v       *vehicle
	s       faults.Session
	said    map[faults.Check]string
	minutes float64
}

type listLine struct {
	check   faults.Check
	when    func(*list) bool
	verdict map[string]faults.Cause
}

type verdicts = map[string]faults.Cause

func (l *list) low() bool     { return l.said[faults.RestV] != "fine" }
func (l *list) charged() bool { return l.said[faults.Charge] != "" || l.said[faults.RestV] == "fine" }
func (l *list) runs() bool    { return l.said[faults.Charge] == "cranks" }
func (l *list) flows() bool {
	return l.said[faults.Key] != "silent" && l.said[faults.Key] != "dark" && !l.runs()
}
func (l *list) badPosts() bool { return l.said[faults.LookTerminals] == "bad" }
func (l *list) badWires() bool { return l.said[faults.StarterWires] == "bad" }

var printedList = []listLine{
	{faults.Secure, nil, nil},
	{faults.Key, nil, verdicts{"normal": faults.NotStarting, "grinds": faults.StarterDrive, "spins": faults.StarterDrive}},
	{faults.Lamps, nil, nil},
	{faults.LookTerminals, nil, nil},
	{faults.CleanTerminals, (*list).badPosts, verdicts{"cured": faults.Terminals}},
	{faults.RestV, nil, nil},
	{faults.Charge, (*list).low, verdicts{"weak": faults.Worn}},
	{faults.LoadTest, (*list).charged, verdicts{"sags": faults.Worn}},
	{faults.ChargingV, (*list).runs, verdicts{"low": faults.Charging, "high": faults.Charging}},
	{faults.DrainMA, (*list).runs, verdicts{"far": faults.Drain, "above": faults.Drain, "within": faults.Flat}},
	{faults.Ripple, (*list).runs, verdicts{"rough": faults.Charging}},
	{faults.CCATest, (*list).charged, verdicts{"poor": faults.Worn}},
	{faults.CrankV, nil, nil},
	{faults.MainFuseCheck, nil, verdicts{"open": faults.MainFuse}},
	{faults.ClampDrop, (*list).flows, verdicts{"loss": faults.Terminals}},
	{faults.PositiveDrop, (*list).flows, verdicts{"above": faults.PositiveCable}},
	{faults.GroundDrop, (*list).flows, verdicts{"above": faults.GroundCable}},
	{faults.SolenoidDrop, (*list).flows, verdicts{"above": faults.Solenoid, "open": faults.Solenoid}},
	{faults.StartFuse, nil, verdicts{"blown": faults.StarterFuse}},
	{faults.RelayClick, nil, nil},
	{faults.RelaySwap, nil, verdicts{"cured": faults.StarterRelay}},
	{faults.OtherPosition, nil, verdicts{"cranks": faults.Interlock}},
	{faults.SecurityLamp, nil, verdicts{"stays": faults.Immobiliser}},
	{faults.EngineLamp, nil, verdicts{"dark": faults.EngineComputer}},
	{faults.Signal, nil, verdicts{"there": faults.Solenoid}},
	{faults.InterlockTest, nil, verdicts{"open": faults.Interlock}},
	{faults.SwitchFeed, nil, verdicts{"none": faults.StartSwitch}},
	{faults.SecondKey, nil, verdicts{"cranks": faults.Immobiliser}},
	{faults.Draw, (*list).flows, nil},
	{faults.StarterWires, nil, nil},
	{faults.CleanWires, (*list).badWires, verdicts{"cured": faults.PositiveCable}},
	{faults.Tap, nil, verdicts{"runs": faults.StarterMotor}},
	{faults.TurnEngine, nil, verdicts{"locked": faults.EngineLocked, "tight": faults.EngineDrag}},
	{faults.Bench, nil, verdicts{"weak": faults.StarterMotor, "dead": faults.StarterMotor}},
}

// do answers a check and returns the outcome.
func (l *list) do(check faults.Check) string {
	ask, err := l.s.Look(check)
	require.NoError(l.t, err)
	l.minutes += ask.Minutes
	if l.s, err = l.s.Answer(check, l.v.answer(ask), "list", noon); err != nil {
		return faults.DontKnow
	}
	l.said[check] = l.s.Answers[len(l.s.Answers)-1].Answer
	return l.said[check]
}
