package trend

import (
	"fmt"

	"rimeyard/internal/fleet"
)

// Track is one unit's history as the filter needs it: a row per week with cranks, the tests, the changes of parts and the
// starts that went wrong. It depends on nothing but the history, the weather and the as-of date.
type Track struct {
	Unit      fleet.UnitID
	Depot     fleet.DepotID
	AsOf      fleet.Date
	Group     string // class, fuel and volts: units of one group share what is learned
	Fuel      fleet.Fuel
	Chemistry fleet.Chemistry // of the battery fitted now
	Part      string          // of the battery fitted now
	Series    int             // 12 V batteries in series
	Positions int
	RatedCCAA float64 // amperes of one battery, mean over positions; 0: unknown
	Rated     float64 // ln of the amperes that meet the starter, for units of one class; 0: unknown

	FirstWeek, AsOfWeek int     // weeks from Monday 1969-12-29
	AgeWeeks            float64 // of the battery in FirstWeek; negative: unknown
	OilOffsetC          float64 // block heater
	NightOffsetC        float64 // dawn air where the unit stands, less the depot's
	StartsPerDay        float64 // nights out of 7 with a cold start in the morning
	BookedOffsetC       float64 // the last two by the books alone, should its cranks turn out to be another unit's
	BookedStarts        float64
	HasLogger           bool

	Changes    []Change
	Weeks      []WeekRow
	Tests      []TestRow
	Events     []Event // slow and failed starts, oldest first
	Starts     []int8  // °C of every cold start that went well, week by week
	Breakdowns []Failure
	Lives      []Life     // of its batteries, in weeks
	Coldest    ColdCrank  // of the last 90 days
	LastDay    fleet.Date // of any reading; 0: none
	Odd        Oddities

	then  *Track // as it was on the settled day; a track that is settled has none
	print uint64 // of a settled one: what learning reads of it but for its key
	// Of a track that was let go, whose rows are gone: how its tests went on, and print.
	rowsGone bool
	courses  []course
}

// Change is a part that was renewed, or (Share < 1) one battery of several.
type Change struct {
	Week  int
	Part  fleet.Part
	Share float64 // of the unit's batteries
	Day   fleet.Date
}

// Mean is the middle of several values, with how many they were.
type Mean struct {
	Y float64
	N int
}

// WeekRow is what the cold cranks of one week say. Each Y is already turned to one temperature by the circuit of circuit.go, so
// what is left of temperature is learned.
type WeekRow struct {
	Week                    int
	TemperatureC            float64 // mean of the cranks
	Sag                     Mean    // ln of the ohmic drop under the mean volts, in units of the rated battery
	Low                     Mean    // ln((rest − min) / min)
	Current, Speed, Seconds Mean    // ln of current / rated, of rpm and of ms, the first without the oil's part
	Rest                    Mean    // V per battery before the first crank of a day
	RestLowV                float64 // the lowest of Rest
	MeanV, LowV             float64 // mean of the cold cranks' mean and lowest volts, of the system as read; 0: none
	RestStopV               float64 // mean of Rest after stops of LongStop or more; 0: none
	ColdestC                float64 // coldest start that went well
	From, To                int     // its starts in Track.Starts
}

// TestRow is one day's tests of a unit's batteries, taken together: in series resistances add, in parallel conductances do.
type TestRow struct {
	Day         fleet.Date
	Week        int
	Device      string // tester and standards; tests that share it share its error
	CCA         Mean   // ln(shown / rated), charge allowed for; N counts positions
	Load, Ohm   Mean   // ln of the resistance in units of the rated battery
	Rest        Mean   // V
	ShownA      float64
	RatedA      float64
	RestSpreadV float64 // between positions
	SpreadLn    float64 // of shown/rated between positions
}

// Event is a cold start that was slow or failed.
type Event struct {
	Day          fleet.Date
	Week         int
	TemperatureC float64
	Failed       bool
	Weight       float64 // 1; less where the cause is doubtful
	Click        bool    // no crank, volts near rest: the current never flowed
	FromRow      bool    // seen by a logger, not only in the breakdown book
}

// Failure is a breakdown because of the starting system.
type Failure struct {
	Day   fleet.Date
	Cause fleet.Part
}

// ColdCrank is one crank to show to people: system volts as they were read.
type ColdCrank struct {
	Day          fleet.Date
	TemperatureC float64
	V            float64 // mean while cranking, else the lowest; 0: none
	Lowest       bool
}

// Oddities counts what hygiene did with a unit's rows.
type Oddities struct {
	Doubles, OutOfGate, Fahrenheit int
	Strays                         int // cranks of another unit's logger
}

const firstMonday fleet.Date = -3 // 1969-12-29

func weekOf(d fleet.Date) int { return int(d-firstMonday) / 7 }

func mondayOf(week int) fleet.Date { return firstMonday + fleet.Date(7*week) }

func groupOf(u fleet.Unit) string { return fmt.Sprintf("%s/%s/%d", u.Class, u.Fuel, u.SystemVolts) }
