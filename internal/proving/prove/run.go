package main

import (
	"cmp"
	"context"
	"fmt"
	"iter"
	"math"
	"runtime"
	"slices"
	"time"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
	"rimeyard/trend"
)

// judged is one fleet with what was said of it.
type judged struct {
	name string
	dirt bool
	list fleet.RankedList
	// taught is how far the fleet's own failures say where limits lie.
	taught float64
	rows   []row
	cases  []proving.Case
	took   took
}

// row is one way to judge the fleet: the forecast, the ceiling or a rule.
type row struct {
	Method string
	Score  proving.Score
	SE     proving.Score
}

// took says where the time went. Compress and Learn are of a run apart and zero unless asked for; Rank is the whole.
type took struct{ Compress, Learn, Rank time.Duration }

const (
	theForecast = "forecast"
	theCeiling  = "ceiling" // who knows the true state, but no future
)

// resamples of the units for standard errors: a deviation is known to 5 %.
const resamples = 200

// judge runs the forecast on f as it runs on a database, and scores it beside the ceiling and the rules in use today.
func judge(ctx context.Context, f *proving.Fleet, stages bool) (judged, error) {
	j := judged{name: f.Name}
	began := time.Now()
	issued, err := alerts.Issue(ctx, inputOf(f))
	if err != nil {
		return judged{}, err
	}
	j.took.Rank = time.Since(began)
	if stages {
		if j.took.Compress, j.took.Learn, err = timeStages(ctx, f); err != nil {
			return judged{}, err
		}
	}
	j.list = issued.List
	cases, err := casesOf(f, issued)
	if err != nil {
		return judged{}, err
	}
	j.cases, j.taught = cases, issued.Learned.Params.Foresight.Taught()
	j.add(theForecast, cases)
	if ceiling, known := ceilingOf(cases); known {
		j.add(theCeiling, ceiling)
	}
	rules, err := rulesOf(f, cases)
	if err != nil {
		return judged{}, err
	}
	for _, r := range rules {
		j.add(r.name, r.cases)
	}
	return j, nil
}

func (j *judged) add(method string, cases []proving.Case) {
	j.rows = append(j.rows, row{method, proving.ScoreOf(cases), proving.Bootstrap(cases, resamples, 1)})
}

func inputOf(f *proving.Fleet) alerts.Input {
	return alerts.Input{AsOf: f.AsOf, Depots: f.Depots, Temps: f.Temps, Histories: each(f.Histories), Workers: runtime.GOMAXPROCS(0)}
}

func each(histories []fleet.History) iter.Seq2[fleet.History, error] {
	return func(yield func(fleet.History, error) bool) {
		for _, h := range histories {
			if !yield(h, nil) {
				return
			}
		}
	}
}

// timeStages runs the first two stages by themselves, on one core each history after the other and on all cores for learning.
func timeStages(ctx context.Context, f *proving.Fleet) (compress, learn time.Duration, err error) {
	depots := map[fleet.DepotID]fleet.Depot{}
	for _, d := range f.Depots {
		depots[d.ID] = d
	}
	began := time.Now()
	weather := trend.NewWeather(f.Depots, f.Temps, f.AsOf)
	tracks := make([]trend.Track, len(f.Histories))
	for i, h := range f.Histories {
		tracks[i] = trend.Compress(h, depots[h.Unit.Depot], weather, f.AsOf)
	}
	compress, began = time.Since(began), time.Now()
	_, err = trend.Learn(ctx, tracks, weather, runtime.GOMAXPROCS(0))
	return compress, time.Since(began), err
}

// casesOf joins what was said with what is so, by unit.
func casesOf(f *proving.Fleet, issued alerts.Issued) ([]proving.Case, error) {
	var cases []proving.Case
	spans := map[fleet.UnitID]proving.Range{}
	for _, o := range issued.Outlooks {
		spans[o.Unit] = proving.Range{Low: o.ChanceP05, High: o.ChanceP95}
	}
	units := slices.Clone(issued.List.Units)
	slices.SortFunc(units, func(a, b fleet.Forecast) int { return cmp.Compare(a.Unit, b.Unit) })
	for _, u := range units {
		truth, known := f.Truth[u.Unit]
		p, said := u.NoStartProbability.Get()
		if !known || !said || math.IsNaN(p) {
			return nil, fmt.Errorf("unit %s: no truth or no probability", u.Unit)
		}
		cases = append(cases, proving.Case{Truth: truth, Said: proving.Said{
			P: p, PRange: spans[u.Unit], Suspect: u.Suspect, LimitC: u.ColdLimitC, Limit80: proving.Range{Low: u.ColdLimitP10C, High: u.ColdLimitP90C}, Limit90: limit90(&u),
		}})
	}
	if len(cases) != len(f.Truth) {
		return nil, fmt.Errorf("%d units were judged, of %d", len(cases), len(f.Truth))
	}
	return cases, nil
}

