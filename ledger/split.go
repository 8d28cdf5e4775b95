package ledger

import (
	"cmp"
	"math/bits"
	"slices"

	"rimeyard/internal/fleet"
)

// Split shares out an amount by weights, so that the shares add up to it to the cent: each gets the whole cents of its exact share, and
// the cents that are left go one each to the largest remainders, of equal ones to the first (the method of largest remainders, also
// named after Hamilton). Weights below zero count as zero; where all are zero, all are alike. Of nothing to share among: nil.
func Split(amount fleet.Money, weights []int64) []fleet.Money {
	if len(weights) == 0 {
		return nil
	}
	w := make([]uint64, len(weights))
	total := uint64(0)
	for i := range weights {
		w[i] = uint64(max(0, weights[i]))
		total += w[i]
	}
	if total == 0 {
		for i := range w {
			w[i] = 1
		}
		total = uint64(len(w))
	}
	sign, whole := fleet.Money(1), uint64(amount)
	if amount < 0 {
		sign, whole = -1, -whole
	}
	shares, rest, order := make([]fleet.Money, len(w)), make([]uint64, len(w)), make([]int, len(w))
	left := whole
	for i := range w {
		high, low := bits.Mul64(whole, w[i])
		share, remainder := bits.Div64(high, low, total) // high < total, as w[i] ≤ total
		shares[i], rest[i], order[i] = fleet.Money(share), remainder, i
		left -= share
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(rest[b], rest[a]) })
	for _, i := range order[:left] {
		shares[i]++
	}
	for i := range shares {
		shares[i] *= sign
	}
	return shares
}

// perHour is what so many minutes cost, half a cent away from zero.
func perHour(rate fleet.Money, minutes int) fleet.Money { return ratio(rate, int64(minutes), 60) }

// ratio is m · over / under, half a cent away from zero, for under above zero.
func ratio(m fleet.Money, over, under int64) fleet.Money {
	n := int64(m) * over
	if n < 0 {
		return fleet.Money(-((-2*n + under) / (2 * under)))
	}
	return fleet.Money((2*n + under) / (2 * under))
}
