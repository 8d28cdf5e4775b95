package ledger

import (
	"fmt"

	"golang.org/x/text/currency"
)

// Currency is a currency's code by ISO 4217, like EUR.
type Currency string

// ParseCurrency reads a code. The fleet's amounts have two decimals (see fleet.Money), so currencies with more or fewer are refused.
func ParseCurrency(code string) (Currency, error) {
	unit, err := currency.ParseISO(code)
	if err != nil {
		return "", fmt.Errorf("currency %q: want a code of ISO 4217, like EUR or CAD", code)
	}
	if decimals, _ := currency.Standard.Rounding(unit); decimals != 2 {
		return "", fmt.Errorf("currency %s: amounts are kept with two decimals, and it has %d", unit, decimals)
	}
	return Currency(unit.String()), nil
}
