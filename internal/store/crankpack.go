package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rimeyard/internal/fleet"
)

// One unit's cranks of one week are kept as one packed value, which the server stores and sends without looking into it. All numbers have
// their highest byte first:
//
//	1 byte    packVersion
//	4 bytes   n, the number of cranks
//	times     a form, then timesExact: n × 8 bytes of microseconds from 2000-01-01;
//	          or timesWhole: such 8 bytes of the first, then n × 4 bytes of seconds after it
//	8 columns of crankValues, each a form, then
//	          valuesNone: nothing, no crank has it;
//	          valuesExact: n × 8 bytes of the number, all ones where it is not known;
//	          valuesShort + 2 × decimals: 4 bytes of the least, then n × 1 byte over it, all ones where it is not known;
//	          … + 1: n × 2 bytes over it. What they add up to is divided by a power of ten.
//	outcomes  a form, then outcomesStarted: nothing, all started; or outcomesEach: n × 1 byte, its place in outcomes
//
// Whatever the form, each number comes back as it was, to the last bit. Migration 0019 packs in the exact forms.
const (
	packVersion = 1

	timesWhole, timesExact = 0, 1

	valuesNone, valuesExact, valuesShort = 0, 1, 2
	mostDecimals                         = 3

	outcomesStarted, outcomesEach = 0, 1
)

var outcomes = [...]fleet.Outcome{fleet.Started, fleet.Slow, fleet.NoCrank, fleet.NoStart}

// crankValues are the columns of numbers, in their order.
var crankValues = [...]func(*fleet.Crank) *fleet.Opt[float64]{
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.RestV },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.MinV },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.MeanV },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.DurationMs },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.TemperatureC },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.CoolantC },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.CurrentA },
	func(c *fleet.Crank) *fleet.Opt[float64] { return &c.RPM },
}

// packCranks packs one week's cranks, which are in the order of time.
func packCranks(week []fleet.Crank) []byte {
	pack := binary.BigEndian.AppendUint32([]byte{packVersion}, uint32(len(week)))
	pack = packTimes(pack, week)
	values := make([]float64, len(week))
	for _, column := range crankValues {
		for i := range week {
			values[i] = math.Float64frombits(unknownBits)
			if v, known := column(&week[i]).Get(); known {
				values[i] = v
			}
		}
		pack = packValues(pack, values)
	}
	return packOutcomes(pack, week)
}

func packTimes(pack []byte, week []fleet.Crank) []byte {
	first := week[0].At
	whole := func(c fleet.Crank) bool {
		after := c.At.Sub(first)
		return after%time.Second == 0 && after/time.Second <= math.MaxUint32
	}
	if !slices.ContainsFunc(week, func(c fleet.Crank) bool { return !whole(c) }) {
		pack = binary.BigEndian.AppendUint64(append(pack, timesWhole), microsOf(first))
		for i := range week {
			pack = binary.BigEndian.AppendUint32(pack, uint32(week[i].At.Sub(first)/time.Second))
		}
		return pack
	}
	pack = append(pack, timesExact)
	for i := range week {
		pack = binary.BigEndian.AppendUint64(pack, microsOf(week[i].At))
	}
	return pack
}

func microsOf(t time.Time) uint64 { return uint64(t.UnixMicro() - postgresEpochUnixMicros) }

// unknownBits stand for a value that is not known; as a number they are none.
const unknownBits = math.MaxUint64

var powers = [mostDecimals + 1]float64{1, 10, 100, 1000}

func packValues(pack []byte, values []float64) []byte {
	if !slices.ContainsFunc(values, isKnown) {
		return append(pack, valuesNone)
	}
	for decimals := range powers {
		if least, width, exact := shortForm(values, powers[decimals]); exact {
			pack = append(pack, byte(valuesShort+2*decimals+width-1))
			pack = binary.BigEndian.AppendUint32(pack, uint32(int32(least)))
			for _, v := range values {
				over := uint16(math.MaxUint16)
				if isKnown(v) {
					over = uint16(math.Round(v*powers[decimals]) - least)
				}
				if width == 1 {
					pack = append(pack, byte(over))
				} else {
					pack = binary.BigEndian.AppendUint16(pack, over)
				}
			}
			return pack
		}
	}
	pack = append(pack, valuesExact)
	for _, v := range values {
		pack = binary.BigEndian.AppendUint64(pack, math.Float64bits(v))
	}
	return pack
}

func isKnown(v float64) bool { return math.Float64bits(v) != unknownBits }

// shortForm tells whether values are whole numbers of 1/scale not too far apart, of which each comes back as it was: their least, and how
// many bytes take what they are over it.
func shortForm(values []float64, scale float64) (least float64, width int, exact bool) {
	least, most := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		if !isKnown(v) {
			continue
		}
		whole := math.Round(v * scale)
		if !(math.Abs(whole) <= math.MaxInt32) || math.Float64bits(float64(int32(whole))/scale) != math.Float64bits(v) { // −0 is none
			return 0, 0, false
		}
		least, most = min(least, whole), max(most, whole)
	}
	switch over := most - least; { // the highest number of each width stands for what is not known
	case over < math.MaxUint8:
		return least, 1, true
	case over < math.MaxUint16:
		return least, 2, true
	}
	return 0, 0, false
}

