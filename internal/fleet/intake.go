package fleet

import (
	"errors"
	"time"
)

// Kind is what a file or a batch brings; the names are those of the interchange files.
type Kind string

// The kinds, in the order that their references need.
const (
	DepotsKind       Kind = "depots"
	VehiclesKind     Kind = "vehicles"
	BatteriesKind    Kind = "batteries"
	StartersKind     Kind = "starters"
	TestsKind        Kind = "battery_tests"
	CranksKind       Kind = "crank_events"
	BreakdownsKind   Kind = "breakdowns"
	TemperaturesKind Kind = "temperatures"
)

// Kinds lists all kinds in the order in which files must be taken, so that what a row refers to is already there.
func Kinds() [8]Kind {
	return [8]Kind{DepotsKind, VehiclesKind, BatteriesKind, StartersKind, TestsKind, CranksKind, BreakdownsKind, TemperaturesKind}
}

// ErrRowsThere says that some rows of a file are there already, or twice in the file, so that it must be loaded with care:
// take the file back, and add its rows anew.
var ErrRowsThere = errors.New("some of the rows are there already")

// FileResult is what became of one file: Rows = Taken + AlreadyThere + KeptApart, unless it was Refused whole.
type FileResult struct {
	File         string
	Kind         Kind
	Rows         int64
	Taken        int64
	AlreadyThere int64
	KeptApart    int64
	Refused      string // the reason; empty: the file was read
}

// KeptRow is a row that was not taken. Header and Fields hold it as it came, so that it can be mended and taken later.
type KeptRow struct {
	File   string
	Line   int64 // on which the row begins; the header is line 1
	Kind   Kind
	Unit   string // as written
	Depot  DepotID
	Column string
	Value  string
	Reason string
	Header []string
	Fields []string

	DecimalComma bool   // the file was one in which a comma may stand for the decimal point
	Key          string // names a row that waits to be mended; empty for one that is not stored
	Import       int64  // the newest that brought it; 0 for one that is not stored
}

// Import is one call that brought files or a batch.
type Import struct {
	ID        int64
	StartedAt time.Time
	Source    string
	Files     []FileResult
}

// KeptFilter narrows the rows that wait to be mended; what is empty narrows nothing.
type KeptFilter struct {
	Of     []DepotID // who asks may see these; nil: all, and rows whose depot is unknown
	Depot  DepotID
	Kind   Kind
	File   string
	Import int64
	Column string
	Reason string
	Value  *string // nil: any; else exactly this, which may be empty
	// Only rows in which the column With, as its header names it, holds Is. With empty narrows nothing.
	With, Is string
	After    string // rows are listed in the order of their keys, from after this one; only with ByKey
	ByKey    bool   // else newest import first
	Limit    int    // 0: all
	Offset   int
}

// KeptAlike are rows kept apart for one reason in one column with one value.
type KeptAlike struct {
	Kind   Kind
	Column string
	Value  string
	Reason string
	Rows   int64
}

// Mend is a row kept apart, with the header and the fields that it has once it is mended.
type Mend struct {
	Row    KeptRow
	Header []string
	Fields []string
}

// SettledRow is a row that waits no longer: taken once mended, or set aside for good.
type SettledRow struct {
	KeptRow
	Aside        bool     // set aside; else taken
	Note         string   // why it was set aside
	MendedHeader []string // of a row that was taken
	MendedFields []string
	Person       string // who did it
	At           time.Time
}

// Row is one row of an interchange file, parsed: a pointer to one of the nouns. Loaders tell the nouns apart by type.
type Row interface{ Kind() Kind }

// Kind says which file brings depots.
func (Depot) Kind() Kind { return DepotsKind }

// Kind says which file brings units.
func (Unit) Kind() Kind { return VehiclesKind }

// Kind says which file brings fittings of batteries.
func (BatteryFitting) Kind() Kind { return BatteriesKind }

// Kind says which file brings fittings of starters.
func (StarterFitting) Kind() Kind { return StartersKind }

// Kind says which file brings battery tests.
func (Test) Kind() Kind { return TestsKind }

// Kind says which file brings cranks.
func (Crank) Kind() Kind { return CranksKind }

// Kind says which file brings breakdowns.
func (Breakdown) Kind() Kind { return BreakdownsKind }

// Kind says which file brings days' temperatures.
func (DayTemp) Kind() Kind { return TemperaturesKind }
