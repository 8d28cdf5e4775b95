package demofleet

import (
	"fmt"
	"math"
	"slices"

	"rimeyard/internal/fleet"
)

const (
	weatherYears = 13  // of temperatures on file
	recordDays   = 913 // of readings on file: two and a half years
	lifeDays     = 7 * 365
	forecastDays = 7
	// comingDays of weather are made past the day of the data, so that a forecast is near the truth and tests can let
	// the story units meet their season.
	comingDays = 220
)

// yard is everything that was made, before it is written.
type yard struct {
	plans    []depotPlan
	weather  []weather
	machines []*machine // in the order of their keys
	testers  []tester
}

func build(o Options) yard {
	y := yard{plans: depotPlans()}
	first := o.Today - weatherYears*365 - 4
	for _, p := range y.plans {
		y.weather = append(y.weather, makeWeather(p.climate, o.Seed, p.depot.ID, first, o.Today+comingDays))
	}
	written := scripts(o.Today)
	left := o.Units
	for i, p := range y.plans {
		n := int(math.Round(p.share * float64(o.Units)))
		if i == len(y.plans)-1 {
			n = left
		}
		left -= n
		testers := makeTesters(p, o.Seed)
		y.testers = append(y.testers, testers...)
		for k := 1; k <= n; k++ {
			key := fleet.UnitID(fmt.Sprintf("%s-%03d", p.letter, k))
			var tale *script
			if s := slices.IndexFunc(written, func(s script) bool { return s.tale.Unit == key }); s >= 0 {
				tale = &written[s]
			}
			y.machines = append(y.machines, newMachine(o, p, y.weather[i], key, testers, tale))
		}
	}
	return y
}

// makeTesters equips a workshop: two conductance testers and one with a load. The first of the plains depot reads low all along.
func makeTesters(p depotPlan, seed uint64) []tester {
	rng := newChance(seed, "testers "+string(p.depot.ID))
	people := map[fleet.DepotID][]string{"COA": {"I. Varga", "T. Moss"}, "NOR": {"E. Halla", "R. Sten"}, "PLA": {"O. Brandt", "L. Kesik"}}[p.depot.ID]
	testers := []tester{
		{name: string(p.depot.ID) + "-G1", bias: rng.spread(0.03), by: people[0]},
		{name: string(p.depot.ID) + "-G2", bias: rng.spread(0.03), by: people[1]},
		{name: string(p.depot.ID) + "-L1", bias: rng.spread(0.03), by: people[0], load: true},
	}
	if p.depot.ID == "PLA" {
		testers[0].bias = 0.86
	}
	return testers
}

func newMachine(o Options, p depotPlan, w weather, key fleet.UnitID, testers []tester, tale *script) *machine {
	rng := newChance(o.Seed, "unit "+string(key))
	m := &machine{
		rng: rng, plan: p, zone: p.depot.Zone(), weather: w, story: tale,
		class: chooseClass(rng, tale), recordsFrom: o.Today - recordDays, startHour: rng.between(4.8, 7.4), holidays: rng.hit(0.6) || tale != nil,
	}
	m.testEvery = [][2]int{{7, 12}, {14, 24}, {24, 38}}[rng.IntN(3)]
	m.engine = m.class.engine
	m.engine.oil = p.oil
	if tale == nil {
		m.engine.nominal *= rng.spread(0.09)
		m.engine.needRM *= rng.spread(0.08)
	}
	m.describe(key, o.Today)
	m.equip(o.Today, testers)
	m.firstParts(o.Today)
	m.nextTest = m.recordsFrom + fleet.Date(rng.days(0, 30))
	return m
}

func chooseClass(rng chance, tale *script) class {
	pick := rng.Float64()
	all := classes()
	for _, c := range all {
		if tale != nil && c.name == tale.class || tale == nil && pick < c.share {
			return c
		}
		pick -= c.share
	}
	return all[len(all)-1]
}

