package trend

import (
	"context"
	"math"

	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
)

// learnForesight seeks how far forecasts made before past seasons erred, given the nights that then came: the posterior mode of
// four numbers by pattern search (Hooke and Jeeves 1961). They are degrees and rates, not odds, so a winter harder than any on
// record is judged by the same circuit.
func (l *learner) learnForesight(ctx context.Context, cases []pastCase) error {
	if len(cases) == 0 {
		return nil
	}
	at := [4]float64{0, 0, 0, 0} // °C, °C, °C per √week, ln factor
	step := [4]float64{3, 3, 0.6, 0.5}
	value, err := l.foresightScore(ctx, cases, at)
	const halvings = 5
	for range halvings {
		for moved := true; moved; {
			moved = false
			for i := range at {
				for _, sign := range [2]float64{1, -1} {
					next := at
					next[i] += sign * step[i]
					if (i == 1 || i == 2) && next[i] < 0 {
						continue
					}
					v, err := l.foresightScore(ctx, cases, next)
					if err != nil {
						return err
					}
					if v > value+0.01 {
						value, at, moved = v, next, true
						break
					}
				}
			}
		}
		for i := range step {
			step[i] /= 2
		}
	}
	l.params.Foresight = foresightOf(at)
	return err
}

func foresightOf(at [4]float64) Foresight {
	return Foresight{at[0], at[1], at[2], math.Exp(at[3])}
}

// foresightScore is the log posterior: shift N(0, 5²), spread and growth half-normal with 5 and 1.5, ln factor N(0, 0.7²).
func (l *learner) foresightScore(ctx context.Context, cases []pastCase, at [4]float64) (float64, error) {
	f := foresightOf(at)
	parts := make([]float64, (len(cases)+chunk-1)/chunk)
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(l.workers)
	for i := range parts {
		group.Go(func() error {
			for _, c := range cases[i*chunk : min(len(cases), (i+1)*chunk)] {
				p := c.outlook[0].foreseen(f).Risk(c.dawns, c.ahead, 0, nil)
				parts[i] += c.failed*math.Log(p) + (1-c.failed)*math.Log1p(-p)
			}
			return ctx.Err()
		})
	}
	if err := group.Wait(); err != nil {
		return 0, err
	}
	sum := 0.0
	for i, sd := range [4]float64{5, 5, 1.5, 0.7} {
		sum -= at[i] * at[i] / (2 * sd * sd)
	}
	for _, p := range parts {
		sum += p
	}
	return sum, nil
}

// learnBlame weighs each part's repair so that the blame laid on units that failed in past seasons adds up to the breakdown book's
// counts, as if three failures of each part had been blamed rightly before.
func (l *learner) learnBlame(cases []pastCase) {
	const before, rounds = 3.0, 10
	factor := l.params.Blame
	for range rounds {
		counted, laid := map[fleet.Part]float64{}, map[fleet.Part]float64{}
		for i := range cases {
			c := &cases[i]
			if c.failed == 0 {
				continue
			}
			counted[c.cause]++
			var score [len(pastParts)]float64
			sum := 0.0
			whole := c.outlook[0].foreseen(l.params.Foresight).Risk(c.dawns, c.ahead, 0, nil)
			for j, part := range pastParts[1:] {
				healed := c.outlook[j+1].foreseen(l.params.Foresight).Risk(c.dawns, c.ahead, 0, nil)
				score[j] = factor[part]*max(0, whole-healed) + BookWeight*l.params.Shares[part]
				sum += score[j]
			}
			for j, part := range pastParts[1:] {
				laid[part] += score[j] / sum
			}
		}
		next := map[fleet.Part]float64{}
		for _, part := range pastParts[1:] {
			next[part] = min(8, max(0.125, factor[part]*(counted[part]+before)/(laid[part]+before)))
		}
		factor = next
	}
	l.params.Blame = factor
}

// BookWeight is how much of a season's chance goes by the fleet's breakdown book instead of by a unit's own readings when blame is
// laid.
const BookWeight = 0.02
