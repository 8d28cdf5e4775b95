package faults

import "fmt"

func batterySheet(f Facts, n ClassNotes) Sheet {
	which, posts := "the battery", "battery clamps"
	if f.SystemVolts == 24 {
		which = "both batteries, as the older one drags the newer down"
	}
	rating := "the same type, size, post side and cold cranking rating, by the same standard, as the maker asks for"
	if rated, known := f.RatedCCAA.Get(); known {
		rating += fmt.Sprintf(" (now on record: %.0f A)", rated)
	}
	return Sheet{
		Title: "Change " + which,
		Have: []string{
			"new battery: " + rating, "voltmeter and tester", "spanners, terminal brush, terminal grease", "water and baking soda",
			"goggles, gloves; a lifting strap or a second person", "what keeps the unit's memory alive, where the maker asks for it",
		},
		Cautions: []string{negativeOff, eyes, gas, frozenNever, lifting20, leadReturned},
		Steps: []SheetStep{
			safe(), n.cables(),
			step("Test the new battery before anything is taken apart: rest voltage and cold cranking amperes.", eyes).blank("new: rest ____ V, ____ A of ____ A"),
			negativeFirst(f),
			step("Undo the hold-down, lift the old battery out upright, holding its weight close to the body.", lifting20, eyes).blank("serial out: ____________"),
			step("Compare old and new: size, posts on the same side, vent, rating. Test the old one once more if it was flat: it may only want charging.").blank("old: rest ____ V, ____ A of ____ A"),
			step("Wash and dry the tray, look for cracks. Clean clamps and cable ends to bright metal, look for green strands under the insulation.", eyes),
			step("Set the new one in, start every fastener of the hold-down by hand before one is tightened.", lifting20).blank("serial in: ____________"),
			n.tighten("hold-down", posts),
			step("Positive on first, negative last. Protect posts and clamps with terminal grease; covers on.", negativeOff),
			proof(f),
			step("Measure the charging voltage, so that the new battery does not go the way of the old: "+f.words("{chgLow} to {chgHigh} V at fast idle."), hotMoving).blank("charging ____ V"),
			step("Return the old battery for its deposit, upright, and enter the change.", leadReturned).blank("core returned on ____________").signed(),
		},
	}
}

const lifting20 = "A battery weighs 15 to 60 kg: lift with a strap or two people, upright, over no lap."

func chargeSheet(f Facts) Sheet {
	return Sheet{
		Title:    "Charge the battery and find out why it was flat",
		Have:     []string{"charger for the battery's type", "voltmeter and tester", "goggles, gloves"},
		Cautions: []string{frozenNever, gas, eyes},
		Steps: []SheetStep{
			safe(),
			step("See that the battery is not frozen, cracked or leaking.", frozenNever).signed(),
			step("Charger off, leads on, charger on, in a vented place; vent plugs in place. Charge until the current no longer falls.", gas, eyes),
			step("Charger off, leads off. Let it rest, lamps on for 15 s, wait 3 minutes, measure.").blank("rest ____ V, ____ A of ____ A"),
			step("Find the reason: what was left on, how long it stood, the charging voltage, the current while parked. Without a reason it comes back.").
				blank("reason: ____________", f.words("charging ____ V ({chgLow} to {chgHigh} V)"), f.words("parked ____ mA ({drainMA} mA or less)")),
			proof(f),
		},
	}
}

