package fleet

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
)

// Money is an amount in minor units (cents) of the fleet's one currency. Files and JSON write it with two decimals.
type Money int64

var errMoney = errors.New("want an amount like 312.00: digits, then at most two decimals")

// ParseMoney reads a plain decimal with at most two places. It never rounds: a third decimal is an error.
func ParseMoney(s string) (Money, error) {
	digits, negative := strings.CutPrefix(s, "-")
	whole, cents, _ := strings.Cut(digits, ".")
	if !isDigits(whole) || (strings.Contains(digits, ".") && !isDigits(cents)) || len(cents) > 2 {
		return 0, fmt.Errorf("amount %q: %w", s, errMoney)
	}
	n, err := strconv.ParseInt(whole+(cents + "00")[:2], 10, 64)
	if err != nil || n > math.MaxInt64/2 {
		return 0, fmt.Errorf("amount %q: %w", s, errMoney)
	}
	if negative {
		n = -n
	}
	return Money(n), nil
}

// RoundMoney turns an expected amount in whole currency, such as a probability times a cost, into Money, half away from zero.
func RoundMoney(amount float64) Money { return Money(math.Round(amount * 100)) }

// Amount is m in whole currency, for models and charts; sums of Money stay in Money.
func (m Money) Amount() float64 { return float64(m) / 100 }

func (m Money) String() string {
	sign, n := "", uint64(m)
	if m < 0 {
		sign, n = "-", -n
	}
	return fmt.Sprintf("%s%d.%02d", sign, n/100, n%100)
}

// MarshalJSON writes a JSON number with two decimals, like 312.00.
func (m Money) MarshalJSON() ([]byte, error) { return []byte(m.String()), nil }

// UnmarshalJSON reads a JSON number, without going through floating point.
func (m *Money) UnmarshalJSON(b []byte) (err error) {
	*m, err = ParseMoney(string(b))
	return err
}

func isDigits(s string) bool {
	for _, r := range s {
		if r < '0' || r > '9' {
			return false
		}
	}
	return s != ""
}
