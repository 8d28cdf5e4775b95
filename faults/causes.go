package faults

import "rimeyard/internal/fleet"

// EnginePart is the one part beside fleet's suspects that can stop a crank.
const EnginePart fleet.Part = "engine"

// Cause is one thing that can be wrong, by its key in JSON.
type Cause string

// The causes, in their fixed order.
const (
	Flat           Cause = "battery_flat"     // sound, but discharged: something left on, stood too long, short trips
	Worn           Cause = "battery_worn"     // no longer gives its current, charged or not
	Drain          Cause = "drain"            // something draws too much while parked
	Charging       Cause = "charging"         // alternator, its belt or regulator
	Terminals      Cause = "terminals"        // posts and clamps loose or corroded
	PositiveCable  Cause = "positive_cable"   // with its joints, those at the starter too
	GroundCable    Cause = "ground_cable"     // battery to engine and to body
	MainFuse       Cause = "main_fuse"        // main fuse, fusible link or disconnect switch
	StarterMotor   Cause = "starter_motor"    // brushes, armature, bearings
	Solenoid       Cause = "solenoid"         // its contacts or its windings
	StarterDrive   Cause = "starter_drive"    // clutch, pinion, ring gear
	StarterFuse    Cause = "starter_fuse"     // of the start circuit
	StarterRelay   Cause = "starter_relay"    // or its socket
	Interlock      Cause = "interlock"        // neutral/park switch or clutch switch
	StartSwitch    Cause = "start_switch"     // ignition switch and the wires of the start circuit
	Immobiliser    Cause = "immobiliser"      // or its key
	EngineComputer Cause = "engine_computer"  // or its supply
	EngineLocked   Cause = "engine_locked"    // seized, or liquid in a cylinder
	EngineDrag     Cause = "engine_drag"      // thick oil, tight bearings, a load that is not let go
	NotStarting    Cause = "not_the_starting" // cranks as it should: fuel or ignition
	Unlisted       Cause = "unlisted"         // something else
)

// job is what is done about a cause. Causes with one job need not be told apart before the work begins.
type job string

const (
	jobCharge     job = "charge"
	jobBattery    job = "battery"
	jobDrain      job = "drain"
	jobCharging   job = "charging"
	jobTerminals  job = "terminals"
	jobPositive   job = "positive_cable"
	jobGround     job = "ground_cable"
	jobMainFuse   job = "main_fuse"
	jobStarter    job = "starter"
	jobFuse       job = "starter_fuse"
	jobRelay      job = "starter_relay"
	jobInterlock  job = "interlock"
	jobSwitch     job = "start_switch"
	jobImmobilise job = "immobiliser"
	jobComputer   job = "engine_computer"
	jobEngine     job = "engine"
	jobFuel       job = "fuel_or_ignition"
	jobElsewhere  job = "elsewhere"
)

// causeRow is all that is known of one cause but its likelihoods, which stand with the checks.
type causeRow struct {
	id    Cause
	part  fleet.Part
	job   job
	share float64 // of units that will not crank, crank slowly or click, in a year; any scale
	name  string
	todo  string // what follows from it
	who   string // who had better do it; empty: whoever is asked
}