func starterSheet(f Facts, n ClassNotes) Sheet {
	reach := step("Reach it from below on stands or from above, whichever lets you hold its weight; write down which.", stands, hotMoving).blank("reached from: below / above")
	switch n.Reach {
	case "below":
		reach = step("Reach it from below: lift by the maker's points, stands under it before anybody is, then shake it.", stands, hotMoving)
	case "above":
		reach = step("Reach it from above; move aside only what must be, and note what came off.", hotMoving)
	}
	weight := lifting
	if kg, known := n.StarterKg.Get(); known {
		weight = fmt.Sprintf("It weighs %.0f kg by the fleet's notes: hold it before the last fastener.", kg)
	}
	out := step("Take out the fasteners, the last one with the starter's weight in your hand or on a support; note their lengths and places, and any shim.", weight)
	for _, note := range n.Fasteners {
		out.Do += " Noted by the fleet: " + note + "."
	}
	return Sheet{
		Title: "Change the starter",
		Have: []string{
			"new or rebuilt starter, by the number on the old one", "chocks, stands or lift", "spanners and extensions, torque wrench", "wire brush, contact protection", "goggles, gloves, torch",
			"battery charged and tested good", "new fasteners where the maker asks for them",
		},
		Cautions: []string{negativeOff, stands, lifting, hotMoving, burns, neverBypass},
		Steps: []SheetStep{
			safe(),
			step("Let exhaust and engine cool.", hotMoving), negativeFirst(f), reach, n.cables(),
			step("Look at the wires first. Where they are corroded: clean them to bright metal, put all together, the negative lead at the very end, and try once more before the starter is condemned; then negative off again.", negativeOff, beforeCrank, noneBelow).signed(),
			step("Cables off the starter, nuts back on their studs."), out,
			step("Bench-test the old one, clamped: if it runs as it should, stop and look for another cause.", burns, gas, eyes).blank("bench: runs / weak / dead").signed(),
			step("Compare old and new: flange, pinion and its teeth, turning direction, volts, terminals. Look at the ring gear all round."),
			step("Clean the flange, its seat and every cable end to bright metal: the flange is the ground."),
			step("Fit: hold its weight, start every fastener by hand before one is tightened, shims back in their place.", weight),
			n.tighten("starter bolts", "battery terminal nut", "small terminal nut"),
			step("Cables on as noted, clear of exhaust and moving parts; protect the terminals."),
			step("Positive lead on first where it was off, negative last.", negativeOff),
			step("Tools and people out from under it; off the stands and down on its wheels where it was lifted.", stands),
			proof(f),
			step("Return the old starter as core for its deposit, and enter the change.").blank("serial in: ____________", "core returned on ____________").signed(),
		},
	}
}

func cableSheet(j job, f Facts, n ClassNotes) Sheet {
	s := Sheet{
		Title:    "Clean the battery's terminals",
		Have:     []string{"terminal brush, wire brush", "spanners, torque wrench", "water and baking soda", "terminal grease", "goggles, gloves", "voltmeter"},
		Cautions: []string{negativeOff, eyes, gas},
	}
	limit, where, fasteners := "post to clamp {clampV} V or less", "posts and clamps", []string{"battery clamps"}
	switch j {
	case jobPositive:
		s.Title, limit = "Clean or change the positive cable", "positive post to starter {posV} V or less"
		where, fasteners = "every joint from the post to the starter, fuse and switch between them too", []string{"battery clamps", "battery terminal nut"}
		s.Cautions = append(s.Cautions, stands, hotMoving, burns)
	case jobGround:
		s.Title, limit = "Clean or change the ground cable", "starter body to negative post {gndV} V or less"
		where, fasteners = "both ends of the battery's ground and of every strap, and the metal under them", []string{"battery clamps", "ground bolt"}
		s.Cautions = append(s.Cautions, stands, hotMoving, burns)
	}
	s.Steps = []SheetStep{
		safe(), n.cables(), negativeFirst(f),
		step("Clean "+where+" to bright metal, inside and out. Wash acid off with water and baking soda, not into the cells; dry.", eyes),
		step("Bend the cable along its length: stiff, swollen or green means a new one, of the same cross-section or larger, of the same length."),
		step("Put it together, every fastener started by hand; protect the joints."), n.tighten(fasteners...),
		step("Positive on first, negative last.", negativeOff),
		step("Measure while a second person turns the key: "+f.words(limit)+".", beforeCrank, noFire).blank("____ V").signed(),
		proof(f),
	}
	return s
}

func exchangeSheet(j job, f Facts) Sheet {
	s := Sheet{
		Title: "Change the fuse of the start circuit", Have: []string{"fuse of the same rating", "fuse puller", "meter"},
		Cautions: []string{"Never a larger fuse, never a wire in its place.", beforeCrank},
		Steps:    []SheetStep{safe(), step("Key off. Pull the fuse, look at its seat for burnt metal, fit one of the same rating.").blank("rating ____ A").signed(), step("If it blows again: stop. Find the short before a third one goes in.")},
	}
	switch j {
	case jobRelay:
		s.Title, s.Have = "Change the starter relay", []string{"relay of the same number", "torch"}
		s.Steps = []SheetStep{safe(), step("Key off. Pull the relay, look at its pins and its socket for burnt or spread metal, fit one of the same number.").blank("number ____________").signed(), step("Put back a relay that was borrowed for the test.")}
	case jobMainFuse:
		s.Title, s.Have = "Change main fuse, link or disconnect switch", []string{"the maker's own part of the same rating", "spanners", "meter"}
		s.Cautions = append(s.Cautions, negativeOff, burns)
		s.Steps = []SheetStep{
			safe(), negativeFirst(f),
			step("Find out why it opened: look along the cables for chafing, measure from its far side to the frame with the negative off: no short may be left.", burns).signed(),
			step("Fit one of the same rating, joints bright.").blank("rating ____ A"), step("Positive on first, negative last.", negativeOff),
		}
	}
	s.Steps = append(s.Steps, proof(f))
	return s
}

