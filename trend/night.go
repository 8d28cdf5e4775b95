package trend

import (
	"math"

	"rimeyard/internal/fleet"
)

// Night is the chance of a failed start tomorrow morning, by tonight's low.
func (o Outlook) Night() fleet.NightCurve {
	limit, variance := o.limitAt(0)
	return fleet.NightCurve{LimitC: limit - o.offsetC, SDC: math.Sqrt(variance), SpreadC: o.nightSD, Spared: o.spared, Quiet: -math.Expm1(-o.quietDaily)}
}

// MorningAt is the chance that one start fails after a night with the given low. The doubt about the limit and what differs from
// night to night are both normal, so their sum is (golden set integrals, E[Φ((a+bZ)/c)]).
func MorningAt(n fleet.NightCurve, lowC float64) float64 {
	cold := normalCDF((n.LimitC - lowC) / math.Hypot(n.SDC, n.SpreadC))
	return risen((n.Spared + (1-n.Spared)*(1-cold)) * (1 - n.Quiet))
}

// IfLimitAt is the outlook if the limit truly lay z standard deviations off its middle now: what a test that tells the limit would leave.
func (o Outlook) IfLimitAt(z float64) Outlook {
	_, now := o.limitAt(0)
	o.levelC += z * math.Sqrt(now)
	first := o.sdC[0]
	for i, sd := range o.sdC {
		o.sdC[i] = math.Sqrt(max(0, sd*sd-first*first))
	}
	o.startVar = 0
	return o
}

// RestRead tells whether the unit's rest volts were ever read.
func (t *Track) RestRead() bool {
	for i := range t.Weeks {
		if t.Weeks[i].Rest.N > 0 {
			return true
		}
	}
	for i := range t.Tests {
		if t.Tests[i].Rest.N > 0 {
			return true
		}
	}
	return false
}
