package alerts

import (
	"rimeyard/internal/fleet"
	"rimeyard/trend"
)

// blame shares a failed start out among the parts: by how much the season's chance would fall if that part alone were as good as new,
// plus a little by how often each part was to blame in this fleet. Shares sum to 1.
func (f *judged) blame(s trend.State, w depotWinters, p float64) map[fleet.Part]float64 {
	score := map[fleet.Part]float64{}
	sum := 0.0
	for _, part := range fleet.Suspects() {
		healthy, _ := f.chance(s, w, part)
		score[part] = f.params.Blame[part]*max(0, p-healthy) + trend.BookWeight*f.params.Shares[part]
		sum += score[part]
	}
	shares, left := map[fleet.Part]float64{}, 1.0
	suspects := fleet.Suspects()
	for _, part := range suspects[1:] {
		shares[part] = round(score[part]/sum, 4)
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