func chargingSheet(j job, f Facts) Sheet {
	s := Sheet{
		Title: "Find what draws while parked", Have: []string{"clamp meter for milliamperes", "fuse list", "goggles"}, Cautions: []string{meterInLine, negativeOff, eyes},
		Steps: []SheetStep{
			safe(), step("Everything off, latches closed, key far away; wait 30 minutes.", meterInLine),
			step(f.words("Read the current; {drainMA} mA or less is allowed.")).blank("____ mA"),
			step("Pull one fuse after the other until it falls; put each back before the next.").blank("circuit: ____________, falls to ____ mA").signed(),
			step("Mend that circuit by the maker's diagram, wait again, read again.").blank("____ mA").signed(),
		},
	}
	if j == jobCharging {
		s = Sheet{
			Title: "Mend the charging", Have: []string{"voltmeter", "belt, plug and spanners as needed", "maker's wiring diagram"}, Cautions: []string{hotMoving, negativeOff, burns},
			Steps: []SheetStep{
				safe(), step("Engine off. Look at belt, its tension, pulleys, the alternator's plug and its large cable.", hotMoving).signed(),
				step("Engine at fast idle, loads on: measure at the alternator and at the battery. A large difference is the cable or its fuse.", hotMoving).blank("alternator ____ V, battery ____ V"),
				negativeFirst(f),
				step("Change regulator or alternator by the maker's data; belt off, plug off, weight held; fasteners started by hand, to the maker's figure.", burns, lifting).blank("belt and bolts: ____ N·m, from ____________").signed(),
				step("Positive on first, negative last.", negativeOff),
				step(f.words("Measure again: {chgLow} to {chgHigh} V, ripple {rippleV} V or less.")).blank("____ V, ripple ____ V").signed(),
			},
		}
	}
	s.Steps = append(s.Steps, step("Charge the battery fully and test it: what ran flat may have suffered.", frozenNever, gas).blank("rest ____ V, ____ A of ____ A"), proof(f))
	return s
}

func interlockSheet(f Facts) Sheet {
	return Sheet{
		Title: "Mend the interlock", Have: []string{"ohmmeter", "maker's diagram and setting", "contact cleaner"}, Cautions: []string{neverBypass, beforeCrank, stands},
		Steps: []SheetStep{
			safe(), step(f.words("Find the {interlock}. Plug off: clean it, look for bent pins and broken wires, plug on."), stands).signed(),
			step("See that lever and cable, or the pedal, reach their stop; set them by the maker's data.").signed(),
			step("Measure the switch; change it if it does not close where it should.").blank("closed in: ____________"),
			step("Prove both ways: it cranks only where it may, and in no other position.", neverBypass, beforeCrank).blank("cranks in gear or without clutch: no / yes (then it must not leave)").signed(),
			proof(f),
		},
	}
}

// handOverSheet is for what others do: it carries what was found to them.
func handOverSheet(c causeRow) Sheet {
	who := c.who
	if who == "" {
		who = "an auto electrician"
	}
	return Sheet{
		Title: "Hand over: " + c.name, Have: []string{"what was measured", "proof of ownership and all keys, where key or immobiliser are in question"}, Cautions: []string{neverBypass, beforeCrank},
		Steps: []SheetStep{
			safe(),
			step("Do first: " + c.todo + ".").signed(),
			step("Hand it to " + who + ", with all answers of this search.").blank("handed to ____________ on ____________").signed(),
			step("When it comes back: it must crank well, and only where it may.", beforeCrank).blank("it cranks well: yes / no").signed(),
		},
	}
}
