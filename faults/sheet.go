package faults

import (
	"fmt"
	"strings"

	"rimeyard/internal/fleet"
)

// ClassNotes are what the fleet itself has written down for a class of units. Rimeyard gives no figure of its own: what is not noted
// stays a blank on the sheet, to be filled from the maker's service data.
type ClassNotes struct {
	Torques    []Torque           `json:"torques"`     // of what is unfastened, such as "starter bolts"
	CableOrder []string           `json:"cable_order"` // which cable goes where, in the order they come off
	Fasteners  []string           `json:"fasteners"`   // what is hidden, long, short, or must be new
	Reach      string             `json:"reach"`       // "below" or "above"; empty: not said
	StarterKg  fleet.Opt[float64] `json:"starter_kg"`
}

// Torque is one of the fleet's own figures.
type Torque struct {
	Fastener     string  `json:"fastener"`
	NewtonMetres float64 `json:"newton_metres"`
}

// NewtonMetresPerPoundFoot is exact to the digits given: 0.3048 m × 4.4482216 N.
const NewtonMetresPerPoundFoot = 1.3558179

func (t Torque) String() string {
	return fmt.Sprintf("%s %.0f N·m (%.0f lbf·ft)", t.Fastener, t.NewtonMetres, t.NewtonMetres/NewtonMetresPerPoundFoot)
}

// Sheet is a job sheet: what to have, what to mind, what to do in which order, and where to sign.
type Sheet struct {
	Title    string      `json:"title"`
	Unit     string      `json:"unit"` // which unit, in words
	Have     []string    `json:"have"`
	Cautions []string    `json:"cautions"`
	Steps    []SheetStep `json:"steps"`
	Rules    string      `json:"rules"`
}

// SheetStep is one step.
type SheetStep struct {
	Do       string   `json:"do"`
	Cautions []string `json:"cautions"` // shown at this step
	Blanks   []string `json:"blanks"`   // to be filled in by hand
	Sign     bool     `json:"sign"`     // whoever did it signs
}

// SheetFor writes the job sheet that mends a cause, in safe order, with the fleet's own notes where there are any. A cause that is not
// one of ours is handed over like something that is not on the list.
func SheetFor(cause Cause, f Facts, notes ClassNotes) Sheet {
	c := causeRows[Unlisted.index()]
	for _, row := range causeRows {
		if row.id == cause {
			c = row
		}
	}
	var s Sheet
	switch c.job {
	case jobBattery:
		s = batterySheet(f, notes)
	case jobCharge:
		s = chargeSheet(f)
	case jobStarter:
		s = starterSheet(f, notes)
	case jobTerminals, jobPositive, jobGround:
		s = cableSheet(c.job, f, notes)
	case jobFuse, jobRelay, jobMainFuse:
		s = exchangeSheet(c.job, f)
	case jobDrain, jobCharging:
		s = chargingSheet(c.job, f)
	case jobInterlock:
		s = interlockSheet(f)
	default:
		s = handOverSheet(c)
	}
	s.Unit, s.Rules = f.named(), localRules
	return s
}

// named says which unit the sheet is for.
func (f Facts) named() string {
	unit := string(f.Unit)
	if unit == "" {
		unit = "Unit ____________"
	}
	if f.Class != "" {
		unit += ", " + f.Class
	}
	return fmt.Sprintf("%s, %d V", unit, f.SystemVolts)
}

func step(do string, cautions ...string) SheetStep {
	return SheetStep{Do: do, Cautions: append([]string{}, cautions...), Blanks: []string{}}
}

func (s SheetStep) blank(what ...string) SheetStep {
	s.Blanks = append(s.Blanks, what...)
	return s
}

func (s SheetStep) signed() SheetStep {
	s.Sign = true
	return s
}

// tighten quotes the fleet's own figures for the fasteners that a job undoes, and leaves a blank for each that is not noted.
func (n ClassNotes) tighten(fasteners ...string) SheetStep {
	s := step("Tighten to the fleet's own figure, else to the maker's service data; write down which.").signed()
	for _, name := range fasteners {
		noted := false
		for _, t := range n.Torques {
			if t.Fastener == name {
				s.Do += " " + capital(t.String()) + "."
				noted = true
			}
		}
		if !noted {
			s = s.blank(name + ": ____ N·m, from ____________")
		}
	}
	return s
}

// cables says which cable goes where, or asks for it.
func (n ClassNotes) cables() SheetStep {
	if len(n.CableOrder) == 0 {
		return step("Note or photograph which cable goes where before one comes off, and mark them.").blank("cables, in the order they come off: ____________")
	}
	return step("Which cable goes where, in the order they come off, as the fleet has noted it; mark them all the same: " + strings.Join(n.CableOrder, "; ") + ".")
}

// safe is how every job begins.
func safe() SheetStep {
	return step("Stand the unit on firm, level ground, lever in park or neutral, brake on, wheels chocked, key out and in your pocket.", beforeCrank).signed()
}

func negativeFirst(f Facts) SheetStep {
	s := step("Disconnect switch off where there is one, and wait as long as the maker asks. Negative lead off first, then positive; tie the ends away from the posts.", negativeOff, eyes)
	if f.SystemVolts == 24 {
		s.Do += " At 24 V take off the negative that goes to the frame, then the link between the batteries."
		s.Cautions = append(s.Cautions, burns)
	}
	return s
}

func proof(f Facts) SheetStep {
	return step("Prove it. "+f.words("{brake}, in {park}, turn the key. It must turn at once and evenly, twice, with two minutes between."), beforeCrank, shortCrank).
		blank("rest ____ V, lowest while cranking ____ V, ____ °C", "it cranks well: yes / no").signed()
}
