package plates

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/proving"
)

func anyKind(r *rand.Rand) proving.Kind {
	switch r.IntN(3) {
	case 0:
		return proving.Kind{Fuel: fleet.Petrol, Litres: 1.3 + .7*r.Float64(), SystemVolts: 12, Batteries: 1, RatedCCAA: 660, RatedAh: 65, PartGrade: .9 + .2*r.Float64()}
	case 1:
		return proving.Kind{Fuel: fleet.Diesel, Litres: 2.2, SystemVolts: 12, Batteries: 1 + r.IntN(2), RatedCCAA: 800, RatedAh: 90, PartGrade: .9 + .2*r.Float64()}
	}
	return proving.Kind{Fuel: fleet.Diesel, Litres: 8 + 4*r.Float64(), SystemVolts: 24, Batteries: 2, RatedCCAA: 1000, RatedAh: 170, PartGrade: .9 + .2*r.Float64()}
}

// winter is plain weather: a yearly wave about meanC, cold spells on top that last some days.
type winter struct {
	meanC, spell float64
	r            *rand.Rand
}

func (w *winter) day(i int) (minC, maxC float64) {
	w.spell = .8*w.spell + 2.6*w.r.NormFloat64()
	mid := w.meanC - 11.5*math.Cos(2*math.Pi*float64(i%365-15)/365) + w.spell
	return mid - 3.5, mid + 3.5
}

func dawn(minC, maxC, soakH float64) proving.Crank {
	mid := (minC + maxC) / 2
	return proving.Crank{AirC: minC, SoakH: soakH, BatteryC: minC + .3*(mid-minC), OilC: minC + .15*(mid-minC)}
}

type winterCount struct{ units, failed int }

// liveFleet is n machines through four winters, of which the first puts right what was broken from the start; a failure is put right by the part that saves most.
func liveFleet(t *testing.T, seed uint64, n int, meanC float64) (c winterCount, causes map[fleet.Part]int) {
	t.Helper()
	causes = map[fleet.Part]int{}
	for u := range n {
		r := rand.New(rand.NewPCG(seed, uint64(u)))
		w := &winter{meanC: meanC, r: rand.New(rand.NewPCG(seed, 1e6))}
		m := New().New(anyKind(r), 6*r.Float64(), meanC, r)
		soak, failed := 14., false
		hours := 1.5 + 5*r.Float64()
		for day := range 4 * 365 {
			if day%365 == 0 {
				if failed = false; day > 0 {
					c.units++
				}
			}
			lo, hi := w.day(day + 273)
			if day%365 == 335 && u%3 > 0 && m.Test(1, 15).CCAShare < .6 { // two depots of three test before winter
				m.Renew(fleet.BatteryPart, r)
				m.Charge()
			}
			if day%7 != 6 {
				if oops := crankOnce(m, dawn(lo, hi, soak), r); oops != "" {
					if season := day%365 < 182; season && day >= 365 && !failed {
						failed = true
						c.failed++
						causes[oops]++
					}
					m.Renew(oops, r)
					m.Charge()
				}
			}
			d := proving.Day{MinC: lo, MaxC: hi, HoursParked: 14}
			if day%7 != 6 {
				d.DriveHours, d.Starts = hours*(.6+.8*r.Float64()), r.IntN(6)
				soak = 24 - d.DriveHours
			} else {
				soak += 24
			}
			m.Live(d, r)
		}
	}
	return c, causes
}

// crankOnce is the part to blame when the crank fails, else empty.
func crankOnce(m proving.Machine, c proving.Crank, r *rand.Rand) fleet.Part {
	a, b := r.Uint64(), r.Uint64()
	before := m.Clone()
	if m.Crank(c, rand.New(rand.NewPCG(a, b))).Outcome != fleet.NoCrank {
		return ""
	}
	best, most := fleet.BatteryPart, math.Inf(-1)
	for _, p := range fleet.Suspects() {
		if p == fleet.OtherPart {
			continue
		}
		same := before.Clone()
		same.Renew(p, rand.New(rand.NewPCG(a, 7)))
		if p == fleet.ChargingPart {
			same.Charge()
		}
		got := same.Crank(c, rand.New(rand.NewPCG(a, b))).Outcome
		gain := same.Spare(c)
		if p == fleet.ControlPart && got != fleet.NoCrank {
			gain = 9
		}
		if gain > most {
			best, most = p, gain
		}
	}
	return best
}

func TestAFleetFailsAsFleetsDo(t *testing.T) {
	var all winterCount
	share := map[fleet.Part]float64{}
	for seed := range uint64(3) {
		for _, meanC := range []float64{6, 9} {
			c, causes := liveFleet(t, seed, 100, meanC)
			all.units += c.units
			all.failed += c.failed
			for p, n := range causes {
				share[p] += float64(n)
			}
		}
	}
	rate := float64(all.failed) / float64(all.units)
	t.Logf("%.3f of %d unit-winters failed: %v", rate, all.units, share)
	require.Greater(t, rate, .08)
	require.Less(t, rate, .17)
	for _, p := range fleet.Suspects() {
		require.Positive(t, share[p], "no failure for %s", p)
	}
	require.InDelta(t, .5, share[fleet.BatteryPart]/float64(all.failed), .2, "batteries are about half")
}
