package reports

import (
	"math"
	"strings"
	"testing"

	"rimeyard/internal/fleet"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestMoney(t *testing.T) {
	for m, want := range map[fleet.Money]string{
		0: "0.00", 7: "0.07", 99_999: "999.99", 100_000: "1,000.00", 123_456_789: "1,234,567.89", -123_456: "−1,234.56",
		math.MaxInt64: "92,233,720,368,547,758.07", math.MinInt64: "−92,233,720,368,547,758.08",
	} {
		require.Equal(t, want, Money(m))
	}
	rapid.Check(t, func(t *rapid.T) { // law: taking the commas out gives the amount back
		m := fleet.Money(rapid.Int64().Draw(t, "m"))
		back := strings.NewReplacer(",", "", "−", "-").Replace(Money(m))
		require.Equal(t, m.String(), back)
	})
}

func TestDegrees(t *testing.T) {
	require.Equal(t, "−11.4\u00a0°C", Degrees(-11.4))
	require.Equal(t, "0.0\u00a0°C", Degrees(-0.04))
	require.Equal(t, "+3.2°", Margin(3.2))
	require.Equal(t, "−1.8°", Margin(-1.8))
	require.Equal(t, "0.0°", Margin(-0.01))
}

func TestChance(t *testing.T) {
	for p, want := range map[float64]string{
		0: "very unlikely, under 1 %", 0.62: "likely, 62 %", 0.5: "about even, 50 %", 0.3: "possible, 30 %",
		0.97: "almost certain, 97 %", 1: "almost certain, over 99 %", 0.1: "unlikely, 10 %", 0.01: "very unlikely, 1 %",
	} {
		require.Equal(t, want, Chance(p))
	}
}

func TestDayMonth(t *testing.T) {
	near := fleet.NewDate(2025, 10, 1)
	require.Equal(t, "6\u00a0Nov", DayMonth(fleet.NewDate(2025, 11, 6), near))
	require.Equal(t, "31\u00a0Mar\u00a02026", DayMonth(fleet.NewDate(2026, 3, 31), near))
}

func TestOneLine(t *testing.T) {
	require.Equal(t, "a Bcc: b", oneLine("a\r\nBcc: b"))
	require.Equal(t, "P1", oneLine("P\u202e1")) // no override of direction
	require.Equal(t, "x?", oneLine("x\xff"))
	require.Equal(t, "Zürich ☃", oneLine(" Zürich\u2028☃ "))
}

func TestFolded(t *testing.T) {
	require.Equal(t, "  aa bb\n  cc\n", folded("  aa bb cc", 8))
	require.Equal(t, "    - aa\n      bb\n", folded("    - aa bb", 9))
	rapid.Check(t, func(t *rapid.T) { // law: no word is lost, and only a single word may be too long
		words := rapid.SliceOf(rapid.StringMatching(`[a-zä]{1,12}`)).Draw(t, "words")
		out := folded("  "+strings.Join(words, " "), 20)
		require.Equal(t, words, append([]string{}, strings.Fields(out)...), out)
		for line := range strings.Lines(out) {
			require.LessOrEqual(t, len([]rune(strings.TrimRight(line, "\n"))), 20)
		}
	})
}
