package faults_test

import (
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

var update = flag.Bool("update", false, "write the golden files anew")

// textOf prints a sheet in the plainest way.
func textOf(s faults.Sheet) string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s\n%s\n\nHave at hand: %s\nMind:\n", s.Title, s.Unit, strings.Join(s.Have, "; "))
	for _, c := range s.Cautions {
		fmt.Fprintf(&b, "  ! %s\n", c)
	}
	for i, step := range s.Steps {
		fmt.Fprintf(&b, "%d. %s\n", i+1, step.Do)
		for _, c := range step.Cautions {
			fmt.Fprintf(&b, "   ! %s\n", c)
		}
		for _, blank := range step.Blanks {
			fmt.Fprintf(&b, "   [%s]\n", blank)
		}
		if step.Sign {
			b.WriteString("   done by ____________\n")
		}
	}
	return b.String() + s.Rules + "\n"
}

func TestSheetsReadAsTheyShould(t *testing.T) {
	notes := faults.ClassNotes{
		// One light truck's starter bolts, about 20 lbf·ft: common practice, no source; here as what a fleet may have noted.
		Torques:    []faults.Torque{{Fastener: "starter bolts", NewtonMetres: 27}},
		CableOrder: []string{"small brown wire to S", "red cable to B"}, Fasteners: []string{"the upper bolt is 15 mm longer"},
		Reach: "below", StarterKg: fleet.Known(9.0),
	}
	facts := faults.Facts{Unit: "V-12", Class: "light truck", SystemVolts: 12, RatedCCAA: fleet.Known(760.0), Gearbox: fleet.Manual}
	for name, sheet := range map[string]faults.Sheet{
		"starter-noted": faults.SheetFor(faults.StarterMotor, facts, notes),
		"starter-plain": faults.SheetFor(faults.Solenoid, faults.Facts{SystemVolts: 24}, faults.ClassNotes{}),
		"battery-24":    faults.SheetFor(faults.Worn, faults.Facts{SystemVolts: 24, Gearbox: fleet.Automatic}, faults.ClassNotes{}),
		"terminals":     faults.SheetFor(faults.Terminals, facts, notes),
		"interlock":     faults.SheetFor(faults.Interlock, facts, notes),
	} {
		path := filepath.Join("testdata", name+".txt")
		got := textOf(sheet)
		if *update {
			require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
		}
		want, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, string(want), got, "%s: -update writes it anew", name)
	}
}

var everyCause = append(slices.Clone(benchCauses), faults.Unlisted)

// Every sheet: safe first, negative off before anything is unfastened and on last, proven by a crank, and no figure of our own.
func TestEverySheetIsInSafeOrder(t *testing.T) {
	at := func(s faults.Sheet, words ...string) int {
		return slices.IndexFunc(s.Steps, func(step faults.SheetStep) bool {
			return slices.ContainsFunc(words, func(w string) bool { return strings.Contains(step.Do, w) })
		})
	}
	for _, volts := range []int{12, 24} {
		for _, cause := range everyCause {
			s := faults.SheetFor(cause, faults.Facts{SystemVolts: volts}, faults.ClassNotes{})
			text := textOf(s)
			require.Contains(t, s.Steps[0].Do, "brake on, wheels chocked", "%s", cause)
			require.Contains(t, s.Rules, "service data", "%s", cause)
			require.NotRegexp(t, `\d+ N·m`, text, "%s: torque is the fleet's own", cause)
			require.NotRegexp(t, `[{}]`, text, "%s", cause)
			off, on := at(s, "Negative lead off first"), at(s, "negative last")
			if cause == faults.Flat || off < 0 {
				continue
			}
			require.Greater(t, on, off, "%s", cause)
			for _, work := range []string{"Undo the hold-down", "Take out the fasteners", "Clean posts", "Change regulator"} {
				if i := at(s, work); i >= 0 {
					require.True(t, off < i && i < on, "%s: %q between off and on", cause, work)
				}
			}
			require.Greater(t, at(s, "Prove it"), on, "%s: proven by a crank", cause)
		}
	}
}

func TestAnUnknownCauseIsHandedOver(t *testing.T) {
	require.Equal(t, faults.SheetFor(faults.Unlisted, faults.Facts{SystemVolts: 12}, faults.ClassNotes{}), faults.SheetFor("gremlins", faults.Facts{SystemVolts: 12}, faults.ClassNotes{}))
}

// One light truck's starter bolts take about 20 lbf·ft, 27 N·m (common practice, no source): the conversion says the same.
func TestTorqueIsTheFleetsOwnInBothUnits(t *testing.T) {
	require.Equal(t, "starter bolts 27 N·m (20 lbf·ft)", faults.Torque{Fastener: "starter bolts", NewtonMetres: 27}.String())
	require.InDelta(t, 27.1, 20*faults.NewtonMetresPerPoundFoot, 0.05)
}

// The published rules of safety that advice must keep, by the words in which it is given.
func TestSafetyRulesAreSaid(t *testing.T) {
	var all strings.Builder
	s := begin(t, faults.Facts{SystemVolts: 24, TemperatureC: fleet.Known(-10.0)})
	for _, check := range everyCheck {
		ask, err := s.Look(check)
		require.NoError(t, err)
		fmt.Fprintln(&all, ask.How, ask.Cautions)
	}
	for _, cause := range everyCause {
		all.WriteString(textOf(faults.SheetFor(cause, faults.Facts{SystemVolts: 24}, faults.ClassNotes{})))
	}
	for rule, words := range map[string]string{
		"cable_order_off: MAKER-GENSET-SAFETY":      "Negative lead off first and on last",
		"eye_protection: CARMAINT-JUMP":             "Eyes covered",
		"smoking: CFR-1910.178g":                    "no flame, no smoking, no sparks",
		"frozen_battery: OD1002":                    "Never charge, jump or load a frozen battery",
		"jack: CFR-1910.244":                        "never under a jack alone",
		"chocks: OSHA-GDC":                          "chock the wheels",
		"jump_order_4: CARCARE":                     "Last clamp to bare engine metal",
		"jump_order_off: CARCARE":                   "reverse order",
		"jump_voltage: CARMAINT-JUMP":               "Only a source of the same voltage",
		"starter_interlock_bypass: NHTSA-1988":      "Never bypass a neutral, park or clutch interlock",
		"fuel_or_ignition_off: TM10-3930":           "Keep the engine from firing",
		"charger_leads: CFR-1917.157":               "Charger off, leads on, charger on",
		"jewellery: TM9-2320-280":                   "rings and bracelets off",
		"brake: CFR-1910.178g":                      "parking brake on",
		"vent_caps: CFR-1926.441":                   "vent plugs in place",
		"crank_duration_max and cooling: TM10-3930": "let the starter rest 2 minutes",
		"common practice, 24 V":                     "Hundreds of amperes",
		"common practice, lead and acid":            "return them by the local rule",
	} {
		require.Contains(t, all.String(), words, rule)
	}
}
