package fleet

import "time"

// Test is one battery test.
type Test struct {
	Unit           UnitID
	Position       int
	At             time.Time
	Battery        string       // empty: not said
	RestV          Opt[float64] // of that battery, at rest
	CCAA           Opt[float64] // what the tester shows
	CCAStandard    CCAStandard  // the standard it was set to; never empty when CCAA is known
	LoadV          Opt[float64] // at the end of LoadS seconds at LoadA
	LoadA          Opt[float64]
	LoadS          Opt[float64]
	ResistanceMOhm Opt[float64]
	SoCPct         Opt[float64]
	TemperatureC   Opt[float64] // of the battery, else of the air
	TestedBy       string
	Tester         string // which instrument
	Note           string
}

// Outcome is how a crank ended.
type Outcome string

// The outcomes of the interchange files.
const (
	Started Outcome = "started"
	Slow    Outcome = "slow"
	NoCrank Outcome = "no_crank"
	NoStart Outcome = "no_start" // cranks but does not fire: says nothing against the battery
)

// Crank is one turn of the key. Volts are those of the whole system, 12 or 24.
type Crank struct {
	Unit         UnitID
	At           time.Time
	RestV        Opt[float64]
	MinV         Opt[float64]
	MeanV        Opt[float64]
	DurationMs   Opt[float64]
	TemperatureC Opt[float64] // air
	CoolantC     Opt[float64]
	CurrentA     Opt[float64] // mean while cranking
	RPM          Opt[float64] // mean while cranking
	Outcome      Outcome
}

// Part is what can be to blame for a failed start.
type Part string

// The suspects, in the order in which they are written everywhere. Other is for breakdowns that are none of them.
const (
	BatteryPart  Part = "battery"
	StarterPart  Part = "starter"
	CablePart    Part = "cable"
	ChargingPart Part = "charging"
	ControlPart  Part = "control"
	OtherPart    Part = "other"
)

// Suspects lists the parts of the starting system, in their fixed order.
func Suspects() [5]Part {
	return [5]Part{BatteryPart, StarterPart, CablePart, ChargingPart, ControlPart}
}

// Breakdown is a unit that failed on the road or in the yard.
type Breakdown struct {
	Unit      UnitID
	At        time.Time
	Cause     Part
	Cost      Opt[Money]
	HoursDown Opt[float64]
}

// DayTemp is one day's lowest and highest air temperature at a depot; for days to come, a forecast.
type DayTemp struct {
	Depot DepotID
	Date  Date
	MinC  Opt[float64]
	MaxC  Opt[float64]
}
