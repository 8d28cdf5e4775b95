package faults

// The checks of the battery.
const (
	Frozen   Check = "frozen"
	RestV    Check = "rest_v"
	CCATest  Check = "cca_test"
	LoadTest Check = "load_test"
	CrankV   Check = "crank_v"
	Jump     Check = "jump"
	Charge   Check = "charge"
)

var batteryChecks = []check{
	{
		id: Frozen, title: "See whether the battery is frozen", minutes: 2, misread: 0.01,
		answers: []answer{
			{"no", "No: the case is flat, the acid moves, or it was warm", "It may be charged and jumped."},
			{"frozen", "Yes: the case bulges, is cracked, or there is ice", "It stays as it is until it has thawed: no charging, no jump, no load."},
		},
		// A charged battery does not freeze above −50 °C, a flat one at −9 °C: US Army TM 5-4210-230-14&P-1.
		rows: []row{usually(0.995, 0.005), likely(0.93, 0.07).with(Flat, Drain, Charging), likely(0.98, 0.02).with(Worn)},
		why:  "{frost}, where a flat battery can freeze: at −9 °C (15 °F) it does.",
		how: []string{
			"Look along all sides of the case for bulges and cracks; where plugs can be opened, look for ice.",
			"If you are not sure, stand the battery in a warm room for a day and take the question up again.",
		},
		expect: "Flat sides, acid that moves.", tools: []string{"torch"}, caution: []string{frozenNever, eyes},
	},
	{
		id: RestV, title: "Measure the battery's rest voltage", minutes: 3, misread: 0.02, needs: []need{uncharged},
		number: number{
			blur: batteryV(0.03), unit: "V", low: 0, high: 13.3, notAbove: "a battery at rest shows at most 13.3 V. Engine and charger off, lamps on for 15 s, wait 3 minutes, and read one battery at a time",
			sort: func(f Facts, v float64) int { l := f.restLimits(); return 3 - steps(v, l.flatV, l.enoughV, l.fineV) },
		},
		answers: []answer{
			{"fine", "{fineV} V or more", "Charged well enough for every test."},
			{"enough", "{enoughV} V up to {fineV} V", "About half charged: a conductance test is fair, a load test is not."},
			{"low", "{flatV} V up to {enoughV} V", "Charge it first, then try again: nothing else can be judged."},
			{"flat", "Below {flatV} V", "Flat. Charge it and find out why, before a part is blamed."},
		},
		rows: []row{
			usually(0.76, 0.17, 0.05, 0.02),
			likely(0.02, 0.09, 0.36, 0.53).with(Flat, Drain), likely(0.03, 0.13, 0.46, 0.38).with(Charging),
			likely(0.40, 0.27, 0.22, 0.11).with(Worn), likely(0.70, 0.19, 0.08, 0.03).with(Terminals),
			likely(0.70, 0.15, 0.07, 0.08).with(MainFuse), likely(0.62, 0.21, 0.11, 0.06).with(EngineDrag, EngineLocked, NotStarting),
		},
		why: "Everything that is measured under current means little on a flat battery.",
		how: []string{
			"Engine and charger off. If it ran or was charged in the last hours: headlamps on for 15 s, off, wait 3 minutes.",
			"Meter on direct volts (DC), range 20 V; red on the positive post, black on the negative post: on the lead posts, not on the clamps.",
			"Where there is more than one battery, measure each by itself and give the lowest: an average hides the weak one.",
		},
		expect: "{fineV} V or more for each battery.", tools: []string{"voltmeter"}, caution: []string{eyes, gas},
	},
	{
		id: CCATest, title: "Test the cold cranking current", minutes: 4, misread: 0.03, needs: []need{enough},
		number: number{blur: ofFigure(0.05), unit: "A", low: 1, high: 2500, sort: func(f Facts, v float64) int {
			rated, known := f.RatedCCAA.Get()
			if !known {
				return -1
			}
			return 2 - steps(v/rated, ccaPoorBelow, ccaGoodFrom)
		}},
		answers: []answer{
			{"good", "85 % or more of the rating {ccaGood}", "The battery is not the cause of a unit that stands still."},
			{"weak", "72 to 85 % of the rating {ccaWeak}", "It is past its best; it may still start a sound unit."},
			{"poor", "Less than 72 % of the rating {ccaPoor}", "Worn, if it was charged before the test."},
		},
		rows: []row{
			usually(0.81, 0.15, 0.04),
			likely(0.04, 0.16, 0.80).with(Worn), likely(0.68, 0.23, 0.09).with(Flat, Drain, Charging),
		},
		why: "It tells a worn battery from a sound one in minutes.",
		how: []string{
			"Read rating and standard off the battery's label {rating} and set the tester to them: figures of two standards are never compared.",
			"Clamps on the lead posts, each battery by itself; give the lowest.",
		},
		expect: "85 % or more of the rating.", tools: []string{"conductance tester"}, caution: []string{eyes, gas},
	},
	{
		id: LoadTest, title: "Load-test the battery", minutes: 6, risk: 1, misread: 0.02, needs: []need{fine, notFrozen},
		number: number{blur: batteryV(0.1), unit: "V", low: 0, high: 13, sort: func(f Facts, v float64) int { return 1 - steps(v, f.LoadTestLimitV()) }},
		answers: []answer{
			{"holds", "{loadV} V or more at the end", "The battery gives its current: look past it."},
			{"sags", "Below {loadV} V", "Worn, as it was charged before the test."},
		},
		rows: []row{usually(0.95, 0.05), likely(0.06, 0.94).with(Worn), likely(0.88, 0.12).with(Flat, Drain, Charging)},
		why:  "It shows whether the battery gives the current that a starter takes.",
		how: []string{
			"Each battery by itself, at rest at {fineV} V or more, else charge first: a failed test of a flat battery proves nothing.",
			"Load it with {loadA} for 15 s and read the volts while the load is still on; give the lowest.",
		},
		expect: "{loadV} V or more at {temp}.", tools: []string{"load tester"}, caution: []string{eyes, gas, burns, frozenNever},
	},
	{
		id: CrankV, title: "Measure the battery while the key is turned", minutes: 3, risk: 1, misread: 0.02, cranks: true, needs: crankSafely(measured),
		number: number{blur: circuitV(0.15), unit: "V", low: 0, high: 13.3, perSystem: true, sort: func(f Facts, v float64) int { return 2 - steps(v, f.CrankLowV(), f.IdleCrankV()) }},
		answers: []answer{
			{"high", "{idleV} V or more: it hardly moves", "No large current flows: the start circuit, or a joint that lets nothing through."},
			{"within", "{lowV} V up to {idleV} V", "As it should while the starter works; if the engine turns slowly, look at cables and starter."},
			{"below", "Below {lowV} V", "The battery gives way, or the starter takes far too much: which of the two, the battery's test says."},
		},
		rows: []row{
			usually(0.95, 0.04, 0.01), // all of the start circuit
			likely(0.03, 0.14, 0.83).with(Flat, Drain, Charging), likely(0.03, 0.22, 0.75).with(Worn),
			likely(0.50, 0.44, 0.06).with(Terminals), likely(0.28, 0.68, 0.04).with(PositiveCable, GroundCable),
			likely(0.28, 0.60, 0.12).with(StarterMotor), likely(0.62, 0.36, 0.02).with(Solenoid), likely(0.22, 0.76, 0.02).with(StarterDrive),
			likely(0.03, 0.45, 0.52).with(EngineLocked), likely(0.03, 0.60, 0.37).with(EngineDrag), likely(0.02, 0.95, 0.03).with(NotStarting),
			likely(0.70, 0.20, 0.10).with(MainFuse),
		},
		why:    "It shows whether the battery gives way or no current flows at all.",
		how:    []string{"Meter on the lead posts of the whole {V} V set, not on the clamps.", "{brake}, turn the key for 3 s and read the steady figure, not the first dip."},
		expect: "{lowV} V or more at {temp}, and clearly less than at rest.", tools: []string{"voltmeter", "a second person"},
		caution: []string{beforeCrank, noFire, shortCrank},
	},
	{
		id: Jump, title: "Try it with a starting aid", minutes: 6, risk: 4, misread: 0.03, cranks: true, needs: crankSafely(stuck, notFrozen),
		answers: []answer{
			{"cranks", "It turns as it should", "The battery or its joints: the rest of the circuit works."},
			{"same", "No change", "Look past the battery: cables to the starter, starter, start circuit, engine."},
		},
		rows: []row{
			usually(0.04, 0.96),
			likely(0.93, 0.07).with(Flat, Drain, Charging), likely(0.90, 0.10).with(Worn), likely(0.45, 0.55).with(Terminals),
			likely(0.62, 0.38).with(GroundCable), likely(0.06, 0.94).with(PositiveCable), likely(0.12, 0.88).with(StarterMotor), likely(0.30, 0.70).with(EngineDrag), likely(0.60, 0.40).with(NotStarting),
		},
		why: "It clears or accuses the battery and its joints in one go.",
		how: []string{
			"Loads off. Positive clamp to the flat battery, positive to the good one, negative to the good one.",
			"Last clamp to bare engine metal, half a metre (18 in) from the battery and clear of moving parts.",
			"Wait two minutes, {brake}, turn the key for 3 s. Take the clamps off in the reverse order.",
		},
		expect: "No change on a unit whose battery is sound.", tools: []string{"starting pack or jumper leads"},
		caution: []string{frozenNever, eyes, gas, sameVoltage, beforeCrank},
	},
	{
		id: Charge, title: "Charge the battery fully and try again", minutes: 18, risk: 1, misread: 0.02, cranks: true, once: true, needs: crankSafely(stuck, hungry, notFrozen),
		answers: []answer{
			{"cranks", "It turns as it should and the battery holds its charge", "It was only flat: now find out why."},
			{"weak", "It turns slowly, or the battery falls off soon after charging", "Worn."},
			{"same", "It is charged, and nothing has changed", "The battery was low, but it is not what stops the crank."},
		},
		rows: []row{
			usually(0.05, 0.03, 0.92),
			likely(0.93, 0.05, 0.02).with(Flat, Drain, Charging), likely(0.24, 0.63, 0.13).with(Worn), likely(0.14, 0.12, 0.74).with(Terminals),
			likely(0.25, 0.15, 0.60).with(EngineDrag), likely(0.50, 0.03, 0.47).with(NotStarting), likely(0.06, 0.10, 0.84).with(GroundCable, PositiveCable),
		},
		why: "At this rest voltage nothing else can be judged: charge first, then try again.",
		how: []string{
			"Charger off, leads on, charger on; vent plugs in place, in a vented place. Charge until its current no longer falls; it may take the night.",
			"Charger off, leads off. Let it rest, read the rest voltage again: it must hold {enoughV} V at least.",
			"{brake}, turn the key.",
		},
		expect: "{fineV} V or more after it has rested, and a brisk crank.", tools: []string{"charger", "voltmeter"},
		caution: []string{frozenNever, gas, eyes, beforeCrank},
	},
}
