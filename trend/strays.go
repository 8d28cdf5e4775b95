package trend

import (
	"math/bits"

	"rimeyard/internal/fleet"
)

// strays finds cranks that another unit's logger has written: they carry a figure which the unit's own logger does not give. It looks back
// only, so that a row is taken or not whatever comes after it; of a new logger that gives more the first rows are lost.
type strays struct {
	n       int
	figures [strayWindow]uint8 // of the rows before, as bits
	count   [8]int             // how many of them give each figure
}

const (
	strayWindow = 40
	// A figure that fewer rows before give is another logger's: one after eight rows, two after 22, three after 36. Where one row in fifty is
	// under a wrong number, three of forty are reached once in twenty times.
	strayFew, strayFirst, strayStep = 3, 6, 14
)

func figuresOf(row *fleet.Crank) (given uint8) {
	for i, known := range [...]bool{
		row.MinV.IsKnown(), row.MeanV.IsKnown(), row.RestV.IsKnown(), row.DurationMs.IsKnown(), row.CurrentA.IsKnown(), row.RPM.IsKnown(), row.CoolantC.IsKnown(),
	} {
		if known {
			given |= 1 << i
		}
	}
	return given
}

// is tells whether a row is a stray one, and remembers it.
func (s *strays) is(row *fleet.Crank) bool {
	given := figuresOf(row)
	few := min(strayFew, (s.n+strayFirst)/strayStep)
	stray := false
	for left := given; left != 0; left &= left - 1 {
		stray = stray || s.count[bits.TrailingZeros8(left)] < few
	}
	old := &s.figures[s.n%strayWindow]
	for left := *old; left != 0; left &= left - 1 {
		s.count[bits.TrailingZeros8(left)]--
	}
	for left := given; left != 0; left &= left - 1 {
		s.count[bits.TrailingZeros8(left)]++
	}
	*old = given
	s.n++
	return stray
}
