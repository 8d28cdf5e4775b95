package faults

// The checks of charging, drain and engine.
const (
	ChargingV  Check = "charging_v"
	Ripple     Check = "ripple"
	DrainMA    Check = "drain_ma"
	TurnEngine Check = "turn_engine"
)

var otherChecks = []check{
	{
		id: ChargingV, title: "Measure the charging voltage", minutes: 5, risk: 1, misread: 0.02, needs: []need{secured, runs},
		number: number{blur: circuitV(0.1), unit: "V", low: 8, high: 20, perSystem: true, sort: func(f Facts, v float64) int {
			low, high := f.ChargeV()
			return []int{1, 0, 2}[upTo(v, low-1e-9, high)]
		}},
		answers: []answer{
			{"regulated", "{chgLow} to {chgHigh} V", "It charges as it should."},
			{"low", "Less", "It does not charge: belt, plug, cable, regulator, alternator."},
			{"high", "More", "It overcharges: the regulator."},
		},
		rows:   []row{usually(0.987, 0.01, 0.003), likely(0.06, 0.80, 0.14).with(Charging), likely(0.96, 0.035, 0.005).with(Worn)},
		why:    "It tells whether the battery was flat because it is not charged.",
		how:    []string{"Start the engine, fast idle, lamps and heater fan on.", "Meter on the battery posts; read after a minute."},
		expect: "{chgLow} to {chgHigh} V.", tools: []string{"voltmeter"}, caution: []string{beforeCrank, hotMoving},
	},
	{
		id: Ripple, title: "Measure the charging ripple", minutes: 3, risk: 1, misread: 0.02, needs: []need{secured, runs},
		number: number{blur: circuitV(0.05), unit: "V", low: 0, high: 10, perSystem: true, sort: func(f Facts, v float64) int { return upTo(v, f.RippleV()) }},
		answers: []answer{
			{"smooth", "{rippleV} V or less", "The diodes are sound."},
			{"rough", "More than {rippleV} V", "A diode of the alternator: it charges too little and drains while parked."},
		},
		rows:   []row{usually(0.97, 0.03), likely(0.58, 0.42).with(Charging), likely(0.94, 0.06).with(Drain)},
		why:    "A broken diode charges half and drains the battery overnight.",
		how:    []string{"Engine at fast idle, lamps on. Meter on alternating volts, on the battery posts."},
		expect: "{rippleV} V or less.", tools: []string{"voltmeter"}, caution: []string{beforeCrank, hotMoving},
	},
	{
		id: DrainMA, title: "Measure the current while parked", minutes: 12, risk: 1, misread: 0.03, passes: 0.8, needs: []need{fine},
		number: number{blur: ofFigure(0.15), unit: "mA", low: 0, high: 20000, sort: func(f Facts, v float64) int { return upTo(v, f.DrainMA(), 3*f.DrainMA()) }},
		answers: []answer{
			{"within", "{drainMA} mA or less", "No hidden load while it was measured."},
			{"above", "{drainMA} up to {drainManyMA} mA", "More than it should: a computer that did not sleep yet, or a hidden load. Wait and read again."},
			{"far", "More than {drainManyMA} mA", "Something draws: pull fuse after fuse until the current falls."},
		},
		rows:   []row{usually(0.946, 0.05, 0.004), likely(0.04, 0.26, 0.70).with(Drain), likely(0.80, 0.10, 0.10).with(Charging)},
		why:    "It finds what empties the battery while nobody is there.",
		how:    []string{"Everything off, doors and bonnet latches closed, key far away; wait 30 minutes until the computers sleep.", "Clamp meter for small currents round the negative lead; a meter in line only with a bridge that never breaks the circuit."},
		expect: "{drainMA} mA or less.", tools: []string{"clamp meter for milliamperes"}, caution: []string{meterInLine, negativeOff},
	},
	{
		id: TurnEngine, title: "Turn the engine by hand", minutes: 12, risk: 4, misread: 0.02, needs: []need{secured, heard},
		answers: []answer{
			{"turns", "It turns two full turns with even force", "The engine is free."},
			{"tight", "It turns, but far harder than a like one", "The engine or something it drives drags."},
			{"locked", "It does not turn", "Seized or locked. Stop here."},
		},
		rows:   []row{usually(0.97, 0.027, 0.003), likely(0.03, 0.10, 0.87).with(EngineLocked), likely(0.20, 0.76, 0.04).with(EngineDrag), likely(0.93, 0.05, 0.02).with(StarterMotor, StarterDrive)},
		why:    "Before a starter is blamed for not turning an engine, the engine must be free.",
		how:    []string{"Key out, negative lead off, {neutral}, brake on.", "A long bar on the crankshaft bolt, in the engine's own direction, two turns."},
		expect: "Heavy at each compression, never stuck.", tools: []string{"long bar and socket"}, caution: []string{negativeOff, liquidLock, hotMoving},
	},
}