// causeRows in their fixed order. Shares: an automobile club attended 450 battery jobs for 88 starter jobs in a year (AA 2011: 5.11 to 1);
// another's winter splits battery jobs 70.9 unserviceable to 38.6 flat, with 18.3 alternators to 12.6 starters (RAC, December 2015 to
// February 2016). So, with 13.5 for the starter: 44.6 worn, 24.4 flat, of which 5 are set down to drain, and 19.6 alternators, a third of
// which end in a unit that does not crank. All others: common practice, no source.
var causeRows = [...]causeRow{
	{
		Flat, fleet.BatteryPart, jobCharge, 19.4, "battery flat, else sound",
		"charge it fully, let it rest, test it again; find out what was left on or why it stood so long", "",
	},
	{
		Worn, fleet.BatteryPart, jobBattery, 44.6, "battery worn out",
		"fit a new battery of the same size, type and rating; at 24 V both", "",
	},
	{
		Drain, fleet.ChargingPart, jobDrain, 5, "something draws current while parked",
		"pull one fuse after the other with the meter in line until the current falls: the fault is in that circuit; then charge and test the battery", "",
	},
	{
		Charging, fleet.ChargingPart, jobCharging, 6.5, "charging system",
		"look at belt and plug, measure the charging cable's drop, then change regulator or alternator by the maker's data; charge and test the battery", "",
	},
	{
		Terminals, fleet.CablePart, jobTerminals, 14, "battery terminals loose or corroded",
		"clean posts and clamps to bright metal, tighten, protect", "",
	},
	{
		PositiveCable, fleet.CablePart, jobPositive, 4, "positive cable or its joints, those at the starter too",
		"clean every joint from the post to the starter before anything is condemned, measure again, then change the cable", "",
	},
	{
		GroundCable, fleet.CablePart, jobGround, 4, "ground cable or its joints",
		"clean both ends and the metal under them to bright, measure again, then change the cable", "",
	},
	{
		MainFuse, fleet.CablePart, jobMainFuse, 1, "main fuse, fusible link or disconnect switch open",
		"find out why it opened before a like one is fitted: never a larger one, never a wire across it", "",
	},
	{
		StarterMotor, fleet.StarterPart, jobStarter, 8, "starter motor worn",
		"change the starter; the old one goes along for a bench test and for its deposit", "",
	},
	{
		Solenoid, fleet.StarterPart, jobStarter, 4, "starter's solenoid",
		"change the solenoid where it is sold by itself, else the starter", "",
	},
	{
		StarterDrive, fleet.StarterPart, jobStarter, 1.5, "starter's drive: clutch, pinion or ring gear",
		"take the starter out, look at the teeth of the pinion and all round the ring gear, change what is worn", "",
	},
	{
		StarterFuse, fleet.ControlPart, jobFuse, 1, "fuse of the start circuit",
		"fit one like it; if it blows again, find the short: never a larger one", "",
	},
	{
		StarterRelay, fleet.ControlPart, jobRelay, 2, "starter relay",
		"fit a new relay of the same kind, look at its socket for burnt pins", "",
	},
	{
		Interlock, fleet.ControlPart, jobInterlock, 3, "neutral/park switch or clutch switch, its setting or its plug",
		"see that lever and cable reach park fully or the pedal its stop, mend the plug, adjust or change the switch by the maker's data; never bypass it", "",
	},
	{
		StartSwitch, fleet.ControlPart, jobSwitch, 2, "ignition switch or the wires of the start circuit",
		"follow the start wire with a meter from the switch to the solenoid, mend the break or change the switch", "an auto electrician where column or airbag stand in the way",
	},
	{
		Immobiliser, fleet.ControlPart, jobImmobilise, 3, "immobiliser or its key",
		"try the other key, keep other keys and fobs away from it, renew the fob's cell; then have the key or the immobiliser taught in", "somebody with the maker's tool and proof of ownership",
	},
	{
		EngineComputer, fleet.ControlPart, jobComputer, 1, "engine computer or its supply",
		"check its fuses, its supply and its ground by the wiring diagram before it is condemned", "an auto electrician with the maker's diagnostic tool",
	},
	{
		EngineLocked, EnginePart, jobEngine, 1, "engine seized or locked",
		"do not crank it again; liquid in a cylinder bends what the starter pushes", "an engine mechanic",
	},
	{
		EngineDrag, EnginePart, jobEngine, 1, "engine hard to turn",
		"check that the oil is of the grade for the cold and at its level, and that no pump, fan or attachment drags", "an engine mechanic",
	},
	{
		NotStarting, fleet.OtherPart, jobFuel, 2, "the starting system works; the engine does not fire",
		"look at fuel, heating of the intake or glow plugs, and ignition", "a mechanic for the engine: this search ends at the starter",
	},
	{
		Unlisted, fleet.OtherPart, jobElsewhere, 2, "something that is not on this list",
		"write down what was measured; do not change parts on suspicion", "an auto electrician",
	},
}

const causes = len(causeRows)

// chances are one number per cause, in the order of causeRows.
type chances [causes]float64

func (c Cause) index() int {
	for i := range causeRows {
		if causeRows[i].id == c {
			return i
		}
	}
	panic("faults: no cause is called " + string(c)) // the tables are checked by a test
}

func (p *chances) normalise() {
	sum := 0.0
	for _, v := range p {
		sum += v
	}
	for i := range p {
		p[i] /= sum
	}
}

// ofJob sums the chances of all causes with the same job.
func (p *chances) ofJob(j job) (sum float64) {
	for i := range causeRows {
		if causeRows[i].job == j {
			sum += p[i]
		}
	}
	return sum
}

// top is the likeliest cause of a job.
func (p *chances) top(j job) (best int) {
	best = -1
	for i := range causeRows {
		if causeRows[i].job == j && (best < 0 || p[i] > p[best]) {
			best = i
		}
	}
	return best
}

// clear tells whether one cause of a job stands out from the others with it.
func (p *chances) clear(j job) bool {
	const clear = 0.8 // of the job's chance
	return p[p.top(j)] >= clear*p.ofJob(j)
}

// within are the chances of the causes of a job, if it is that job.
func (p *chances) within(j job) (only chances) {
	for i := range causeRows {
		if causeRows[i].job == j {
			only[i] = p[i]
		}
	}
	only.normalise()
	return only
}
