package alerts

import (
	"iter"

	"rimeyard/internal/fleet"
)

// Method names the version of the computation; it is kept with every issue.
const Method = "nightly-limit-1"

// Input is all that a list is made from. Histories may be whole: what is dated on AsOf or later is not looked at, in Temps
// neither. Rows may be in any order.
type Input struct {
	AsOf      fleet.Date
	Depots    []fleet.Depot
	Temps     map[fleet.DepotID][]fleet.DayTemp
	Histories iter.Seq2[fleet.History, error] // one per unit; the first error ends the work
	// Units are those whose histories come, and Again brings some of them once more. With both, a large fleet takes little more memory than
	// the units that teach; else the weekly rows of all stay. The list is the same.
	Units   []fleet.Unit
	Again   func(units []fleet.Unit) iter.Seq2[fleet.History, error]
	Workers int // 0: one
	// Kept is what another list learned, of whatever day; nil: nothing is kept. It spares learning where the fleet would teach the same, as it
	// does within a month, and changes no list.
	Kept     *Learned
	Progress func(done int) // called from one goroutine at a time with the units read so far; may be nil
}
