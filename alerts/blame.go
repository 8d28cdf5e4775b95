package alerts

import (
	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// blame shares a failed start out among the parts. Shares are rounded as they are shown, and sum to 1.
func blame(s trend.State) map[fleet.Part]float64 {
	shares, left := s.Suspects(), 1.0
	suspects := fleet.Suspects()
	for _, part := range suspects[1:] {
		shares[part] = round(shares[part], 4)
		left -= shares[part]
	}
	shares[suspects[0]] = max(0, round(left, 4))
	return shares
}

// worst is the part with the largest share; of equals the first in the order of suspects.
func worst(shares map[fleet.Part]float64) fleet.Part {
	suspects := fleet.Suspects()
	best := suspects[0]
	for _, part := range suspects[1:] {
		if shares[part] > shares[best] {
			best = part
		}
	}
	return best
}
