package reports

import (
	"fmt"
	"strings"
	"time"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

// LedgerName is the report's name.
const LedgerName = "ledger"

// KindWords is what an entry is for, as people read it.
func KindWords(k ledger.Kind) string {
	switch k {
	case ledger.PartFitted:
		return "parts fitted"
	case ledger.DepositPaid:
		return "deposits paid"
	case ledger.DepositReturned:
		return "deposits returned"
	case ledger.WarrantyCredit:
		return "warranty credits"
	case ledger.BreakdownCost:
		return "breakdowns"
	case ledger.CallOut:
		return "call-outs"
	case ledger.HoursDown:
		return "hours down"
	case ledger.Labour:
		return "labour"
	}
	return "other"
}

// KindTitle is KindWords for the head of a column of money.
func KindTitle(k ledger.Kind) string {
	if k == ledger.HoursDown {
		return "Cost of hours down"
	}
	return firstUpper(KindWords(k))
}

// MonthWords writes a month as November 2026.
func MonthWords(m ledger.Month) string {
	year, month, _ := m.First().YMD()
	return fmt.Sprintf("%s\u00a0%d", month, year)
}

// InCurrency writes an amount with its currency: 1,234.50 EUR.
func InCurrency(m fleet.Money, c ledger.Currency) string { return Money(m) + "\u00a0" + string(c) }

// SourceWords says of which row an entry speaks.
func SourceWords(source string) string {
	words := strings.Split(source, "/")
	for i := range words {
		words[i] = strings.NewReplacer("%2F", "/", "%25", "%").Replace(words[i])
	}
	row := words[0]
	what := map[string]string{
		"battery_fitting": "battery", "starter_fitting": "starter", "breakdown": "breakdown", "claim": "claim", "job": "job", "bill": "bill",
	}[row]
	switch {
	case what == "" || len(words) < 2:
		return source
	case row == "breakdown" && len(words) > 2:
		at, err := time.Parse(time.RFC3339Nano, words[2])
		if err != nil {
			return source
		}
		return "breakdown of " + words[1] + ", " + at.Format("2006-01-02 15:04") + " UTC"
	case strings.HasSuffix(row, "_fitting") && len(words) > 2:
		return what + " " + words[1] + ", fitted " + strings.Replace(words[2], "unknown", "on a day not known", 1)
	}
	return what + " " + words[1]
}

// CountAs writes a number with a noun whose plural is its own: 1 entry, 2,771 entries.
func CountAs(n int64, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return grouped(fmt.Sprint(n)) + " " + many
}

// HoursOf writes minutes as hours: 1,212.5 h.
func HoursOf(minutes int64) string {
	if minutes == 0 {
		return "–"
	}
	whole, tenth, _ := strings.Cut(decimal(float64(minutes)/60), ".")
	sign := ""
	if digits, below := strings.CutPrefix(whole, minus); below {
		sign, whole = minus, digits
	}
	return sign + grouped(whole) + "." + tenth + "\u00a0h"
}

// NetWords says on every page of money what its figures are.
const NetWords = "All amounts are net. VAT is not worked out, as it is not known for which amounts it can be reclaimed."