func packOutcomes(pack []byte, week []fleet.Crank) []byte {
	if !slices.ContainsFunc(week, func(c fleet.Crank) bool { return c.Outcome != fleet.Started }) {
		return append(pack, outcomesStarted)
	}
	pack = append(pack, outcomesEach)
	for i := range week {
		pack = append(pack, byte(max(0, slices.Index(outcomes[:], week[i].Outcome)))) // the table holds no others
	}
	return pack
}

// errPack says that a packed week is torn or was packed by a newer program.
var errPack = errors.New("the digest of a week cannot be read")

// appendCranks unpacks a week of the unit.
func appendCranks(cranks []fleet.Crank, unit fleet.UnitID, pack []byte) ([]fleet.Crank, error) {
	p := unpacker{rest: pack}
	if version := p.byte(); version != packVersion {
		return cranks, fmt.Errorf("%w: it begins with %d, this program reads %d", errPack, version, packVersion)
	}
	n := binary.BigEndian.Uint32(p.take(4))
	if p.torn || int(n) > len(pack) { // a crank takes more than a byte
		return cranks, fmt.Errorf("%w: it is torn", errPack)
	}
	from := len(cranks)
	cranks = slices.Grow(cranks, int(n))[:from+int(n)]
	week := cranks[from:]
	clear(week)
	for i := range week {
		week[i].Unit = unit
	}
	p.times(week)
	for _, column := range crankValues {
		p.values(week, column)
	}
	p.outcomes(week)
	if p.torn || len(p.rest) > 0 {
		return cranks[:from], fmt.Errorf("%w: it is torn", errPack)
	}
	return cranks, nil
}

// unpacker reads a pack from its beginning. Once it is torn, nothing more that it gives means anything.
type unpacker struct {
	rest []byte
	torn bool
}

func (p *unpacker) take(n int) []byte {
	if n > len(p.rest) {
		p.torn, p.rest = true, nil
		return make([]byte, n)
	}
	taken := p.rest[:n:n]
	p.rest = p.rest[n:]
	return taken
}

func (p *unpacker) byte() byte { return p.take(1)[0] }

func (p *unpacker) times(week []fleet.Crank) {
	switch p.byte() {
	case timesWhole:
		first := int64(binary.BigEndian.Uint64(p.take(8))) + postgresEpochUnixMicros //nolint:gosec // signed, as it was packed
		after := p.take(4 * len(week))
		for i := range week {
			week[i].At = time.UnixMicro(first + 1e6*int64(binary.BigEndian.Uint32(after[4*i:]))).UTC()
		}
	case timesExact:
		at := p.take(8 * len(week))
		for i := range week {
			week[i].At = time.UnixMicro(int64(binary.BigEndian.Uint64(at[8*i:])) + postgresEpochUnixMicros).UTC() //nolint:gosec // signed, as it was packed
		}
	default:
		p.torn = true
	}
}

func (p *unpacker) values(week []fleet.Crank, column func(*fleet.Crank) *fleet.Opt[float64]) {
	form := int(p.byte())
	switch {
	case form == valuesNone:
	case form == valuesExact:
		bits := p.take(8 * len(week))
		for i := range week {
			if b := binary.BigEndian.Uint64(bits[8*i:]); b != unknownBits {
				*column(&week[i]) = fleet.Known(math.Float64frombits(b))
			}
		}
	case form < valuesShort+2*len(powers):
		least, scale := float64(int32(binary.BigEndian.Uint32(p.take(4)))), powers[(form-valuesShort)/2] //nolint:gosec // signed, as it was packed
		if form%2 == valuesShort%2 {
			for i, over := range p.take(len(week)) {
				if over != math.MaxUint8 {
					*column(&week[i]) = fleet.Known((least + float64(over)) / scale)
				}
			}
			return
		}
		all := p.take(2 * len(week))
		for i := range week {
			if over := binary.BigEndian.Uint16(all[2*i:]); over != math.MaxUint16 {
				*column(&week[i]) = fleet.Known((least + float64(over)) / scale)
			}
		}
	default:
		p.torn = true
	}
}

func (p *unpacker) outcomes(week []fleet.Crank) {
	switch p.byte() {
	case outcomesStarted:
		for i := range week {
			week[i].Outcome = fleet.Started
		}
	case outcomesEach:
		for i, at := range p.take(len(week)) {
			if int(at) >= len(outcomes) {
				p.torn = true
				return
			}
			week[i].Outcome = outcomes[at]
		}
	default:
		p.torn = true
	}
}
