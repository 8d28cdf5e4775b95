package main

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"runtime"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
	"rimeyard/trend"
)

// lessonOf is what one fleet teaches by itself, its last season included.
func lessonOf(ctx context.Context, f *proving.Fleet) (trend.Params, error) {
	depots := map[fleet.DepotID]fleet.Depot{}
	for _, d := range f.Depots {
		depots[d.ID] = d
	}
	asOf := f.Season.To + 1
	weather := trend.NewWeather(f.Depots, f.Temps, asOf)
	tracks := make([]trend.Track, len(f.Histories))
	for i, h := range f.Histories {
		tracks[i] = trend.Compress(h, depots[h.Unit.Depot], weather, asOf)
	}
	return trend.LearnFrom(ctx, tracks, weather, runtime.GOMAXPROCS(0), trend.WidePrior())
}

// writePrior draws together what fleets have in common: the centre of a weight is the mean over fleets, its spread how they differ, never
// less than a floor.
func writePrior(file string, learned []trend.Params) error {
	prior := trend.WidePrior()
	for i := range prior.Level {
		prior.Level[i], prior.LevelSD[i] = drawn(learned, 1.5, func(p *trend.Params) float64 { return p.Foresight.Level[i] })
		prior.Growth[i], prior.GrowthSD[i] = drawn(learned, 1, func(p *trend.Params) float64 { return p.Foresight.Growth[i] })
	}
	prior.LevelSD[0] = wideLevelSD
	for i, of := range []func(*trend.Foresight) float64{
		func(f *trend.Foresight) float64 { return f.StartSDC }, func(f *trend.Foresight) float64 { return f.GrowSDC },
		func(f *trend.Foresight) float64 { return f.NightSDC },
	} {
		prior.LogSD[i], _ = drawn(learned, 0.3, func(p *trend.Params) float64 { return math.Log(of(&p.Foresight)) })
	}
	prior.Spared, prior.SparedSD = drawn(learned, 0.5, func(p *trend.Params) float64 { return math.Log(p.Foresight.Spared / (1 - p.Foresight.Spared)) })
	for i := range prior.Quiet {
		prior.Quiet[i], prior.QuietSD[i] = drawn(learned, 0.3, func(p *trend.Params) float64 { return p.Foresight.Quiet[i] })
	}
	for k := range prior.Causes {
		for i := range prior.Causes[k] {
			prior.Causes[k][i], _ = drawn(learned, 0, func(p *trend.Params) float64 { return p.Causes[k][i] })
		}
	}
	prior.Unread = unreadOf(learned)
	return savePrior(file, &prior)
}

func savePrior(file string, prior *trend.Prior) error {
	text, err := json.MarshalIndent(prior, "", "\t")
	if err != nil {
		return fmt.Errorf("write %s: %w", file, err)
	}
	return os.WriteFile(file, append(text, '\n'), 0o644)
}

// offTruth is how far what the product says of fleets, with the prior that it was built with, lies from the truth.
type offTruth struct {
	fleets          []offLimits
	chance, settled float64 // squares of true less stated chances, and what they would be if the fate of every unit were settled
}

// offLimits are those of one fleet, °C: true less stated, and the stated standard deviation.
type offLimits struct {
	off, stated []float64
	taught      float64 // Foresight.Taught
}

func (o *offTruth) add(j *judged, futures int) {
	l := offLimits{taught: j.taught}
	for _, c := range j.cases {
		if p, chance := c.Said.P, c.Truth.Chance; !math.IsNaN(chance) && futures > 1 { // a count of futures errs by itself
			o.chance += (chance-p)*(chance-p) - chance*(1-chance)/float64(futures-1)
			o.settled += p * (1 - p)
		}
		limit, known := c.Said.LimitC.Get()
		if !known || math.IsInf(c.Truth.ColdLimitC, 0) || math.IsNaN(c.Truth.ColdLimitC) {
			continue
		}
		l.off = append(l.off, c.Truth.ColdLimitC-limit)
		l.stated = append(l.stated, (c.Said.Limit80.High.Or(limit)-c.Said.Limit80.Low.Or(limit))/2/proving.Normal90)
	}
	if len(l.off) > 0 {
		o.fleets = append(o.fleets, l)
	}
}

