package faults

// The checks that come first, and those that cost a look or a question.
const (
	Secure     Check = "secure"
	Key        Check = "key"
	Lamps      Check = "lamps"
	Story      Check = "story"
	FlatBefore Check = "flat_before"
	ChargeLamp Check = "charge_lamp"
)

// Cautions, in the words used everywhere. Their sources: 29 CFR 1926.441, 1910.178(g), 1910.244, 1917.157; FMVSS 102 S3.1.3 and the
// NHTSA letter of 30 December 1988; US Army TM 10-3930, OD1002; makers' safety pages; testdata/reference/14_safety.csv has them all.
const (
	beforeCrank  = "Park or neutral, parking brake on, nobody in front of the unit or near belts and fan, before the key is turned."
	noFire       = "Keep the engine from firing (fuel or ignition off by the maker's data): a drop read while it fires is void."
	shortCrank   = "Crank no longer than the maker allows, at most 15 s (heavy diesels 30 s), then let the starter rest 2 minutes: it burns out."
	restStarter  = "The starter has just been turned: let it rest 2 minutes before this."
	neverBypass  = "Never bypass a neutral, park or clutch interlock, not even for a test: the unit may drive off."
	negativeOff  = "Negative lead off first and on last; rings and bracelets off."
	eyes         = "Eyes covered; gloves for acid and lead."
	gas          = "Batteries give off explosive gas: no flame, no smoking, no sparks, fresh air."
	frozenNever  = "Never charge, jump or load a frozen battery: it may burst. Let it thaw first."
	stands       = "Under a unit only on stands on firm ground, wheels chocked, never under a jack alone."
	noneBelow    = "Nobody lies under the unit while the key is turned."
	hotMoving    = "Mind hot exhaust and moving belts; sleeves and hair tied back."
	burns        = "Hundreds of amperes flow here: a slipped spanner welds and burns, at 24 V more so."
	lifting      = "A starter weighs 4 to 30 kg: hold its weight before the last fastener."
	liquidLock   = "If it stops hard, do not force it: there may be liquid in a cylinder."
	localRules   = "The maker's service data, local rules and licensed trades come before this text."
	sameVoltage  = "Only a source of the same voltage: never 24 V on a 12 V unit."
	meterInLine  = "Do not turn the key with the meter in line: its fuse and its leads are not made for it."
	leadReturned = "Batteries hold lead and acid: keep them upright, return them by the local rule."
)

