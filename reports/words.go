package reports

import (
	"fmt"
	"math"
	"strings"
	"unicode"

	"rimeyard/internal/fleet"
)

const (
	minus  = "\u2212" // a true minus sign: a hyphen is lost in small print
	unsaid = "not known"
)

// Money writes an amount with thousands separated: 1,234.50. The fleet has one currency, so no sign is printed.
func Money(m fleet.Money) string {
	whole, cents, _ := strings.Cut(strings.TrimPrefix(m.String(), "-"), ".")
	s := grouped(whole) + "." + cents
	if m < 0 {
		return minus + s
	}
	return s
}

func grouped(digits string) string {
	var b strings.Builder
	for i, d := range digits {
		if i > 0 && (len(digits)-i)%3 == 0 {
			b.WriteByte(',')
		}
		b.WriteRune(d)
	}
	return b.String()
}

// Degrees writes a temperature to a tenth: −11.4 °C. The space does not break.
func Degrees(c float64) string { return decimal(c) + "\u00a0°C" }

// Margin writes a reserve with its sign always shown: +3.2°, −1.8°.
func Margin(degrees float64) string {
	s := decimal(degrees)
	if !strings.HasPrefix(s, minus) && s != "0.0" {
		s = "+" + s
	}
	return s + "°"
}

func decimal(v float64) string {
	s := fmt.Sprintf("%.1f", v)
	if s == "-0.0" {
		s = "0.0"
	}
	return strings.Replace(s, "-", minus, 1)
}

// Chance puts a probability into plain words and a percentage. Nothing is called certain: below 1 and above 99 per
// cent it says so in these words.
func Chance(p float64) string {
	switch {
	case p < 0.01:
		return "very unlikely, under 1 %"
	case p > 0.99:
		return "almost certain, over 99 %"
	}
	word := "almost certain"
	for _, step := range chanceWords {
		if p < step.below {
			word = step.word
			break
		}
	}
	return fmt.Sprintf("%s, %d %%", word, int(math.Round(p*100)))
}

// ChanceWord puts a probability into words alone, where its figure stands beside them: very likely.
func ChanceWord(p float64) string {
	word, _, _ := strings.Cut(Chance(p), ",")
	return word
}

// chanceWords: common practice, no source; each step is wide enough that a percent more or less rarely changes the word.
var chanceWords = [...]struct {
	below float64
	word  string
}{{0.05, "very unlikely"}, {0.20, "unlikely"}, {0.40, "possible"}, {0.60, "about even"}, {0.80, "likely"}, {0.95, "very likely"}}

// DayMonth writes a date as 6 Nov, and with its year where that is not the year of near.
func DayMonth(d, near fleet.Date) string {
	y, m, day := d.YMD()
	s := fmt.Sprintf("%d\u00a0%s", day, m.String()[:3])
	if ny, _, _ := near.YMD(); ny != y {
		s += fmt.Sprintf("\u00a0%d", y)
	}
	return s
}

// Count writes "1 unit" and "12 units".
func Count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return grouped(fmt.Sprint(n)) + " " + noun + "s"
}

// ofThem begins a sentence part about n of all: 1 of them is, all of them are.
func ofThem(n, all int) string {
	switch {
	case all == 1 && n == 1:
		return "it is"
	case n == all:
		return "all of them are"
	case n == 1:
		return "1 of them is"
	}
	return fmt.Sprintf("%d of them are", n)
}

// oneLine takes what would break a line, or turn the direction of what follows, out of a user's text.
func oneLine(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case r == unicode.ReplacementChar:
			return '?'
		case unicode.IsControl(r), r == '\u2028', r == '\u2029':
			return ' '
		case unicode.Is(unicode.Cf, r):
			return -1
		}
		return r
	}, strings.ToValidUTF8(s, "?"))
	return strings.Join(strings.Fields(s), " ")
}

// shortened cuts s after n runes and says so with an ellipsis.
func shortened(s string, n int) string {
	if r := []rune(s); len(r) > n {
		return strings.TrimRight(string(r[:n-1]), " ") + "…"
	}
	return s
}
