package fleet

import "time"

// FaultSearch is a search for what stops a unit from cranking, as it is kept: left, and gone on with by anybody who may see it.
type FaultSearch struct {
	ID        int64
	Unit      UnitID  // empty: a vehicle that is not recorded
	Depot     DepotID // of the unit, else whose people may see the search; empty: only those who see all depots
	Begun     []byte  // as it began, in JSON: what was known, before any answer
	Step      int     // grows with every change, so that two phones do not overwrite each other
	Answers   []FaultAnswer
	StartedAt time.Time
	StartedBy string
	ChangedAt time.Time
	ChangedBy string
	EndedAt   time.Time // zero: it is open
	EndedBy   string
	Finding   []byte // in JSON; empty: there is none yet
	Job       int64  // that was opened for it; 0: none
}

// Open tells whether it can be gone on with.
func (s FaultSearch) Open() bool { return s.EndedAt.IsZero() }

// Standing are the answers that were not taken back.
func (s FaultSearch) Standing() (standing []FaultAnswer) {
	for _, a := range s.Answers {
		if a.TakenBackAt.IsZero() {
			standing = append(standing, a)
		}
	}
	return standing
}

// FaultAnswer is what was said to one check. It is never changed, only taken back.
type FaultAnswer struct {
	Step        int // of the search, to which it led
	Check       string
	Answer      string
	Value       Opt[float64] // as measured; unknown: no figure was given
	By          string
	At          time.Time
	TakenBackAt time.Time // zero: it stands
	TakenBackBy string
}

// FaultChange is a change of a search as somebody saw it.
type FaultChange struct {
	Search  int64
	Step    int // that was seen: if it is no longer that of the search, nothing is changed
	By      string
	At      time.Time
	Finding []byte // of the search afterwards, in JSON; empty: none
}

// FaultFilter narrows a list of searches.
type FaultFilter struct {
	Of    []DepotID // nil: all
	Unit  UnitID    // empty: all
	Open  Opt[bool] // unknown: both
	Found bool      // only those with a finding
	Limit int       // 0: all
}

// ClassNote is what the fleet has written down for the work on a class of units.
type ClassNote struct {
	Class     string
	Notes     []byte // in JSON
	ChangedAt time.Time
	ChangedBy string
}
