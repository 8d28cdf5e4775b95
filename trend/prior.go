package trend

import (
	_ "embed"
	"encoding/json"
	"math"
)

// Prior is what is thought of limits and causes before a fleet's own seasons are looked at: centres and spreads.
type Prior struct {
	Level, LevelSD   [signCount]float64 // °C
	Growth, GrowthSD [signCount]float64
	LogSD            [spreads]float64 // ln of StartSDC, GrowSDC, NightSDC
	LogSDSD          float64
	Quiet, QuietSD   [quietCount]float64
	Spared, SparedSD float64 // ln of the odds of Foresight.Spared
	Causes           Causes
	CausesSD         float64
	Unread           Unread
	// What limits are shown as: the more of a fleet's units have failed, the more the fit goes by the warm tail of its limits, and only other
	// fleets tell how far above it the middle lies.
	ShownShiftC, ShownWiden float64
	// Settled is how far the fate of a unit is settled by what no reading tells, 0 to 1 ([Params.ChanceRange]).
	Settled float64
}

const spreads = 3

// WidePrior knows next to nothing: a new battery in a
// sound circuit starts well below the −18 °C that its rating is stated at, and the circuit's limit counts.
func WidePrior() Prior {
	p := Prior{
		LogSD: [spreads]float64{math.Log(4), math.Log(4), math.Log(2.5)}, LogSDSD: 0.9,
		Spared: -2.2, SparedSD: 0.7,
		Quiet: [quietCount]float64{math.Log(1.0 / 3650), 1.5, 0, 0}, QuietSD: [quietCount]float64{1, 1, 0.3, 0.5}, CausesSD: 0.5, ShownWiden: 1, Settled: 0.6,
	}
	p.Level[signOne], p.Level[signLimit] = -25, 4
	for i := range signCount {
		p.LevelSD[i], p.GrowthSD[i] = 3, 2
	}
	p.LevelSD[signOne], p.GrowthSD[signOne] = 1, 2
	p.Unread.All.Quiet, p.Unread.All.Age = 1.0/3650, 0.6
	for i := range outlookWeeks {
		p.Unread.All.LimitC[i], p.Unread.SpreadC[i] = p.Level[signOne], 6
	}
	return p
}

func (p *Prior) foresight() Foresight {
	return Foresight{
		Level: p.Level, Growth: p.Growth, Quiet: p.Quiet, Group: map[string]float64{},
		Spared: shareOf(p.Spared), StartSDC: math.Exp(p.LogSD[0]), GrowSDC: math.Exp(p.LogSD[1]), NightSDC: math.Exp(p.LogSD[2]),
	}
}

// shown is how limits are shown where a fleet's own failures have taught so much.
func (p *Prior) shown(taught float64) Shown {
	const other = 0.35 // as a share: how much less sure limits are where only other fleets teach; set by fleets with one year of records
	return Shown{ShiftC: p.ShownShiftC * taught, Widen: p.ShownWiden * (1 + other*(1-taught)), Settled: p.Settled}
}

// shareOf turns ln of odds into a share.
func shareOf(logit float64) float64 { return 1 / (1 + math.Exp(-logit)) }

//go:embed prior.json
var priorText []byte

// taught is what simulated fleets of several physics have in common, each learned from by itself (internal/proving/prove -teach).
var taught = func() (p Prior) {
	if err := json.Unmarshal(priorText, &p); err != nil {
		panic("prior.json: " + err.Error())
	}
	for i, w := range worse {
		if p.Level[i]*w < 0 {
			p.Level[i] = 0
		}
		if p.Growth[i]*w < 0 {
			p.Growth[i] = 0
		}
	}
	return p
}()
