package faults

import (
	"encoding/json"
	"fmt"
	"time"

	"rimeyard/internal/fleet"
)

// Kept takes a search up from how the fleet keeps it. An answer of another version, which this one does not know, counts as not known.
func Kept(kept fleet.FaultSearch) (Session, error) {
	var s Session
	if err := json.Unmarshal(kept.Begun, &s); err != nil {
		return s, fmt.Errorf("read search %d: %w", kept.ID, err)
	}
	s.Answers = []Answer{}
	for _, a := range kept.Standing() {
		s.Answers = append(s.Answers, Answer{Check(a.Check), a.Answer, a.Value, a.By, a.At})
	}
	return s, nil
}

// Begun is the session before any answer, as it is kept. The fleet's notes are left out: the newest are meant.
func (s Session) Begun() ([]byte, error) {
	s.Answers, s.Notes = []Answer{}, ClassNotes{}
	return json.Marshal(s)
}

// Found is the finding as it is kept, in JSON; nil where there is none yet.
func (s Session) Found() ([]byte, error) {
	f := s.Next().Finding
	if f == nil {
		return nil, nil
	}
	return json.Marshal(f)
}

// Keep is the answer as it is kept.
func (a Answer) Keep() fleet.FaultAnswer {
	return fleet.FaultAnswer{Check: string(a.Check), Answer: a.Answer, Value: a.Value, By: a.By, At: a.At}
}

// Replay gives the answers of a session in turn, as people and programs write them: an answer may also be a figure that is not sorted
// yet. What does not say who and when is put down to by and at.
func Replay(said Session, by string, at time.Time) (Session, error) {
	s, err := New(said.Facts, said.Prior)
	if err != nil {
		return s, err
	}
	s.Notes = said.Notes
	for n, a := range said.Answers {
		if a.At.IsZero() {
			a.At = at
		}
		if a.By == "" {
			a.By = by
		}
		after, err := s.Answer(a.Check, a.Answer, a.By, a.At)
		if err != nil {
			return s, fmt.Errorf("answer %d: %w", n+1, err)
		}
		if last := &after.Answers[len(after.Answers)-1]; a.Value.IsKnown() {
			last.Value = a.Value
		}
		s = after
	}
	return s, nil
}

// Fasteners are those for which sheets ask a torque, as ClassNotes names them.
func Fasteners() [6]string {
	return [6]string{"battery clamps", "hold-down", "starter bolts", "battery terminal nut", "small terminal nut", "ground bolt"}
}