// ceilingOf says of each unit what who knows its true state would say; not known for a fleet of which no futures were drawn.
func ceilingOf(cases []proving.Case) (out []proving.Case, known bool) {
	out = make([]proving.Case, len(cases))
	for i, c := range cases {
		if math.IsNaN(c.Truth.Chance) {
			return nil, false
		}
		limit := fleet.Known(c.Truth.ColdLimitC)
		out[i] = proving.Case{Truth: c.Truth, Said: proving.Said{P: c.Truth.Chance, Suspect: c.Truth.Worst, LimitC: limit}}
	}
	return out, true
}

type rule struct {
	name  string
	cases []proving.Case
}

// rulesOf orders the units by the three rules in use today, read off the records by the audit. A rule gives no probability, so its
// rank stands in, and only the order can be judged; a unit of which it knows nothing stands in the middle.
func rulesOf(f *proving.Fleet, cases []proving.Case) ([]rule, error) {
	units, err := recordsOf(f, f.AsOf, f.Season, asKnown(f, f.AsOf))
	if err != nil {
		return nil, err
	}
	values := map[fleet.UnitID]alerts.Scored{}
	for _, u := range units {
		values[u.Unit] = u
	}
	ids := make([]fleet.UnitID, 0, len(f.Truth))
	for id := range f.Truth {
		ids = append(ids, id)
	}
	slices.Sort(ids)
	ordered := func(name string, of func(alerts.Scored) fleet.Opt[float64], sign float64) rule {
		value := make([]float64, len(ids))
		var known []float64
		for i, id := range ids {
			v, ok := of(values[id]).Get()
			value[i] = math.NaN()
			if ok {
				value[i] = sign * v
				known = append(known, value[i])
			}
		}
		slices.Sort(known)
		r := rule{name, slices.Clone(cases)}
		for i, v := range value {
			if math.IsNaN(v) && len(known) > 0 {
				v = known[len(known)/2]
			}
			at, _ := slices.BinarySearch(known, v)
			r.cases[i].Said = proving.Said{P: float64(at) / float64(len(known)+1)}
		}
		return r
	}
	return []rule{
		ordered("battery age", func(s alerts.Scored) fleet.Opt[float64] { return s.AgeYears }, 1),
		ordered("last test", func(s alerts.Scored) fleet.Opt[float64] { return s.TestPct }, -1),
		ordered("lowest volts", func(s alerts.Scored) fleet.Opt[float64] { return s.LowestV }, -1),
	}, nil
}

// recordsOf has the audit look at each unit as of a day: by the rules, and whether it broke down in what was left of the season.
// Units with a part taken out before they could fail are left out. With histories that end on asOf nobody is.
func recordsOf(f *proving.Fleet, asOf fleet.Date, season fleet.Season, histories []fleet.History) ([]alerts.Scored, error) {
	list := fleet.RankedList{AsOf: asOf, Season: season}
	for _, h := range histories {
		list.Units = append(list.Units, fleet.Forecast{Unit: h.Unit.ID, Depot: h.Unit.Depot, NoStartProbability: fleet.Known(0.0)})
	}
	r, err := alerts.Audit(alerts.AuditInput{List: list, Depots: f.Depots, Temps: f.Temps, Histories: each(histories)})
	return r.Units, err
}

// asKnown cuts every history at asOf.
func asKnown(f *proving.Fleet, asOf fleet.Date) []fleet.History {
	zones := map[fleet.DepotID]*time.Location{}
	for _, d := range f.Depots {
		zones[d.ID] = d.Zone()
	}
	out := make([]fleet.History, len(f.Histories))
	for i, h := range f.Histories {
		zone := zones[h.Unit.Depot]
		if zone == nil {
			zone = time.UTC
		}
		out[i] = h.AsOf(asOf, zone)
	}
	return out
}

// limit90 is the 90 % interval that the 80 % one of a normal distribution implies.
func limit90(u *fleet.Forecast) proving.Range {
	const wider = 1.6448536269514722 / proving.Normal90
	middle, known := u.ColdLimitC.Get()
	if !known {
		return proving.Range{}
	}
	end := func(v fleet.Opt[float64]) fleet.Opt[float64] {
		return fleet.Known(middle + wider*(v.Or(middle)-middle))
	}
	return proving.Range{Low: end(u.ColdLimitP10C), High: end(u.ColdLimitP90C)}
}
