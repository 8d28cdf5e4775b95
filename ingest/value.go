package ingest

import (
	"bytes"
	"errors"
	"fmt"
	"math"
	"strconv"

	"rimeyard/internal/fleet"
)

var (
	errNotPlain     = errors.New("want a plain decimal like 12.4: digits and at most one point, nothing else")
	errDecimalComma = errors.New("a decimal comma is understood only in files separated by semicolons: write a decimal point")
	errNotWhole     = errors.New("want a whole number like 2")
	errNotMoney     = errors.New("want an amount like 312.00: digits, then at most two decimals, no currency sign")
)

// pow10 holds the powers of ten that float64 represents exactly.
var pow10 = [...]float64{
	1e0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6, 1e7, 1e8, 1e9, 1e10, 1e11,
	1e12, 1e13, 1e14, 1e15, 1e16, 1e17, 1e18, 1e19, 1e20, 1e21, 1e22,
}

// parseDecimal reads a sign, digits and at most one decimal mark, and nothing else, to the nearest float64. Up to 15
// digits, the quotient of two exact floats is that already (Clinger 1990, "How to read floating point numbers
// accurately"); longer ones go through strconv.
func parseDecimal(s []byte, comma bool) (float64, error) {
	digits := s
	negative := len(s) > 0 && s[0] == '-'
	if negative || len(s) > 0 && s[0] == '+' {
		digits = s[1:]
	}
	const exactDigits = 15
	var mantissa uint64
	count, point := 0, -1
	for i, b := range digits {
		switch {
		case '0' <= b && b <= '9':
			count++
			if count <= exactDigits {
				mantissa = mantissa*10 + uint64(b-'0')
			}
		case point < 0 && (b == '.' || b == ',' && comma):
			point = i
		case b == ',' && !comma:
			return 0, errDecimalComma
		default:
			return 0, errNotPlain
		}
	}
	if count == 0 {
		return 0, errNotPlain
	}
	if count <= exactDigits {
		v := float64(mantissa)
		if point >= 0 {
			v /= pow10[len(digits)-1-point]
		}
		if negative && v != 0 { // no minus zero: it would be told apart from zero nowhere but in print
			v = -v
		}
		return v, nil
	}
	v, err := strconv.ParseFloat(string(bytes.ReplaceAll(s, []byte{','}, []byte{'.'})), 64)
	if err != nil || math.IsInf(v, 0) {
		return 0, errNotPlain
	}
	return v + 0, nil // -0 + 0 is 0
}

func parseWhole(s []byte) (int, error) {
	n := 0
	for _, b := range s {
		if b < '0' || b > '9' || n > math.MaxInt32/10-1 {
			return 0, errNotWhole
		}
		n = n*10 + int(b-'0')
	}
	if len(s) == 0 {
		return 0, errNotWhole
	}
	return n, nil
}

func parseMoney(s []byte, comma bool) (fleet.Money, error) {
	if comma {
		s = bytes.Replace(s, []byte{','}, []byte{'.'}, 1)
	}
	m, err := fleet.ParseMoney(string(s))
	if err != nil {
		return 0, errNotMoney
	}
	if m < 0 {
		return 0, errors.New("an amount cannot be below zero")
	}
	return m, nil
}

// celsius turns degrees Fahrenheit into Celsius, (f − 32) · 5/9. It rounds to a millionth of a degree, so that a reading
// gives the same row whichever of the two scales it was written in.
func celsius(f float64) float64 {
	const millionths = 1e6
	return math.Round((f-32)*5/9*millionths)/millionths + 0
}

// A span is what a quantity can be, both ends included.
type span struct {
	low, high float64
	unit      string
	hint      string // what may have happened, and what to do
}

func (s span) judge(v float64) error {
	if s.low <= v && v <= s.high {
		return nil
	}
	msg := fmt.Sprintf("%s is outside %s to %s %s", plain(v), plain(s.low), plain(s.high), s.unit)
	if s.hint != "" {
		msg += ": " + s.hint
	}
	return errors.New(msg)
}

// plain writes a number as files do: the shortest decimal that reads back the same, without an exponent.
func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }
