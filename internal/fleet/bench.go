package fleet

import "time"

// BenchOutcome is what became of a test that was typed in at the bench.
type BenchOutcome string

// The outcomes. What conflicts or is refused is kept apart like a row of a file, and can be mended.
const (
	BenchTaken        BenchOutcome = "taken"
	BenchAlreadyThere BenchOutcome = "already_there" // the very same test stands already
	BenchConflict     BenchOutcome = "conflict"      // another test of the same unit, minute and position stands
	BenchRefused      BenchOutcome = "refused"
	BenchSetAside     BenchOutcome = "set_aside" // a person decided to leave it out
)

// BenchEntry is one test as it was sent, under the key that the phone gave it before it had a signal. Sent again, it is answered as before.
type BenchEntry struct {
	Entry      string
	Unit       string  // as typed
	Depot      DepotID // of the unit; empty: no such unit is known
	At         time.Time
	By         string            // who is signed in on the phone; who tested may be another, and stands in the row
	Phone      string            // name of the kept phone; empty: sent with a sign-in
	Row        map[string]string // the row of battery_tests as typed, by column
	Outcome    BenchOutcome
	Reason     string // why it was not taken
	KeptRow    string // key of the row kept apart; empty: none waits
	ReceivedAt time.Time
}

// BenchUnit is a unit with the few facts that a test is held against in the yard.
type BenchUnit struct {
	Unit      Unit
	Batteries []BatteryFitting // fitted now, by position
	// Tests are the newest of each position, and the newest that has cold cranking amps; newest first.
	Tests []Test
}

// BenchPhone is a phone that a person keeps for the bench of one depot. Its token is never stored, only its SHA-256.
type BenchPhone struct {
	Name        string // unique
	Depot       DepotID
	Person      string
	Fingerprint string // of the person's password and sign-ins when it was kept; another one opens nothing
	MadeAt      time.Time
	LastUsedAt  time.Time // zero: never
	Revoked     bool
}
