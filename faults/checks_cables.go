package faults

// The checks of terminals and cables.
const (
	LookTerminals  Check = "look_terminals"
	ClampDrop      Check = "clamp_drop"
	CleanTerminals Check = "clean_terminals"
	PositiveDrop   Check = "positive_drop"
	GroundDrop     Check = "ground_drop"
	MainFuseCheck  Check = "main_fuse_check"
	StarterWires   Check = "starter_wires"
	CleanWires     Check = "clean_wires"
)

var cableChecks = []check{
	{
		id: LookTerminals, title: "Look at posts and clamps, and twist them", minutes: 2, misread: 0.05,
		answers: []answer{
			{"clean", "Clean and tight", "A bad joint can still hide under a clean clamp."},
			{"bad", "Corroded, or a clamp turns by hand", "That alone can stop a crank: clean to bright metal before anything is condemned."},
		},
		rows: []row{usually(0.86, 0.14), likely(0.10, 0.90).with(Terminals), likely(0.75, 0.25).with(Worn, Charging)},
		why:  "A corroded or loose terminal can stop a crank by itself, and shows at a glance.",
		how: []string{
			"Look for white or green bloom between post and clamp, also under covers; follow both cables by eye for breaks and green strands.",
			"Ignition off. Twist each clamp by hand, gloves on: it must not move.",
		},
		expect: "Bright, dry, and no clamp moves.", tools: []string{"torch", "gloves"}, caution: []string{eyes, gas},
	},
	{
		id: ClampDrop, title: "Measure from post to clamp while the key is turned", minutes: 4, risk: 1, misread: 0.02, cranks: true, needs: crankSafely(flows, measured),
		number: number{blur: circuitV(0.02), unit: "V", low: 0, high: 13.3, perSystem: true, sort: func(f Facts, v float64) int { return upTo(v, f.ClampDropV()) }},
		answers: []answer{
			{"none", "{clampV} V or less at both", "The joints at the battery are sound."},
			{"loss", "More than {clampV} V at one of them", "That joint is bad, however clean it looks."},
		},
		rows:   []row{usually(0.99, 0.01), likely(0.06, 0.94).with(Terminals)},
		why:    "It finds the joint that looks sound and is not.",
		how:    []string{"One probe into the lead post, the other on its clamp.", "{brake}, turn the key for 3 s, read; then the other post."},
		expect: "Nothing, and never more than {clampV} V.", tools: []string{"voltmeter", "a second person"},
		caution: []string{beforeCrank, noFire, shortCrank},
	},
	{
		id: CleanTerminals, title: "Clean the terminals to bright metal and try again", minutes: 12, risk: 2, misread: 0.02, cranks: true, once: true, needs: crankSafely(stuck, seenTerminals),
		answers: []answer{
			{"cured", "It turns as it should", "It was the joint."},
			{"same", "No change", "The joints at the battery are out of it."},
		},
		rows: []row{usually(0.01, 0.99), likely(0.94, 0.06).with(Terminals), likely(0.05, 0.95).with(Flat, Drain, Charging, Worn), likely(0.12, 0.88).with(GroundCable, PositiveCable)},
		why:  "It cures what it finds, and costs no part.",
		how: []string{
			"Ignition off. Negative lead off first, then positive.",
			"Brush posts and clamps to bright metal all round; wash acid off with water and baking soda, not into the cells.",
			"Positive on first, negative last; tighten to the maker's figure, protect with terminal grease. {brake}, turn the key.",
		},
		expect: "No change where the joints were sound.", tools: []string{"terminal brush", "spanners", "terminal grease"},
		caution: []string{negativeOff, eyes, gas, beforeCrank},
	},
	{
		id: PositiveDrop, title: "Measure the positive side's voltage drop while cranking", minutes: 5, risk: 1, misread: 0.02, cranks: true, needs: crankSafely(flows, measured),
		number: number{blur: circuitV(0.05), unit: "V", low: 0, high: 13.3, perSystem: true, sort: func(f Facts, v float64) int { return upTo(v, f.PositiveDropV()) }},
		answers: []answer{
			{"within", "{posV} V or less", "The positive side carries the current."},
			{"above", "More than {posV} V", "Resistance between post and starter: measure joint by joint, clean, then measure again."},
		},
		rows:   []row{usually(0.99, 0.01), likely(0.05, 0.95).with(PositiveCable), likely(0.93, 0.07).with(EngineLocked, EngineDrag, StarterMotor), likely(0.50, 0.50).with(Terminals), likely(0.40, 0.60).with(MainFuse)},
		why:    "It finds resistance in cable and joints, which no test without current does.",
		how:    []string{"Red probe into the battery's positive post, black on the starter's large battery terminal. Clip both on, then come out from under it.", "{brake}, turn the key for 3 s and read while current flows."},
		expect: "{posV} V or less.", tools: []string{"voltmeter with long leads", "a second person"},
		caution: []string{beforeCrank, noFire, shortCrank, burns, stands, noneBelow},
	},
	{
		id: GroundDrop, title: "Measure the ground side's voltage drop while cranking", minutes: 4, risk: 1, misread: 0.02, cranks: true, needs: crankSafely(flows, measured),
		number: number{blur: circuitV(0.03), unit: "V", low: 0, high: 13.3, perSystem: true, sort: func(f Facts, v float64) int { strict, most := f.GroundDropV(); return upTo(v, strict, most) }},
		answers: []answer{
			{"within", "{gndV} V or less", "The ground side carries the current."},
			{"between", "{gndV} V up to {gndMaxV} V", "Too much by one source, allowed by another: look at both ends of the cable."},
			{"above", "More than {gndMaxV} V", "Resistance between starter and negative post: clean both ends and the metal under them, measure again."},
		},
		rows:   []row{usually(0.91, 0.08, 0.01), likely(0.03, 0.17, 0.80).with(GroundCable), likely(0.78, 0.20, 0.02).with(EngineLocked, EngineDrag, StarterMotor), likely(0.50, 0.20, 0.30).with(Terminals)},
		why:    "The ground cable carries the same current as the positive one and is forgotten more often.",
		how:    []string{"Red probe on the starter's bare body, black into the battery's negative post. Clip both on, then come out from under it.", "{brake}, turn the key for 3 s and read while current flows."},
		expect: "{gndV} V or less.", tools: []string{"voltmeter with long leads", "a second person"},
		caution: []string{beforeCrank, noFire, shortCrank, burns, stands, noneBelow},
	},
	{
		id: MainFuseCheck, title: "Measure on both sides of main fuse and disconnect switch", minutes: 4, misread: 0.02,
		answers: []answer{
			{"through", "Battery volts on both sides", "The supply gets through."},
			{"open", "Battery volts on one side only", "Open: find the reason before a like one is fitted."},
		},
		rows:   []row{usually(0.99, 0.01), likely(0.04, 0.96).with(MainFuse)},
		why:    "If nothing at all lights, the supply may be cut behind the battery.",
		how:    []string{"See that the disconnect switch is on.", "Meter from the negative post to one side of the main fuse or link, then to the other; the same at the switch."},
		expect: "The same volts on both sides.", tools: []string{"voltmeter"}, caution: []string{burns},
	},
	{
		id: StarterWires, title: "Look at the wires and joints at the starter", minutes: 4, risk: 1, misread: 0.05,
		answers: []answer{
			{"clean", "Clean and tight", "The joints at the starter look sound."},
			{"bad", "Corroded, loose or burnt", "Clean and tighten before the starter is condemned."},
		},
		rows:   []row{usually(0.88, 0.12), likely(0.42, 0.58).with(PositiveCable), likely(0.72, 0.28).with(GroundCable)},
		why:    "Corroded wires at the starter look like a dead starter, and cost nothing but a brush.",
		how:    []string{"Ignition off. Look at the large and the small terminal and at the ground strap; move them only with the negative lead off."},
		expect: "Bright and tight.", tools: []string{"torch"}, caution: []string{negativeOff, stands, hotMoving},
	},
	{
		id: CleanWires, title: "Clean the joints at the starter and try again", minutes: 18, risk: 2, misread: 0.02, cranks: true, once: true, needs: crankSafely(stuck, seenWires),
		answers: []answer{
			{"cured", "It turns as it should", "It was the joint."},
			{"same", "No change", "The joints at the starter are out of it."},
		},
		rows: []row{usually(0.01, 0.99), likely(0.58, 0.42).with(PositiveCable), likely(0.28, 0.72).with(GroundCable)},
		why:  "It cures what it finds, and no starter is changed for a dirty terminal.",
		how: []string{
			"Negative lead off the battery. Note which wire goes where.",
			"Clean terminals and lugs to bright metal, tighten to the maker's figure, protect them. Negative lead on, {brake}, turn the key.",
		},
		expect: "No change where the joints were sound.", tools: []string{"wire brush", "spanners"},
		caution: []string{negativeOff, stands, noneBelow, hotMoving, beforeCrank},
	},
}
