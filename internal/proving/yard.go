package proving

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"time"

	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
)

// Options say what fleet to build. Zero fields take the default named.
type Options struct {
	Seed     uint64
	Units    int        // 600
	Years    int        // of records before the season: 3
	AgeYears float64    // mean age of the units when the records begin: 7
	AsOf     fleet.Date // first day of the season: 2025-10-01
	Dirt     bool       // spoil the records afterwards, as real ones are; life and truth stay the same
	Gradual  bool       // faults ripen for twice as long and seldom come without a sign; every unit has a good logger and is tested weekly or so
	Futures  int        // to count Truth.Chance over; 0 leaves Chance unknown (NaN) and Worst empty
	Workers  int        // GOMAXPROCS; the fleet is the same whatever their number
}

// pastWinters is how many winters of temperatures a depot knows before the season.
const pastWinters = 14

// SetDefaults puts the defaults into zero fields; an error says which field no fleet can have.
func (o *Options) SetDefaults() error {
	if o.Units < 0 || o.Years < 0 || o.Futures < 0 || o.AgeYears < 0 {
		return errors.New("units, years, age and futures must not be negative")
	}
	if o.Units == 0 {
		o.Units = 600
	}
	if o.Years == 0 {
		o.Years = 3
	}
	if o.Years > pastWinters-4 {
		return fmt.Errorf("%d years of records: there is weather for at most %d", o.Years, pastWinters-4)
	}
	if o.AgeYears == 0 {
		o.AgeYears = 7
	}
	if o.AsOf == 0 {
		o.AsOf = fleet.NewDate(2025, time.October, 1)
	}
	if o.Workers <= 0 {
		o.Workers = runtime.GOMAXPROCS(0)
	}
	return nil
}

// yard is what the units of a fleet share.
type yard struct {
	Options
	physics Physics
	places  []place
	skies   []skies
	testers [][]tester // by place
	from    fleet.Date // of the records
	season  fleet.Season
}

// Build lets a fleet of the given physics live from before its records through the season. The same options give the same fleet.
func Build(ctx context.Context, p Physics, o Options) (Fleet, error) {
	if err := o.SetDefaults(); err != nil {
		return Fleet{}, fmt.Errorf("build a fleet of %s: %w", p.Name(), err)
	}
	y := newYard(p, o)
	lives := make([]*life, o.Units)
	truths := make([]Truth, o.Units)
	group, ctx := errgroup.WithContext(ctx)
	group.SetLimit(o.Workers)
	for i := range lives {
		group.Go(func() error {
			if err := ctx.Err(); err != nil {
				return err
			}
			lives[i] = y.newLife(i)
			truths[i] = lives[i].through()
			return nil
		})
	}
	if err := group.Wait(); err != nil {
		return Fleet{}, fmt.Errorf("build a fleet of %s: %w", p.Name(), err)
	}
	f := Fleet{
		Name: fmt.Sprintf("%s-%d", p.Name(), o.Seed), AsOf: o.AsOf, Season: y.season,
		Temps: map[fleet.DepotID][]fleet.DayTemp{}, Truth: make(map[fleet.UnitID]Truth, o.Units),
	}
	for i, pl := range y.places {
		f.Depots = append(f.Depots, pl.depot)
		f.Temps[pl.depot.ID] = y.skies[i].rows(pl.depot.ID)
	}
	for i, l := range lives {
		f.Histories = append(f.Histories, l.book)
		f.Truth[l.book.Unit.ID] = truths[i]
	}
	if o.Dirt {
		y.spoil(&f)
	}
	return f, nil
}

func newYard(p Physics, o Options) *yard {
	year, month, day := o.AsOf.YMD()
	y := &yard{
		Options: o, physics: p, places: places(),
		from:   fleet.NewDate(year-o.Years, month, day),
		season: fleet.Season{From: o.AsOf, To: o.AsOf.AddMonths(6) - 1},
	}
	first := fleet.NewDate(year-pastWinters, month, day)
	shared := makeCommon(o.Seed, int(y.season.To-first)+1, year-pastWinters-1, year+1)
	for i, pl := range y.places {
		y.skies = append(y.skies, makeSkies(o.Seed, i, pl.climate, shared, first, y.season.To, pl.depot.Zone()))
		y.testers = append(y.testers, makeTesters(o.Seed, i, pl))
	}
	return y
}

// newLife makes a unit and what is known of it. Some older units have all their first parts but new batteries; of the others all
// parts are of one age, which is less than the unit's where it is old.
func (y *yard) newLife(i int) *life {
	r := stream(y.Seed, "unit", i)
	cl := &classSet[pickBy(r, classSet, func(c class) float64 { return c.share })]
	at := pickBy(r, y.places, func(p place) float64 { return p.share })
	l := &life{
		y: y, number: i, class: cl, place: &y.places[at], sky: &y.skies[at], part: pick(r, cl.parts), testers: y.testers[at],
		machineR: stream(y.Seed, "machine", i), workR: stream(y.Seed, "work", i),
		readR: stream(y.Seed, "reading", i), shopR: stream(y.Seed, "shop", i),
	}
	litres := pick(r, cl.litres)
	unitYears := y.AgeYears * between(r, 0.1, 1.9)
	l.lead = leadDays + r.IntN(300)
	leadYears := float64(l.lead) / 365.25
	ageYears := max(0.05, min(unitYears, oldestYears)-leadYears) * r.Float64()
	renewed := unitYears > 3 && hit(r, 0.15)
	if renewed {
		ageYears = min(unitYears, oldestYears) - leadYears
	}
	l.habit = newHabit(cl, l.place, stream(y.Seed, "habit", i))
	l.logger = newLogger(y.Gradual, stream(y.Seed, "logger", i))
	inService := y.from - fleet.Date(365.25*unitYears) - fleet.Date(r.IntN(40))
	l.book.Unit = fleet.Unit{
		ID: fleet.UnitID(fmt.Sprintf("U%04d", i+1)), Depot: l.place.depot.ID, Class: cl.name, Fuel: cl.fuel, EngineLitres: fleet.Known(litres),
		SystemVolts: cl.volts, Batteries: cl.batteries, Parked: l.habit.parked, InServiceOn: fleet.Known(inService),
		NoStartCost:  fleet.Known(fleet.Money(roundTo(cl.noStartCost*spread(r, 0.2), 10)) * 100),
		StartsPerDay: fleet.Known(roundTo(1+l.habit.warmStarts, 0.1)), Criticality: fleet.Known(1 + r.IntN(5)),
	}
	l.day = y.from - fleet.Date(l.lead)
	kind := Kind{
		Fuel: cl.fuel, Litres: litres, SystemVolts: cl.volts, Batteries: cl.batteries,
		RatedCCAA: l.part.ratedA, RatedAh: l.part.ah, Chemistry: l.part.chemistry, PartGrade: l.part.grade,
		Gradual: y.Gradual,
	}
	l.m = y.physics.New(kind, ageYears, l.place.climate.meanC, l.machineR)
	l.standing = standing{soakH: 12, meanC: l.place.climate.meanC}
	l.firstFittings(ageYears, renewed)
	return l
}

const (
	leadDays    = 180 // at least, lived before the records begin, so that what was broken from the start is put right by then
	oldestYears = 7.5 // of parts that were there when the records began
)

var classSet = classes()