// limits are by how much stated limits are to be moved, and their spread widened, for as many true ones to lie above as below in the
// middle fleet, and four in five inside the 80 % interval in three of four fleets: the next may be unlike all of them. A few limits that are
// far off count no more than others.
func (o *offTruth) limits() (shiftC, widen float64) {
	var shifts, widenings []float64
	for _, f := range o.fleets {
		if f.taught > 0 {
			shifts = append(shifts, quantile(f.off, 0.5)/f.taught)
		}
	}
	shiftC = quantile(shifts, 0.5)
	for _, f := range o.fleets {
		far := make([]float64, len(f.off))
		for i, off := range f.off {
			far[i] = math.Abs(off-shiftC*f.taught) / f.stated[i]
		}
		widenings = append(widenings, quantile(far, 0.8)/proving.Normal90)
	}
	return shiftC, quantile(widenings, 0.75)
}

// correctPrior writes into the file of the prior that the product was built with what its limits are to be shown as, and how far the fate of
// units is settled. Only fleets whose truth is known can tell.
func correctPrior(file string, o *offTruth) error {
	text, err := os.ReadFile(file)
	if err != nil {
		return fmt.Errorf("correct the prior: %w", err)
	}
	var prior trend.Prior
	if err := json.Unmarshal(text, &prior); err != nil {
		return fmt.Errorf("correct the prior in %s: %w", file, err)
	}
	if len(o.fleets) > 0 {
		shift, widen := o.limits()
		prior.ShownShiftC, prior.ShownWiden = math.Round(10*(prior.ShownShiftC+shift))/10, math.Round(100*prior.ShownWiden*widen)/100
	}
	if o.settled > 0 {
		prior.Settled = math.Round(100*o.chance/o.settled) / 100
	}
	return savePrior(file, &prior)
}

// unreadOf is what units that are read are like, on average over fleets.
func unreadOf(learned []trend.Params) (u trend.Unread) {
	mean := func(of func(*trend.Unread) float64) float64 {
		m, _ := drawn(learned, 0, func(p *trend.Params) float64 { return of(&p.Unread) })
		return m
	}
	for i := range u.SpreadC {
		u.SpreadC[i], u.AgeC[i] = mean(func(u *trend.Unread) float64 { return u.SpreadC[i] }), mean(func(u *trend.Unread) float64 { return u.AgeC[i] })
		u.All.LimitC[i] = mean(func(u *trend.Unread) float64 { return u.All.LimitC[i] })
	}
	for i := range u.All.Signs {
		u.All.Signs[i] = mean(func(u *trend.Unread) float64 { return u.All.Signs[i] })
	}
	u.All.Age = mean(func(u *trend.Unread) float64 { return u.All.Age })
	for i := range learned { // rates are too small to be rounded like the rest
		u.All.Quiet += learned[i].Unread.All.Quiet / float64(len(learned))
	}
	u.All.Quiet = math.Round(1e6*u.All.Quiet) / 1e6
	return u
}

const wideLevelSD = 1.0 // as in the wide prior: a fleet's own tail says little of its middle

// drawn is the mean over fleets and one and a half times their spread about it, at least floor: another fleet may be unlike all of them. Rounded: more digits would say nothing.
func drawn(learned []trend.Params, floor float64, of func(*trend.Params) float64) (mean, sd float64) {
	n := float64(len(learned))
	for i := range learned {
		mean += of(&learned[i]) / n
	}
	for i := range learned {
		sd += (of(&learned[i]) - mean) * (of(&learned[i]) - mean) / max(1, n-1)
	}
	round := func(x float64) float64 { return math.Round(100*x)/100 + 0 }
	return round(mean), round(max(floor, 1.5*math.Sqrt(sd)))
}
