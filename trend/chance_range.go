package trend

import "gonum.org/v1/gonum/mathext"

// ChanceRange is the 90 % interval of a unit's true chance, which only who took it apart would know, where its readings give chance: some
// of those that read alike have a fault that is not seen yet, most have none. Their true chances are taken for beta distributed about the
// stated one (Skellam 1948), with the share Params.Shown.Settled of the variance that they would have if each were 0 or 1. The stated
// chance itself is never left out, which the two ends would do where nearly none has the fault.
func (p Params) ChanceRange(chance float64) (p05, p95 float64) {
	settled := p.Shown.Settled
	if settled == 0 { // kept by a version that did not know of it
		settled = taught.Settled
	}
	k := 1/min(settled, 0.95) - 1
	chance = min(max(chance, 1e-6), 1-1e-6)
	a, b := k*chance, k*(1-chance)
	return min(chance, mathext.InvRegIncBeta(a, b, 0.05)), max(chance, mathext.InvRegIncBeta(a, b, 0.95))
}
