// Package proving builds fleets of which the truth is known, to hold the forecast against: units live day by day under weather,
// work and workshop, are read by loggers and testers that err, and break down. How a starting system ages and cranks is not
// decided here: each package below brings a physics of its own, and they disagree with each other and with package trend.
//
// Nothing of it is in the product's way; it serves tests and benchmarks.
package proving

import (
	"math/rand/v2"

	"rimeyard/internal/fleet"
)

// Kind is what is known of a unit's build before it lives.
type Kind struct {
	Fuel        fleet.Fuel
	Litres      float64
	SystemVolts int
	Batteries   int // in series in pairs at 24 V, in parallel at 12 V
	RatedCCAA   float64
	RatedAh     float64
	Chemistry   fleet.Chemistry
	PartGrade   float64 // of the battery's part number: about 1; life grows with it
	Gradual     bool    // see [Options]
}

// Ripening is how many times as long as a physics says its faults take to grow.
func (k Kind) Ripening() float64 {
	if k.Gradual {
		return 2
	}
	return 1
}

// Sudden is the share that befalls a unit of what a physics lets come without a sign.
func (k Kind) Sudden() float64 {
	if k.Gradual {
		return 1.0 / 3
	}
	return 1
}

// Physics makes machines. A physics has its own constants and is told nothing of how readings are used.
type Physics interface {
	Name() string
	// New is a unit on its first recorded day, its parts aged by ageYears at about meanAirC.
	New(k Kind, ageYears, meanAirC float64, r *rand.Rand) Machine
}

// Day is what one day asks of a machine.
type Day struct {
	MinC, MaxC  float64 // of the air where it stands
	DriveHours  float64 // 0: parked all day
	Starts      int     // warm starts that day beyond the first
	HoursParked float64 // since it last ran, at the next dawn
}

// Crank is what one turn of the key meets.
type Crank struct {
	AirC     float64
	SoakH    float64 // since the engine ran; below 3 it is warm
	BatteryC float64
	OilC     float64
}

// Read is the truth of one crank, for the whole system in volts and amperes. No sensor has touched it.
type Read struct {
	RestV, DipV, PlateauV, CurrentA, RPM, Ms float64
	Outcome                                  fleet.Outcome
}

// Bench is the truth of one battery test at one position.
type Bench struct {
	RestV    float64 // of one battery
	CCAShare float64 // what a perfect conductance tester would show, as a share of the rating; it need not be the true cranking power
	LoadV    float64 // after 15 s at half the rating
	MOhm     float64
}

// Machine is one unit's starting system, alive. It draws what is random from r alone, so that futures can be told apart.
type Machine interface {
	Live(d Day, r *rand.Rand)
	Crank(c Crank, r *rand.Rand) Read
	// Spare is how far the coldest thinkable crank is from failing, without chance: above 0 it starts. It falls as c gets colder.
	Spare(c Crank) float64
	Test(position int, batteryC float64) Bench
	// Renew puts one part right: battery and starter new, cable cleaned, charging (and drain) repaired, control repaired.
	Renew(p fleet.Part, r *rand.Rand)
	// Charge puts the batteries on a charger overnight.
	Charge()
	Clone() Machine
}

// Truth is what no reading tells.
type Truth struct {
	Failed     bool       // at least once in the season, as it was left
	Cause      fleet.Part // the part whose renewal would have saved that start by most
	On         fleet.Date
	Chance     float64    // of failing in the season for who knows the true state and physics on the as-of date, but no future: the ceiling
	ColdLimitC float64    // air at dawn, where it stands, at which Spare is 0 on the as-of date; infinite where no air does it
	Worst      fleet.Part // the part whose renewal would lower Chance by most; empty where that is next to nothing
}

// Fleet is one fleet with its records and its truth.
type Fleet struct {
	Name      string
	AsOf      fleet.Date
	Season    fleet.Season
	Depots    []fleet.Depot
	Temps     map[fleet.DepotID][]fleet.DayTemp // through the season; what lies on AsOf or later may not be seen by a forecast
	Histories []fleet.History                   // by unit, in order of their numbers, through the season
	Truth     map[fleet.UnitID]Truth
}
