package faults

// The checks of the start circuit.
const (
	StartFuse     Check = "start_fuse"
	RelayClick    Check = "relay_click"
	RelaySwap     Check = "relay_swap"
	OtherPosition Check = "other_position"
	InterlockTest Check = "interlock_test"
	SecurityLamp  Check = "security_lamp"
	SecondKey     Check = "second_key"
	EngineLamp    Check = "engine_lamp"
	ComputerTalks Check = "computer_talks"
	SwitchFeed    Check = "switch_feed"
	Signal        Check = "signal"
)

var startCircuit = []Cause{StarterFuse, StarterRelay, Interlock, StartSwitch, Immobiliser, EngineComputer}

var controlChecks = []check{
	{
		id: Signal, title: "Measure at the solenoid's small terminal while the key is turned", minutes: 5, risk: 1, misread: 0.02, cranks: true, needs: crankSafely(measured, alive),
		answers: []answer{
			{"there", "Battery volts, less {sigV} V at most", "The start circuit does its work: solenoid, motor or what feeds them."},
			{"weak", "There, but more than {sigV} V less", "Resistance in the start circuit: joints, switch or relay contacts."},
			{"none", "Nothing", "The start circuit: fuse, relay, interlock, switch, immobiliser or computer."},
		},
		// US Army TM 5-3895-383-24, page 6-96: no volts here is the switch or its wiring, volts here the solenoid.
		rows: []row{
			usually(0.94, 0.05, 0.01),
			likely(0.02, 0.06, 0.92).with(startCircuit...), likely(0.03, 0.15, 0.82).with(StarterRelay), likely(0.03, 0.20, 0.77).with(StartSwitch),
			likely(0.73, 0.23, 0.04).with(Flat, Drain, Charging, Worn), likely(0.72, 0.20, 0.08).with(Terminals), likely(0.86, 0.11, 0.03).with(PositiveCable, GroundCable),
			likely(0.04, 0.10, 0.86).with(MainFuse),
		},
		why:    "It cuts the search in half: starter on one side, start circuit on the other.",
		how:    []string{"Black probe on the starter's bare body, red on the small terminal. Clip both on, then come out from under it.", "{brake}, turn the key for 2 s and read the first figure: it falls as the coils heat."},
		expect: "Battery volts, less {sigV} V at most.", tools: []string{"voltmeter", "a second person"},
		caution: []string{beforeCrank, neverBypass, stands, noneBelow, hotMoving},
	},
	{
		id: StartFuse, title: "Check the fuse of the start circuit", minutes: 3, misread: 0.02,
		answers: []answer{
			{"whole", "Whole, with volts on both sides", "Not the fuse."},
			{"blown", "Blown", "Fit one like it. If it blows again, find the short."},
		},
		rows:   []row{usually(0.99, 0.01), likely(0.03, 0.97).with(StarterFuse)},
		why:    "It is quick to see and cheap to mend.",
		how:    []string{"Find it by the cover of the fuse box or the owner's book. Pull it and look, or measure on both of its sides with the key on."},
		expect: "Whole.", tools: []string{"fuse puller", "test lamp or meter"},
	},
	{
		id: RelayClick, title: "Feel and hear the starter relay", minutes: 2, misread: 0.05, cranks: true, needs: crankSafely(alive),
		answers: []answer{
			{"clicks", "It clicks", "Probably good, and so is what switches it; exchange it to be sure."},
			{"quiet", "Nothing", "The relay, or what switches it: interlock, switch, immobiliser, computer."},
		},
		rows: []row{
			usually(0.94, 0.06),
			likely(0.28, 0.72).with(StarterRelay), likely(0.40, 0.60).with(StarterFuse), likely(0.05, 0.95).with(Interlock, StartSwitch, Immobiliser, EngineComputer),
			likely(0.72, 0.28).with(Flat, Drain, Charging, Terminals), likely(0.85, 0.15).with(Worn), likely(0.10, 0.90).with(MainFuse),
		},
		why:    "It needs no tool, and tells whether the start signal gets as far as the relay.",
		how:    []string{"Find the relay by the cover of the fuse box. A finger on it while a second person, {brake}, turns the key."},
		expect: "One click as the key reaches start.", tools: []string{"a second person"}, caution: []string{beforeCrank, neverBypass},
	},
	{
		id: RelaySwap, title: "Exchange the starter relay with a like one", minutes: 4, misread: 0.01, cranks: true, needs: crankSafely(stuck, alive),
		answers: []answer{
			{"cured", "It turns as it should", "It was the relay: fit a new one."},
			{"same", "No change", "Not the relay. Put both back."},
		},
		rows:   []row{usually(0.005, 0.995), likely(0.94, 0.06).with(StarterRelay)},
		why:    "A relay that clicks is probably good; an exchange makes sure.",
		how:    []string{"Key off. Exchange it with one of the same number from the box, such as the horn's.", "{brake}, turn the key. Put them back afterwards."},
		expect: "No change.", caution: []string{beforeCrank, "Same number on both relays, or leave it."},
	},
	{
		id: OtherPosition, title: "Try the interlock's other position", minutes: 1, misread: 0.02, cranks: true, needs: crankSafely(shifts),
		answers: []answer{
			{"cranks", "It turns", "The interlock's switch or its setting: check its plug and have it adjusted."},
			{"same", "No change", "That clears a wrong setting, not a dead switch."},
		},
		rows:   []row{usually(0.005, 0.995), likely(0.60, 0.40).with(Interlock)},
		why:    "A lever not fully in park, or a pedal not pressed home, stops the crank by design.",
		how:    []string{"{brake}. {other}"},
		expect: "No change.", caution: []string{beforeCrank, neverBypass},
	},
	{
		id: InterlockTest, title: "Check the interlock's plug and measure its switch", minutes: 9, risk: 1, misread: 0.02, needs: []need{heard},
		answers: []answer{
			{"closes", "Plug sound, the switch closes where it should", "The interlock lets the start through."},
			{"open", "Plug loose or corroded, or the switch stays open", "The interlock: mend the plug, adjust or change the switch."},
		},
		rows:   []row{usually(0.98, 0.02), likely(0.05, 0.95).with(Interlock)},
		why:    "It finds the dead switch that no lever position wakes.",
		how:    []string{"Key off. Find the {interlock}, look at plug and wires.", "Plug off, ohmmeter on the switch by the maker's diagram: closed in {park}, open otherwise. Plug on again."},
		expect: "Closed in {park} only.", tools: []string{"ohmmeter", "wiring diagram"}, caution: []string{neverBypass, stands},
	},
	{
		id: SecurityLamp, title: "Watch the immobiliser's lamp with the key on", minutes: 1, misread: 0.03, needs: []need{alive},
		answers: []answer{
			{"out", "It goes out after a few seconds", "The key is known."},
			{"stays", "It stays lit or flashes fast", "The key or the immobiliser."},
			{"none", "There is no such lamp", "It tells nothing."},
		},
		rows:   []row{usually(0.80, 0.03, 0.17), likely(0.05, 0.88, 0.07).with(Immobiliser), likely(0.55, 0.30, 0.15).with(EngineComputer), likely(0.50, 0.03, 0.47).with(MainFuse)},
		why:    "The immobiliser says by its lamp whether it knows the key.",
		how:    []string{"Key on, not to start. Watch the lamp with the key or padlock symbol for ten seconds."},
		expect: "Lit for a few seconds, then out.",
	},
	{
		id: SecondKey, title: "Try the other key", minutes: 3, misread: 0.01, cranks: true, needs: crankSafely(stuck, alive),
		answers: []answer{
			{"cranks", "It turns", "The first key: have it taught in or renewed."},
			{"same", "No change, or there is none", "The immobiliser may still be at fault."},
		},
		rows:   []row{usually(0.005, 0.995), likely(0.45, 0.55).with(Immobiliser)},
		why:    "A key that is not known is more often at fault than the immobiliser.",
		how:    []string{"Keep other keys, fobs and telephones away from the lock. {brake}, try the second key."},
		expect: "No change.", tools: []string{"second key"}, caution: []string{beforeCrank},
	},
	{
		id: EngineLamp, title: "See whether the engine lamp lights with the key on", minutes: 1, misread: 0.03, needs: []need{alive},
		answers: []answer{
			{"lights", "It lights", "The engine computer is awake."},
			{"dark", "It never lights", "The engine computer, its fuse, its supply or its ground."},
		},
		rows:   []row{usually(0.985, 0.015), likely(0.06, 0.94).with(EngineComputer), likely(0.06, 0.94).with(MainFuse)},
		why:    "A computer that does not light its lamp does not release the starter either.",
		how:    []string{"Key on, not to start. Look for the engine symbol."},
		expect: "Lit with the key on, out while the engine runs.",
	},
	{
		id: ComputerTalks, title: "Ask the engine computer with a diagnostic tool", minutes: 5, misread: 0.02, needs: []need{alive},
		answers: []answer{
			{"talks", "It answers and knows of nothing that holds the start", "The computer is awake, and the key is known."},
			{"blocked", "It answers that the immobiliser holds the start", "The key or the immobiliser."},
			{"mute", "It does not answer", "The computer, its supply or its ground."},
		},
		rows:   []row{usually(0.96, 0.015, 0.025), likely(0.25, 0.70, 0.05).with(Immobiliser), likely(0.06, 0.03, 0.91).with(EngineComputer), likely(0.08, 0, 0.92).with(MainFuse)},
		why:    "It confirms a dead computer or a key that is not known before anything is taken out.",
		how:    []string{"Plug the tool into the socket, key on, ask for the engine and for the immobiliser."},
		expect: "It answers, and nothing holds the start.", tools: []string{"diagnostic tool"},
	},
	{
		id: SwitchFeed, title: "Measure the start wire at the ignition switch", minutes: 10, risk: 1, misread: 0.02, cranks: true, needs: crankSafely(measured, alive),
		answers: []answer{
			{"there", "Battery volts when the key is at start", "The switch passes the start on."},
			{"none", "Nothing", "The ignition switch or what feeds it."},
		},
		rows:   []row{usually(0.97, 0.03), likely(0.20, 0.80).with(StartSwitch), likely(0.10, 0.90).with(MainFuse)},
		why:    "It tells the switch from all that comes after it.",
		how:    []string{"Find the start wire at the switch or at the fuse box by the wiring diagram; leave covers with an airbag behind them to a licensed workshop.", "{brake}, turn the key and read."},
		expect: "Battery volts at start, nothing otherwise.", tools: []string{"voltmeter", "wiring diagram"}, caution: []string{beforeCrank, neverBypass},
	},
}
