package tides

import "math"

// The starter is known by its torque curve, as off a test bench, at currents in shares of the battery's rating, and by how warm its
// windings are. What the engine asks is in the same unit of torque, referred to the starter.

// torqueCurve is the torque at 0, 0.1, 0.2 … of the rating. Its first part bends up, as a series field does before its iron is full.
var torqueCurve = [...]float64{
	0, 0.055, 0.16, 0.302, 0.462, 0.638, 0.822, 1.012, 1.205, 1.4, 1.596, 1.792, 1.988, 2.184, 2.38, 2.575, 2.77, 2.964, 3.158, 3.352, 3.545,
	3.738, 3.93, 4.122, 4.314, 4.505,
}

const mostX = 2.5 // at the end of the curve

func torque(x float64) float64 {
	at := clamp(x, 0, mostX-1e-9) * 10
	i := int(at)
	return torqueCurve[i] + (at-float64(i))*(torqueCurve[i+1]-torqueCurve[i])
}

// build is what of a unit does not change with its parts.
type build struct {
	volts, count int
	ratedA       float64 // of the whole bank
	ratedAh      float64 // of one battery
	warmX        float64 // current, in shares of the rating, that turns the warm engine at its usual speed
	backV        float64 // volts that the motor gives back then, per torque and current
	needs        float64 // speed at which the engine fires, in shares of that usual speed
	oil          float64 // how much its oil thickens: 1 as printed
	usualRPM     float64
	motorV       float64 // drop at the rating over brushes' leads and windings at 20 °C
	cableV       float64 // over cables and joints
	drainA       float64
	hotelLoad    float64 // what lamps, heater and radio take of the alternator by a summer's day
	engagesV     float64 // at which its solenoid lets go
}

const (
	brushV  = 0.7
	copper  = 0.0039 // per °C from 20 °C
	warmC   = 27.0   // of an engine that is usually cranked
	coilV   = 0.25   // lost over the control circuit
	cushion = 0.3    // of the first current is what would flow if the engine stood, the rest what breaks it loose
	loosens = 1.7    // torque that breaks an engine loose, in shares of what it asks turning
)

func (b *build) settle(share float64) {
	fresh := 12.65 - b.warmX*(leadV+acidV) - tafelV*math.Asinh(b.warmX/0.18)
	b.backV = share * (fresh - b.warmX*(b.motorV+b.cableV) - brushV) * b.warmX / torque(b.warmX)
}

// stiffness is what a cold engine asks, in shares of a warm one's torque: 155, 210 and 350 % at 0, −18 and −29 °C as a garage's table
// has it for power, here at a speed that falls.
func stiffness(celsius, oil float64) float64 {
	table := [...]float64{1, 1.55, 2.1, 3.5, 5.4} // at 27, 0, −18, −29, −40 °C
	at := [...]float64{27, 0, -17.8, -28.9, -40}
	if celsius >= at[0] {
		return max(0.75, 1-0.006*(celsius-at[0]))
	}
	i := 0
	for i < len(at)-2 && celsius < at[i+1] {
		i++
	}
	s := (at[i] - celsius) / (at[i] - at[i+1])
	return math.Pow(table[i]*math.Pow(table[i+1]/table[i], s), oil)
}

// meeting is what one turn of the key meets.
type meeting struct {
	airC, batteryC, oilC, windingC, soakH float64
}

// circuit is a unit's cranking circuit at one turn of the key.
type circuit struct {
	*machine
	bank     bank
	ohm      float64 // drop at the rating over motor and cables
	brush    float64
	back     float64
	asks     float64 // torque at the usual speed
	needs    float64
	controlV float64 // below it the solenoid lets go
}

func (m *machine) circuit(c meeting) circuit {
	tired := m.starter.harm()
	k := circuit{machine: m, bank: m.bank(c.batteryC)}
	k.ohm = m.motorV*(1+copper*(c.windingC-20))*(1+0.25*m.rubs*tired) + m.cableV*(1+12*m.cable.harm())
	k.brush = brushV + 3.2*(1-m.rubs)*tired
	k.back = m.backV * (1 - 0.15*m.rubs*min(1, tired))
	stiff := stiffness(c.oilC, m.oil)
	k.asks = torque(m.warmX) * stiff * (1 + 0.95*m.rubs*tired)
	k.needs = m.needs * (1 + 0.004*max(0, -c.oilC))
	k.controlV = m.engagesV + coilV + 3.2*m.control.harm()
	return k
}

// speed at which the motor turns when that current flows, in shares of the usual.
func (k *circuit) speed(x float64) float64 {
	e := k.under(&k.bank, x) - x*k.ohm - k.brush
	return e * x / (k.back * torque(max(x, 0.02)))
}

// current that flows at that speed, by false position: the volts left over fall as the current grows.
func (k *circuit) current(n float64) float64 {
	left := func(x float64) float64 {
		return k.under(&k.bank, x) - x*k.ohm - k.brush - n*k.back*torque(x)/max(x, 1e-6)
	}
	return rootOf(left, 0.01, mostX)
}

// rootOf a falling function, by false position of the Illinois kind (Dowell & Jarratt 1971).
func rootOf(f func(float64) float64, low, high float64) float64 {
	a, b := f(low), f(high)
	if a <= 0 {
		return low
	}
	if b >= 0 {
		return high
	}
	side := 0
	for range 60 {
		x := (low*b - high*a) / (b - a)
		y := f(x)
		if math.Abs(y) < 1e-4 || high-low < 1e-6 {
			return x
		}
		if y > 0 {
			low, a = x, y
			if side > 0 {
				b /= 2
			}
			side = 1
		} else {
			high, b = x, y
			if side < 0 {
				a /= 2
			}
			side = -1
		}
	}
	return (low + high) / 2
}

const drags = 0.75 // of what the engine asks does not depend on its speed

// spare is how much more torque there is at the speed at which the engine fires than it asks there, as a logarithm; or how far the
// solenoid is from letting go, whichever is less. Below 0 it does not start.
func (k *circuit) spare() float64 {
	x := k.current(k.needs)
	asks := k.asks * (drags + (1-drags)*k.needs)
	held := k.under(&k.bank, x) - k.controlV
	return min(math.Log(torque(x)/asks), held/4)
}

// turning is the current at which motor and engine agree; stalled where they cannot.
func (k *circuit) turning() (x, n float64) {
	stall := k.current(0)
	over := func(x float64) float64 {
		return k.asks*(drags+(1-drags)*max(0, k.speed(x))) - torque(x)
	}
	if over(stall) > 0 {
		return stall, 0
	}
	x = rootOf(over, 0.03, stall)
	return x, max(0, k.speed(x))
}

// first is the current at the first moment, and the volts under it: there is acid at the plates as yet.
func (k *circuit) first(turning float64) (x, volts float64) {
	fresh := *k
	for i := range fresh.bank.space {
		fresh.bank.space[i].limit = math.Inf(1)
	}
	loose := rootOf(func(x float64) float64 { return loosens*k.asks - torque(x) }, 0.01, mostX)
	stood := fresh.current(0)
	x = max(turning, min(stood, cushion*stood+(1-cushion)*loose))
	return x, fresh.under(&fresh.bank, x)
}
