package faults

// The checks of the starter.
const (
	SolenoidDrop  Check = "solenoid_drop"
	Draw          Check = "draw"
	Tap           Check = "tap"
	Bench         Check = "bench"
	SolenoidBench Check = "solenoid_bench"
	Pinion        Check = "pinion"
)

var starterChecks = []check{
	{
		id: SolenoidDrop, title: "Measure across the solenoid while the key is turned", minutes: 5, risk: 1, misread: 0.02, cranks: true, needs: crankSafely(flows, measured),
		number: number{blur: circuitV(0.03), unit: "V", low: 0, high: 13.3, perSystem: true, sort: func(f Facts, v float64) int { return upTo(v, f.SolenoidDropV(), f.openContactsV()) }},
		answers: []answer{
			{"within", "{solV} V or less", "The contacts close: volts reach the motor."},
			{"above", "{solV} V up to {openV} V", "The contacts are burnt."},
			{"open", "More than {openV} V", "The contacts do not close: the solenoid, if its small terminal has its volts."},
		},
		// Volts at the motor's terminal point to the motor, none to the contacts: US Army TM 5-3895-383-24, page 6-96.
		rows: []row{
			usually(0.95, 0.04, 0.01),
			likely(0.08, 0.27, 0.65).with(Solenoid),
			likely(0.30, 0.10, 0.60).with(StarterFuse, StarterRelay, Interlock, StartSwitch, Immobiliser, EngineComputer),
			likely(0.75, 0.05, 0.20).with(Flat, Drain, Charging, Worn, Terminals),
			likely(0.88, 0.05, 0.07).with(PositiveCable, GroundCable),
		},
		why:    "It tells the solenoid from the motor behind it.",
		how:    []string{"Red probe on the large terminal that comes from the battery, black on the one that goes into the motor. Clip both on, then come out from under it.", "{brake}, turn the key for 3 s and read."},
		expect: "Battery volts at rest, {solV} V or less while the key is turned.", tools: []string{"voltmeter", "a second person"},
		caution: []string{beforeCrank, noFire, shortCrank, burns, stands, noneBelow},
	},
	{
		id: Draw, title: "Measure the starter's current", minutes: 8, risk: 1, misread: 0.04, cranks: true, needs: crankSafely(flows, steady, enough),
		number: number{blur: ofFigure(0.08), unit: "A", low: 0, high: 2500, sort: func(f Facts, v float64) int {
			low, high, ok := f.StarterCurrentA()
			if !ok {
				return -1
			}
			return upTo(v, low, high)
		}},
		answers: []answer{
			{"low", "Clearly less than a like unit {drawLow}", "Resistance: cables, joints, contacts or brushes."},
			{"normal", "As a like unit {drawNormal}", "The circuit carries its current."},
			{"high", "Clearly more than a like unit {drawHigh}", "A starter that binds or is shorted, or an engine that is hard to turn."},
		},
		rows: []row{
			usually(0.10, 0.80, 0.10),
			likely(0.84, 0.14, 0.02).with(PositiveCable, GroundCable), likely(0.74, 0.23, 0.03).with(Terminals), likely(0.88, 0.10, 0.02).with(Solenoid),
			likely(0.42, 0.22, 0.36).with(StarterMotor), likely(0.75, 0.22, 0.03).with(StarterDrive),
			likely(0.02, 0.04, 0.94).with(EngineLocked), likely(0.02, 0.18, 0.80).with(EngineDrag),
			likely(0.30, 0.58, 0.12).with(Worn, Flat, Drain, Charging), likely(0.04, 0.92, 0.04).with(NotStarting),
			likely(0.90, 0.08, 0.02).with(StarterFuse, StarterRelay, Interlock, StartSwitch, Immobiliser, EngineComputer, MainFuse),
		},
		why: "High current is drag or a short, low current is resistance.",
		how: []string{
			"Clamp meter on direct current, zeroed, round the one cable to the starter; at 24 V anywhere in the loop.",
			"{brake}, turn the key for 5 s and read the steady figure. In the cold two and a half times the warm figure is normal.",
		},
		expect: "About as much as a like unit at the same temperature.", tools: []string{"direct-current clamp meter", "a second person"},
		caution: []string{beforeCrank, noFire, shortCrank},
	},
	{
		id: Tap, title: "Tap the starter while the key is turned", minutes: 5, risk: 4, misread: 0.02, cranks: true, needs: crankSafely(stuck, measured),
		answers: []answer{
			{"runs", "It runs", "A starter that runs when tapped is worn out. It may get the unit home once; change it."},
			{"same", "No change", "That clears nothing: most worn starters no longer answer."},
		},
		rows:   []row{usually(0.02, 0.98), likely(0.50, 0.50).with(StarterMotor), likely(0.25, 0.75).with(Solenoid)},
		why:    "Worn brushes often make contact once more when tapped.",
		how:    []string{"Reach the starter from a safe place, hands and sleeves away from belts and fan.", "Tap its body lightly with a wooden or plastic handle while a second person, {brake}, turns the key for 2 s."},
		expect: "No change.", tools: []string{"wooden handle", "a second person"},
		caution: []string{beforeCrank, stands, hotMoving, noneBelow},
	},
	{
		id: Bench, title: "Take the starter out and run it on the bench", minutes: 70, risk: 10, misread: 0.01, needs: []need{secured, heard, enough},
		answers: []answer{
			{"fine", "It runs fast and evenly", "The starter is sound: look at cables, start circuit and engine."},
			{"weak", "It runs slowly, unevenly or takes far too much current", "Worn: change it."},
			{"dead", "It does not run", "Dead: change it."},
		},
		rows: []row{usually(0.95, 0.04, 0.01), likely(0.04, 0.46, 0.50).with(StarterMotor), likely(0.30, 0.15, 0.55).with(Solenoid), likely(0.55, 0.25, 0.20).with(StarterDrive)},
		why:  "It is the last word on a starter before money is spent.",
		how: []string{
			"Take it out as its job sheet says; the negative lead is off before.",
			"Clamp it firmly. Run it free of load with a battery and a current clamp, 30 s at most, then 2 minutes of rest.",
			"Many parts counters test it for nothing: take it along, it goes back for its deposit anyway.",
		},
		expect: "Fast and even; by one maker at most 130 A at 11.5 V (12 V) or 85 A at 23 V (24 V).", tools: []string{"stands", "spanners", "bench battery", "clamp meter"},
		caution: []string{negativeOff, stands, lifting, hotMoving, burns, gas, eyes, "Clamp the starter before it gets volts: it jumps."},
	},
	{
		id: SolenoidBench, title: "Test the solenoid's pull-in on the bench", minutes: 8, risk: 2, misread: 0.02, needs: []need{starterOut},
		answers: []answer{
			{"pulls", "It pulls in and holds", "The windings are sound."},
			{"weak", "It does not pull in, or lets go", "The solenoid is at fault."},
		},
		rows:   []row{usually(0.95, 0.05), likely(0.12, 0.88).with(Solenoid), likely(0.85, 0.15).with(StarterMotor)},
		why:    "With the starter out it tells whether the solenoid alone is enough.",
		how:    []string{"Starter clamped, motor lead off. Give the small terminal its volts for a few seconds, 10 s at most.", "It must pull in from {pullV} V on and hold."},
		expect: "A firm click and a pinion that stays out.", tools: []string{"bench battery", "voltmeter"}, caution: []string{burns, eyes},
	},
	{
		id: Pinion, title: "Look at pinion, clutch and ring gear", minutes: 8, risk: 2, misread: 0.02, needs: []need{starterOut},
		answers: []answer{
			{"sound", "Teeth whole; the pinion turns one way and locks the other", "The drive is sound."},
			{"worn", "Teeth worn, or the pinion turns both ways or none", "The drive is at fault; look all round the ring gear."},
		},
		rows:   []row{usually(0.96, 0.04), likely(0.05, 0.95).with(StarterDrive)},
		why:    "A pinion that slips lets the starter whir; worn teeth grind.",
		how:    []string{"Turn the pinion by hand both ways. Turn the engine by hand once and look at every tooth of the ring gear."},
		expect: "One way free, the other locked; whole teeth.", tools: []string{"torch", "mirror"}, caution: []string{stands, negativeOff},
	},
}
