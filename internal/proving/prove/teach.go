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
func lessonOf(ctx context.Context, f *proving.Fleet) (l lesson, err error) {
	wide := trend.WidePrior()
	wide.ShownWiden = 1
	if l.params, _, err = learned(ctx, f, f.Season.To+1, wide); err != nil {
		return l, err
	}
	p, tracks, err := learned(ctx, f, f.AsOf, wide)
	if err != nil {
		return l, err
	}
	var off, squares, stated, n float64
	for _, t := range tracks {
		s, truth := trend.Estimate(t, p), f.Truth[t.Unit].ColdLimitC
		if math.IsInf(truth, 0) || math.IsNaN(truth) {
			continue
		}
		off, squares, stated, n = off+truth-s.ColdLimitC, squares+(truth-s.ColdLimitC)*(truth-s.ColdLimitC), stated+s.ColdLimitSDC*s.ColdLimitSDC, n+1
	}
	l.off, l.squares, l.stated = off/n, squares/n, stated/n
	return l, nil
}

// lesson is what was learned from one fleet, and how far its limits lay from the true ones on the as-of date.
type lesson struct {
	params               trend.Params
	off, squares, stated float64 // means of true less stated limits, of their squares and of the stated variance
}

func learned(ctx context.Context, f *proving.Fleet, asOf fleet.Date, prior trend.Prior) (trend.Params, []trend.Track, error) {
	depots := map[fleet.DepotID]fleet.Depot{}
	for _, d := range f.Depots {
		depots[d.ID] = d
	}
	weather := trend.NewWeather(f.Depots, f.Temps, asOf)
	tracks := make([]trend.Track, len(f.Histories))
	for i, h := range f.Histories {
		tracks[i] = trend.Compress(h, depots[h.Unit.Depot], weather, asOf)
	}
	p, err := trend.LearnFrom(ctx, tracks, weather, runtime.GOMAXPROCS(0), prior)
	return p, tracks, err
}

// writePrior draws together what fleets have in common: the centre of a weight is the mean over fleets, its spread how they differ, never
// less than a floor.
func writePrior(file string, lessons []lesson) error {
	var learned []trend.Params
	var shift, squares, stated float64
	for _, l := range lessons {
		learned = append(learned, l.params)
		n := float64(len(lessons))
		shift, squares, stated = shift+l.off/n, squares+l.squares/n, stated+l.stated/n
	}
	widen := math.Sqrt((squares - shift*shift) / stated) // about one shift for all fleets: another fleet's own is not known
	prior := trend.WidePrior()
	for i := range prior.Level {
		prior.Level[i], prior.LevelSD[i] = drawn(learned, 1.5, func(p *trend.Params) float64 { return p.Foresight.Level[i] })
		prior.Growth[i], prior.GrowthSD[i] = drawn(learned, 1, func(p *trend.Params) float64 { return p.Foresight.Growth[i] })
	}
	prior.LevelSD[0] = wideLevelSD
	prior.ShownShiftC, prior.ShownWiden = math.Round(10*shift)/10, math.Round(100*widen)/100
	for i, of := range []func(*trend.Foresight) float64{
		func(f *trend.Foresight) float64 { return f.StartSDC }, func(f *trend.Foresight) float64 { return f.GrowSDC },
		func(f *trend.Foresight) float64 { return f.NightSDC },
	} {
		prior.LogSD[i], _ = drawn(learned, 0.3, func(p *trend.Params) float64 { return math.Log(of(&p.Foresight)) })
	}
	for i := range prior.Quiet {
		prior.Quiet[i], prior.QuietSD[i] = drawn(learned, 0.3, func(p *trend.Params) float64 { return p.Foresight.Quiet[i] })
	}
	for k := range prior.Causes {
		for i := range prior.Causes[k] {
			prior.Causes[k][i], _ = drawn(learned, 0, func(p *trend.Params) float64 { return p.Causes[k][i] })
		}
	}
	prior.Unread = unreadOf(learned)
	text, err := json.MarshalIndent(prior, "", "\t")
	if err != nil {
		return fmt.Errorf("write %s: %w", file, err)
	}
	return os.WriteFile(file, append(text, '\n'), 0o644)
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