var firstChecks = []check{
	{
		id: Secure, title: "Make the unit safe", minutes: 2,
		answers: []answer{
			{"done", "Done: it cannot move", "Now the key may be turned."},
			{"cannot", "It cannot be made safe where it stands", "The key is not turned: only what can be seen and measured without it is asked."},
		},
		rows: []row{usually(0.97, 0.03)},
		why:  "It comes before everything: a unit that suddenly starts in gear drives off.",
		how: []string{
			"Stand it on firm, level ground away from traffic.",
			"Put the lever in {park}, set the parking brake, chock the wheels on both sides.",
			"Take tools and people out of its way.",
		},
		expect: "It does not move when pushed.", tools: []string{"chocks"},
		caution: []string{localRules},
	},
	{
		id: Key, title: "Turn the key and listen", minutes: 1, misread: 0.03, cranks: true, needs: []need{secured, ill, untouched},
		answers: []answer{
			{"dark", "Nothing is heard and no lamp lights", "The whole supply is missing: terminals, main fuse or a dead battery."},
			{"silent", "Nothing is heard, the lamps are as always", "The start circuit does not reach the starter, or the solenoid does not answer."},
			{"clicks", "It clicks fast, many times", "The supply is too weak to hold the solenoid: a flat battery or a bad joint before a bad starter."},
			{"click", "One click or thump, then nothing", "Current or torque is missing: battery, cables, solenoid contacts, motor, or an engine that is stuck."},
			{"slow", "It turns, but slower than it should", "Battery, cables, starter or a stiff engine."},
			{"grinds", "It grinds", "The pinion does not mesh: drive or ring gear."},
			{"spins", "The starter whirs, the engine stands", "The starter's clutch or pinion does not take the engine along."},
			{"normal", "It turns as fast as always but does not fire", "The starting system does its work: fuel or ignition."},
		},
		// Which sound points where: training text on no-crank faults, US Army TM 5-3895-383-24 page 6-96, TM 5-3805-254-20. How often: common
		// practice, no source.
		rows: []row{
			usually(0.08, 0.30, 0.15, 0.20, 0.20, 0.02, 0.02, 0.03),
			likely(0.12, 0.02, 0.46, 0.12, 0.275, 0, 0, 0.005).with(Flat, Drain),
			likely(0.07, 0.02, 0.42, 0.12, 0.365, 0, 0, 0.005).with(Charging),
			likely(0.03, 0.02, 0.32, 0.12, 0.505, 0, 0, 0.005).with(Worn),
			likely(0.18, 0.05, 0.30, 0.20, 0.265, 0, 0, 0.005).with(Terminals),
			likely(0.03, 0.07, 0.14, 0.36, 0.395, 0, 0, 0.005).with(PositiveCable),
			likely(0.05, 0.06, 0.18, 0.33, 0.375, 0, 0, 0.005).with(GroundCable),
			likely(0.90, 0.07, 0.01, 0.01, 0.01, 0, 0, 0).with(MainFuse),
			likely(0.01, 0.06, 0.04, 0.56, 0.31, 0.01, 0.005, 0.005).with(StarterMotor),
			likely(0.005, 0.24, 0.10, 0.59, 0.05, 0.005, 0.005, 0.005).with(Solenoid),
			likely(0.005, 0.005, 0.01, 0.05, 0.02, 0.40, 0.505, 0.005).with(StarterDrive),
			likely(0.01, 0.96, 0.01, 0.01, 0.005, 0, 0, 0.005).with(StarterFuse),
			likely(0.01, 0.87, 0.06, 0.05, 0.005, 0, 0, 0.005).with(StarterRelay),
			likely(0.01, 0.95, 0.01, 0.02, 0.005, 0, 0, 0.005).with(Interlock),
			likely(0.04, 0.88, 0.03, 0.04, 0.005, 0, 0, 0.005).with(StartSwitch),
			likely(0.01, 0.92, 0.01, 0.01, 0.005, 0, 0, 0.045).with(Immobiliser),
			likely(0.03, 0.88, 0.02, 0.01, 0.01, 0, 0, 0.05).with(EngineComputer),
			likely(0.005, 0.005, 0.03, 0.91, 0.04, 0.005, 0, 0.005).with(EngineLocked),
			likely(0.005, 0.005, 0.04, 0.08, 0.86, 0.005, 0, 0.005).with(EngineDrag),
			likely(0.002, 0.002, 0.002, 0.002, 0.03, 0.001, 0.001, 0.96).with(NotStarting),
		},
		why:    "What is heard splits the causes at once, and costs a minute.",
		how:    []string{"Switch off lamps, fan and radio.", "{brake}, turn the key to start for 2 or 3 seconds and listen, once."},
		expect: "A sound unit turns at once and evenly.", caution: []string{beforeCrank, neverBypass},
	},
	{
		id: Lamps, title: "Watch a lamp while the key is turned", minutes: 1, misread: 0.04, cranks: true, needs: crankSafely(alive),
		answers: []answer{
			{"bright", "It stays bright", "No large current flows: the start circuit, or contacts that do not close."},
			{"dim", "It dims strongly", "The supply gives way, or the starter takes much and does not turn."},
			{"out", "It goes out at once and comes back", "A bad joint at the battery, or a battery with nothing left."},
			{"dark", "It is dark or weak before", "Flat battery, main fuse or terminals."},
		},
		rows: []row{
			usually(0.93, 0.05, 0.01, 0.01), // all of the start circuit
			likely(0.03, 0.55, 0.15, 0.27).with(Flat, Drain, Charging),
			likely(0.08, 0.74, 0.11, 0.07).with(Worn),
			likely(0.10, 0.30, 0.42, 0.18).with(Terminals),
			likely(0.45, 0.40, 0.11, 0.04).with(PositiveCable),
			likely(0.35, 0.40, 0.18, 0.07).with(GroundCable),
			likely(0.02, 0.02, 0.06, 0.90).with(MainFuse),
			likely(0.30, 0.67, 0.02, 0.01).with(StarterMotor),
			likely(0.70, 0.27, 0.02, 0.01).with(Solenoid),
			likely(0.70, 0.28, 0.01, 0.01).with(StarterDrive),
			likely(0.04, 0.93, 0.02, 0.01).with(EngineLocked),
			likely(0.13, 0.84, 0.02, 0.01).with(EngineDrag),
			likely(0.30, 0.68, 0.01, 0.01).with(NotStarting),
		},
		why:    "A lamp is the cheapest voltmeter: it shows whether the supply gives way.",
		how:    []string{"Switch on the headlamps or the lamp inside.", "{brake}, turn the key to start for 2 seconds and watch it."},
		expect: "It dims a little while the engine turns.", caution: []string{beforeCrank, neverBypass},
	},
	{
		id: Story, title: "Ask what it did before it failed", minutes: 1, once: true, misread: 0.08,
		answers: []answer{
			{"left_on", "Something was left on", "Then the battery may be flat and nothing else."},
			{"stood", "It stood for two weeks or more, or made short trips only", "A battery loses its charge that way; a drain does it faster."},
			{"neither", "Neither: used as always", "Then a flat battery has a reason to be found."},
		},
		rows: []row{
			usually(0.03, 0.10, 0.87),
			likely(0.42, 0.36, 0.22).with(Flat), likely(0.05, 0.35, 0.60).with(Drain), likely(0.06, 0.18, 0.76).with(Worn),
		},
		why:    "The driver often knows the cause of a flat battery.",
		how:    []string{"Ask who drove it last: lamps, radio, tail lift left on? How long did it stand? How far does it drive?"},
		expect: "Used as always, nothing left on.",
	},
	{
		id: FlatBefore, title: "Ask whether it was charged or jumped in the last weeks", minutes: 1, once: true, misread: 0.06,
		answers: []answer{
			{"yes", "Yes, and it went flat again", "A drain, a charging fault or a worn battery keeps coming back; a lamp left on does not."},
			{"no", "No", "It failed for the first time."},
		},
		rows: []row{
			usually(0.12, 0.88),
			likely(0.08, 0.92).with(Flat), likely(0.70, 0.30).with(Drain), likely(0.62, 0.38).with(Charging), likely(0.45, 0.55).with(Worn),
			likely(0.25, 0.75).with(Terminals, GroundCable, PositiveCable),
		},
		why:    "What keeps coming back has a cause that charging does not mend.",
		how:    []string{"Ask the driver and look at the records."},
		expect: "No.",
	},
	{
		id: ChargeLamp, title: "Ask whether the charge lamp was lit while driving", minutes: 1, once: true, misread: 0.05,
		answers: []answer{
			{"lit", "Yes, or it flickered or glowed", "The battery was not charged on the way."},
			{"out", "No", "That clears most charging faults, not all."},
		},
		rows:   []row{usually(0.03, 0.97), likely(0.62, 0.38).with(Charging)},
		why:    "It is the charging system's own witness.",
		how:    []string{"Ask the driver; some units show it as a battery symbol or a message."},
		expect: "Lit with the key on, out while the engine runs.",
	},
}
