package alerts_test

import (
	"fmt"
	"iter"
	"math"
	"math/rand/v2"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// world is a fleet simulated for tests, with a battery, a starter and a logger unlike the model's: conductance that holds until a
// knee and then falls away, a logarithmic loss besides, torque as a power of cold, a start decided by speed.
type world struct {
	depots    []fleet.Depot
	temps     map[fleet.DepotID][]fleet.DayTemp
	histories []fleet.History
	failed    map[fleet.UnitID]fleet.Part // in the season from asOf on
	asOf      fleet.Date
}

type worldUnit struct {
	rng                        *rand.Rand
	health, perDay, knee       float64 // conductance left; lost per day; age in days at which it goes fast
	age                        int
	drag, dragPerDay           float64
	cable, cablePerDay         float64
	full, leakPerDay           float64
	slowLogger, bias, appetite float64
	logs                       bool
}

const worldYears = 3

// newWorld lets a fleet live for three years up to asOf and one season more.
func newWorld(seed uint64, units int, cranksPerDay int) *world {
	w := &world{temps: map[fleet.DepotID][]fleet.DayTemp{}, failed: map[fleet.UnitID]fleet.Part{}, asOf: fleet.NewDate(2024, 10, 1)}
	first := w.asOf - 11*365
	air := map[fleet.DepotID][]float64{}
	for i, mean := range []float64{6, 1, -3} {
		d := fleet.Depot{ID: fleet.DepotID([]string{"HAR", "MID", "UPL"}[i]), Timezone: "Europe/Oslo", Latitude: fleet.Known(60.0), Longitude: fleet.Known(10.0 + float64(i))}
		w.depots = append(w.depots, d)
		rng := rand.New(rand.NewPCG(seed, uint64(i)))
		spell, level := 0.0, 0.0
		for day := first; day < w.asOf+182; day++ {
			if _, m, dd := day.YMD(); m == 7 && dd == 1 {
				level = rng.NormFloat64() * 1.5
			}
			spell = 0.8*spell + rng.NormFloat64()*2.4
			low := mean + level + spell - 11*math.Cos(2*math.Pi*float64(day-18)/365.25)
			air[d.ID] = append(air[d.ID], low)
			w.temps[d.ID] = append(w.temps[d.ID], fleet.DayTemp{Depot: d.ID, Date: day, MinC: fleet.Known(low), MaxC: fleet.Known(low + 7)})
		}
	}
	for i := range units {
		w.live(seed, i, cranksPerDay, air, first)
	}
	return w
}

func (w *world) live(seed uint64, i, cranksPerDay int, air map[fleet.DepotID][]float64, first fleet.Date) {
	u := &worldUnit{rng: rand.New(rand.NewPCG(seed, uint64(1000+i)))}
	depot := w.depots[i%3]
	h := fleet.History{Unit: fleet.Unit{
		ID: fleet.UnitID(fmt.Sprintf("T-%04d", i)), Depot: depot.ID, Class: []string{"van", "heavy"}[i/3%2], Fuel: []fleet.Fuel{fleet.Petrol, fleet.Diesel}[i/3%2],
		SystemVolts: 12, Batteries: 1, Parked: fleet.Outdoors,
	}}
	if i%4 != 0 {
		h.Unit.NoStartCost = fleet.Known(fleet.Money(40000 + 1000*(i%7)))
	}
	u.logs, u.slowLogger, u.bias, u.appetite = i%5 != 0, u.rng.Float64()*0.7, 1+0.05*u.rng.NormFloat64(), 1+0.08*u.rng.NormFloat64()
	begin := w.asOf - worldYears*365
	start := begin - fleet.Date(u.rng.IntN(1400))
	u.renew(&h, start)
	for d := start; d < w.asOf+182; d++ {
		low := air[depot.ID][max(0, d-first)]
		u.ageOneDay(low)
		if d < begin || d.Weekday() == time.Sunday {
			continue
		}
		at := d.Midnight(depot.Zone()).Add(6 * time.Hour)
		if u.rng.IntN(45) == 0 {
			u.test(&h, at, low)
		}
		if cause, broke := u.crank(&h, at, low, cranksPerDay); broke {
			h.Breakdowns = append(h.Breakdowns, fleet.Breakdown{Unit: h.Unit.ID, At: at, Cause: cause})
			if _, already := w.failed[h.Unit.ID]; d >= w.asOf && !already {
				w.failed[h.Unit.ID] = cause
			}
			u.repair(&h, cause, d)
		}
	}
	w.histories = append(w.histories, h)
}

func (u *worldUnit) renew(h *fleet.History, d fleet.Date) {
	if n := len(h.Batteries); n > 0 {
		h.Batteries[n-1].RemovedOn, h.Batteries[n-1].RemovedBecause = fleet.Known(d), fleet.RemovedFailed
	}
	h.Batteries = append(h.Batteries, fleet.BatteryFitting{
		Battery: fmt.Sprintf("%s-%d", h.Unit.ID, len(h.Batteries)), Unit: h.Unit.ID, Position: 1, Part: "B70", Chemistry: fleet.Flooded,
		RatedCCAA: 640, CCAStandard: fleet.EN, FittedOn: fleet.Known(d), Price: fleet.Known(fleet.Money(12900)),
	})
	u.health, u.age, u.full = 1+0.03*u.rng.NormFloat64(), 0, 1
	u.perDay, u.knee = 0.00014*math.Exp(0.4*u.rng.NormFloat64()), 1300+1300*u.rng.Float64()
}

func (u *worldUnit) repair(h *fleet.History, cause fleet.Part, d fleet.Date) {
	switch cause {
	case fleet.BatteryPart:
		u.renew(h, d)
	case fleet.StarterPart:
		u.drag, u.dragPerDay = 0, 0
	case fleet.CablePart:
		u.cable, u.cablePerDay = 0, 0
	default:
		u.full, u.leakPerDay = 1, 0
	}
}

func (u *worldUnit) ageOneDay(low float64) {
	u.age++
	u.health -= u.perDay * math.Exp(0.03*(low-5))
	if float64(u.age) > u.knee {
		u.health *= 1 - 0.0012
	}
	u.health = max(u.health, 0.15)
	if u.rng.IntN(12000) == 0 {
		u.dragPerDay = 0.003 * u.rng.Float64()
	}
	if u.rng.IntN(12000) == 0 {
		u.cablePerDay = 0.00006 * u.rng.Float64()
	}
	if u.rng.IntN(12000) == 0 {
		u.leakPerDay = 0.004 * u.rng.Float64()
	}
	u.drag, u.cable = u.drag+u.dragPerDay, u.cable+u.cablePerDay
	u.full = max(0.2, u.full-u.leakPerDay)
}

func (u *worldUnit) restV() float64 { return 11.9 + 0.75*u.full + 0.03*u.rng.NormFloat64() }

// turn is what one crank does: volts at the battery, speed.
func (u *worldUnit) turn(c float64, diesel bool) (volts, speed float64) {
	torque := 150 * u.appetite * (1 + u.drag) * (1 + 1.1*math.Pow(max(0, 20-c)/38, 1.5))
	conductance := 640 / 2.6 * u.health * (0.5 + 0.5*u.full) * math.Exp(-0.015*(25-c))
	amps := torque
	if diesel {
		amps *= 1.25
	}
	volts = 11.9 + 0.75*u.full - amps/conductance - 0.22*math.Asinh(amps/40)
	return volts, 22 * (volts - amps*(0.0035+u.cable))
}

func (u *worldUnit) crank(h *fleet.History, at time.Time, low float64, perDay int) (cause fleet.Part, broke bool) {
	if u.rng.IntN(22000) == 0 {
		return fleet.ControlPart, true
	}
	volts, speed := u.turn(low, h.Unit.Fuel == fleet.Diesel)
	spare := speed - 118 - 2.2*u.rng.NormFloat64()
	c := fleet.Crank{Unit: h.Unit.ID, At: at, RestV: fleet.Known(u.restV()), TemperatureC: fleet.Known(math.Round(low + u.rng.NormFloat64())), Outcome: fleet.Started}
	dip := (12.4 - volts) * (0.25 + 0.75*(1-u.slowLogger))
	c.MinV = fleet.Known(round2(max(3, volts-0.6*dip+0.06*u.rng.NormFloat64())))
	c.MeanV = fleet.Known(round2(max(c.MinV.Or(0), volts+0.05*u.rng.NormFloat64())))
	c.DurationMs = fleet.Known(math.Round(700 * math.Exp(max(0, 18-spare)/14+0.3*u.rng.NormFloat64())))
	switch {
	case spare < 0:
		c.Outcome = fleet.NoCrank
		cause, broke = u.blame(low, h.Unit.Fuel == fleet.Diesel, speed), true
	case spare < 9:
		c.Outcome = fleet.Slow
	}
	if u.logs {
		h.Cranks = append(h.Cranks, c)
		for k := 1; k < perDay && !broke; k++ { // restarts of a warm engine
			c.At, c.CoolantC, c.Outcome = c.At.Add(2*time.Hour), fleet.Known(70.0), fleet.Started
			h.Cranks = append(h.Cranks, c)
		}
	}
	return cause, broke
}

// blame is the part whose repair would give back most speed.
func (u *worldUnit) blame(c float64, diesel bool, now float64) fleet.Part {
	best, gain := fleet.BatteryPart, 0.0
	for part, heal := range map[fleet.Part]func(*worldUnit){
		fleet.BatteryPart: func(o *worldUnit) { o.health = 1 }, fleet.StarterPart: func(o *worldUnit) { o.drag = 0 },
		fleet.CablePart: func(o *worldUnit) { o.cable = 0 }, fleet.ChargingPart: func(o *worldUnit) { o.full = 1 },
	} {
		healed := *u
		heal(&healed)
		if _, speed := healed.turn(c, diesel); speed-now > gain {
			best, gain = part, speed-now
		}
	}
	return best
}

func (u *worldUnit) test(h *fleet.History, at time.Time, low float64) {
	h.Tests = append(h.Tests, fleet.Test{
		Unit: h.Unit.ID, Position: 1, At: at.Add(4 * time.Hour), RestV: fleet.Known(round2(u.restV())), CCAStandard: fleet.EN, Tester: "G1",
		CCAA: fleet.Known(math.Round(640 * math.Pow(u.health, 0.8) * u.bias * (0.7 + 0.3*u.full) * (1 + 0.08*u.rng.NormFloat64()))), TemperatureC: fleet.Known(low + 3),
	})
}

func round2(v float64) float64 { return math.Round(v*100) / 100 }

func each(histories []fleet.History) iter.Seq2[fleet.History, error] {
	return func(yield func(fleet.History, error) bool) {
		for _, h := range histories {
			if !yield(h, nil) {
				return
			}
		}
	}
}

// shuffled mixes rows within and across units and sends some twice.
func (w *world) shuffled() []fleet.History {
	rng := rand.New(rand.NewPCG(7, 7))
	out := slices.Clone(w.histories)
	for i := range out {
		out[i].Cranks = mixed(rng, out[i].Cranks)
		out[i].Tests = mixed(rng, out[i].Tests)
		out[i].Breakdowns = mixed(rng, out[i].Breakdowns)
		out[i].Batteries = mixed(rng, out[i].Batteries)
	}
	rng.Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

func mixed[T any](rng *rand.Rand, rows []T) []T {
	rows = append(slices.Clone(rows), rows[:len(rows)/3]...)
	rng.Shuffle(len(rows), func(i, j int) { rows[i], rows[j] = rows[j], rows[i] })
	return rows
}
