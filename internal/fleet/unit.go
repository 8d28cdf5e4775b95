package fleet

import (
	"sync"
	"time"
)

// DepotID is a depot's key, as written in the fleet's files.
type DepotID string

// UnitID is a unit's key: the fleet's own number.
type UnitID string

// Depot is a place where units park overnight.
type Depot struct {
	ID           DepotID
	Name         string
	Timezone     string // IANA name; ingest has checked that it loads
	Latitude     Opt[float64]
	Longitude    Opt[float64]
	ElevationM   Opt[float64]
	SwapsPerWeek Opt[int] // how many units the depot can put right in a week
	CostCentre   string   // empty: none given
}

// zones are those asked for so far, by name: reading one anew for each unit would be a fifth of judging a fleet.
var zones sync.Map

// Zone is the depot's time zone; UTC when this machine does not know the name.
func (d Depot) Zone() *time.Location {
	if known, ok := zones.Load(d.Timezone); ok {
		return known.(*time.Location) //nolint:forcetypeassert // nothing else is kept there
	}
	zone, err := time.LoadLocation(d.Timezone)
	if err != nil {
		return time.UTC // not kept: names that nobody has checked could be without end
	}
	zones.Store(d.Timezone, zone)
	return zone
}

// Fuel decides how hard an engine is to turn and how fast it must turn to fire.
type Fuel string

// The fuels of the interchange files.
const (
	Petrol Fuel = "petrol"
	Diesel Fuel = "diesel"
)

// Gearbox is empty where the file does not say.
type Gearbox string

// The gearboxes of the interchange files.
const (
	Automatic Gearbox = "automatic"
	Manual    Gearbox = "manual"
)

// Parked is where a unit spends the night.
type Parked string

// The ways to park of the interchange files.
const (
	Indoors   Parked = "indoors"
	Outdoors  Parked = "outdoors"
	PluggedIn Parked = "plugged_in"
)

// Unit is a vehicle, by the fleet's own number.
type Unit struct {
	ID           UnitID
	Depot        DepotID
	Class        string // the fleet's own word; units of one class, fuel and voltage share what is learned
	Fuel         Fuel
	EngineLitres Opt[float64]
	SystemVolts  int // 12 or 24
	Batteries    int // at 24 V in series in pairs, at 12 V in parallel
	Gearbox      Gearbox
	Parked       Parked
	InServiceOn  Opt[Date]
	NoStartCost  Opt[Money] // what one failed start costs: call-out, lost work
	VIN          string
	StartsPerDay Opt[float64]
	Criticality  Opt[int] // 1 spare … 5 must start
}

// BatteriesInSeries is how many 12 V batteries make up the system voltage.
func (u Unit) BatteriesInSeries() int { return max(1, u.SystemVolts/12) }