func (m *machine) describe(key fleet.UnitID, today fleet.Date) {
	rng, c := m.rng, m.class
	u := fleet.Unit{
		ID: key, Depot: m.plan.depot.ID, Class: c.name, Fuel: c.fuel, SystemVolts: c.volts, Batteries: c.batteries,
		EngineLitres: fleet.Known(c.litres[rng.IntN(len(c.litres))]), Gearbox: fleet.Automatic, Parked: fleet.Outdoors,
		InServiceOn: fleet.Known(today - fleet.Date(rng.days(400, 9*365))), NoStartCost: fleet.Known(c.noStartCost),
		StartsPerDay: fleet.Known(c.cranksPerDay), Criticality: fleet.Known(rng.days(2, 5)), VIN: vin(rng),
	}
	if rng.hit(c.manual) {
		u.Gearbox = fleet.Manual
	}
	switch place := rng.Float64(); {
	case m.story != nil:
	case place < m.plan.indoors:
		u.Parked = fleet.Indoors
	case place < m.plan.indoors+m.plan.pluggedIn:
		u.Parked = fleet.PluggedIn
	}
	if m.story != nil {
		u.InServiceOn = fleet.Known(today - 4*365)
		if m.story.isNew {
			u.InServiceOn = fleet.Known(today - 14)
		}
	}
	m.history.Unit = u
}

// vin is 17 signs long like a real one; it begins with a world code that is given to nobody.
func vin(rng chance) string {
	const signs = "ABCDEFGHJKLMNPRSTUVWXYZ0123456789"
	b := []byte("ZZZ")
	for len(b) < 17 {
		b = append(b, signs[rng.IntN(len(signs))])
	}
	return string(b)
}

// equip decides who records and tests the unit.
func (m *machine) equip(today fleet.Date, testers []tester) {
	rng := m.rng
	if m.story != nil {
		if !m.story.isNew {
			m.logger = logger{kind: fastLogger, gain: 1, temperature: true, current: true, engine: true}
			m.tester, m.testEvery = &testers[1], [2]int{14, 24}
		}
		return
	}
	use := rng.Float64()
	if use < 0.90 {
		m.tester = &testers[[]int{0, 0, 1, 1, 2}[rng.IntN(5)]]
	}
	if use >= 0.75 {
		return
	}
	m.logger = logger{gain: 1 + rng.normal(0.004)}
	switch kind := rng.Float64(); {
	case kind < 0.40:
		m.logger.kind, m.logger.temperature = fastLogger, true
		m.logger.current, m.logger.engine = rng.hit(0.45), rng.hit(0.3)
	case kind < 0.70:
		m.logger.kind, m.logger.dip, m.logger.temperature = slowLogger, rng.between(0.5, 0.8), rng.hit(0.7)
	default:
		m.logger.kind, m.logger.dip, m.logger.temperature = telematics, rng.between(0.35, 0.8), rng.hit(0.5)
	}
	for range rng.IntN(3) {
		from := m.recordsFrom + fleet.Date(rng.IntN(int(today-m.recordsFrom)))
		m.logger.gaps = append(m.logger.gaps, [2]fleet.Date{from, from + fleet.Date(rng.days(4, 40))})
	}
}

// firstParts fits what the unit had when its simulated life begins, some of it not new.
func (m *machine) firstParts(today fleet.Date) {
	inService, _ := m.history.Unit.InServiceOn.Get()
	begin := max(inService, today-recordDays-lifeDays)
	if m.story != nil {
		begin = max(inService, m.recordsFrom-30)
	}
	m.lastRun, m.downUntil = begin-1, begin
	m.batteries = make([]fitted, m.class.batteries)
	age := 0
	if m.story == nil {
		age = min(m.rng.IntN(4*365), int(begin-inService))
	}
	part := m.choosePart()
	for i := range m.batteries {
		m.fitBattery(i, begin-fleet.Date(age), part)
		if m.story != nil {
			m.batteries[i].corrodes, m.batteries[i].sheds = 0.4, 0.4
		}
	}
	m.fitStarter(begin - fleet.Date(min(m.rng.IntN(3*365), int(begin-inService))))
	for d := begin - fleet.Date(age); d < begin; d++ {
		minC, maxC := m.weather.day(max(d, m.weather.first))
		m.age((minC + maxC) / 2)
	}
}

// liveUntil lets the machine live from the day its parts were fitted until the day before end.
func (m *machine) liveUntil(end fleet.Date) {
	for d := m.lastRun + 1; d < end; d++ {
		m.live(d)
	}
}

// forget takes from the files what was over before the fleet began to keep them.
func (m *machine) forget() {
	over := func(removed fleet.Opt[fleet.Date]) bool {
		day, gone := removed.Get()
		return gone && day < m.recordsFrom
	}
	m.history.Batteries = slices.DeleteFunc(m.history.Batteries, func(f fleet.BatteryFitting) bool { return over(f.RemovedOn) })
	m.history.Starters = slices.DeleteFunc(m.history.Starters, func(f fleet.StarterFitting) bool { return over(f.RemovedOn) })
}
