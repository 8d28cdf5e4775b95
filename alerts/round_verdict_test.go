package alerts

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

func benchOf(restV, ccaA float64) Bench {
	b := Bench{
		Test: fleet.Test{Unit: "W-1", Position: 1, At: roundDay.Midnight(time.UTC).Add(9 * time.Hour), CCAStandard: fleet.SAE},
		Rated: &fleet.BatteryFitting{
			Battery: "B-1", Position: 1, RatedCCAA: 850, CCAStandard: fleet.SAE, FittedOn: fleet.Known(fleet.NewDate(2024, 3, 3)),
		},
		Zone: time.UTC,
	}
	if restV > 0 {
		b.Test.RestV = fleet.Known(restV)
	}
	if ccaA > 0 {
		b.Test.CCAA = fleet.Known(ccaA)
	}
	return b
}

func judgedAs(band fleet.Band, limitC float64) *Judgement {
	return &Judgement{
		Forecast: fleet.Forecast{
			Band: band, NoStartProbability: fleet.Known(0.42), ColdLimitC: fleet.Known(limitC), Suspect: fleet.StarterPart,
			SuspectProbabilities: map[fleet.Part]float64{fleet.StarterPart: 0.7, fleet.BatteryPart: 0.3},
		},
		Outlook: fleet.Outlook{Night: fleet.NightCurve{LimitC: limitC, SDC: 1, SpreadC: 2}},
	}
}

// Facts of the trade, common practice, no source: of a battery rated 850 A, 831 A is good, 600 A and 500 A are poor; 12.2 V at rest and
// more is acceptable, less is charged before anything is concluded; 12.4 V is fine.
func TestVerdictsOfTheTrade(t *testing.T) {
	for _, c := range []struct {
		name         string
		restV, ccaA  float64
		want         BenchVerdict
		says, silent string
	}{
		{"good", 12.6, 831, Fine, "831 A of 850 A rated (SAE), 98 %: good.", "Chance"},
		{"poor", 12.6, 600, PlanSwap, "71 %: poor.", ""},
		{"poorer", 12.5, 500, PlanSwap, "59 %: poor.", ""},
		{"between", 12.5, 680, Fine, "80 %: between good and poor", ""},
		{"just enough", 12.2, 831, Fine, "12.20 V at rest will do", "charge it, let"},
		{"too low", 12.19, 831, ChargeFirst, "12.19 V at rest is under 12.2 V: charge it", ""},
		{"too low and poor", 11.9, 500, ChargeFirst, "Nothing else can be concluded yet", "59 %: poor."},
		{"well charged", 12.4, 0, Fine, "12.40 V at rest: well charged.", "A of"},
		{"just charged", 13.2, 0, Fine, "it has just been charged", ""},
		{"not read", 0, 831, Fine, "No rest volts", ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			s := Verdict(benchOf(c.restV, c.ccaA))
			require.Equal(t, c.want, s.Verdict, "%q", s.Sentences)
			all := strings.Join(s.Sentences, " ")
			require.Contains(t, all, c.says)
			if c.silent != "" {
				require.NotContains(t, all, c.silent)
			}
		})
	}
}

func TestVerdictNeverComparesTwoStandards(t *testing.T) {
	b := benchOf(12.6, 500)
	b.Test.CCAStandard = fleet.EN
	b.Before = []fleet.Test{{Position: 1, At: b.Test.At.AddDate(0, -1, 0), CCAA: fleet.Known(800.0), CCAStandard: fleet.SAE}}
	s := Verdict(b)
	require.Equal(t, Fine, s.Verdict, "500 A by another standard condemn nothing")
	require.Contains(t, strings.Join(s.Sentences, " "), "500 A (EN) cannot be held against the rated 850 A (SAE): two standards are never compared. Set the tester to SAE.")
	require.NotContains(t, strings.Join(s.Sentences, " "), "less than")
	b.Rated = nil
	require.Contains(t, Verdict(b).Sentences[1], "no battery is on record at position 1")
}

func TestVerdictAgainstTheBatterysOwnPast(t *testing.T) {
	b := benchOf(12.6, 612)
	earlier := func(months, position int, a float64) fleet.Test {
		return fleet.Test{Position: position, At: b.Test.At.AddDate(0, -months, 0), CCAA: fleet.Known(a), CCAStandard: fleet.SAE}
	}
	b.Before = []fleet.Test{earlier(40, 1, 400), earlier(13, 1, 700), earlier(1, 1, 660), earlier(0, 2, 100)}
	require.Contains(t, Verdict(b).Sentences, "612 A is 48 A less than on 25 October 2026.")
	b.Before = []fleet.Test{earlier(40, 1, 400)}
	require.NotContains(t, strings.Join(Verdict(b).Sentences, " "), "more than on", "that was another battery")
}

func TestVerdictOfTonightAndTheSeason(t *testing.T) {
	b := benchOf(12.6, 831)
	b.LowC, b.Judged = fleet.Known(-17.0), judgedAs(fleet.Swap, -12)
	s := Verdict(b)
	require.Equal(t, KeepIn, s.Verdict)
	require.Contains(t, s.Sentences, "Tonight falls to −17 °C and its cold limit is −12 °C: it will probably not start in the morning.")
	require.Contains(t, s.Sentences, "Chance of a failed start this season 42 %; most to blame: starter (70 %).")
	b.LowC = fleet.Known(-2.0)
	require.Equal(t, PlanSwap, Verdict(b).Verdict, "a good battery beside a starter that is not")
	b.Judged = judgedAs(fleet.Watch, -14)
	require.Equal(t, Fine, Verdict(b).Verdict)
	b.LowC, b.Judged, b.Test.RestV = fleet.Known(-17.0), judgedAs(fleet.Swap, -12), fleet.Known(11.8)
	s = Verdict(b)
	require.Equal(t, ChargeFirst, s.Verdict, "a flat battery comes first")
	require.Contains(t, strings.Join(s.Sentences, " "), "it will probably not start in the morning", "but nobody counts on it tonight")
}

func TestOddValuesAreAskedAboutOnce(t *testing.T) {
	b := benchOf(12.6, 780)
	b.Before = []fleet.Test{{Position: 1, At: b.Test.At.AddDate(0, 0, -22), CCAA: fleet.Known(600.0), CCAStandard: fleet.SAE}}
	ask := func() []Question { return Odd(b.Test, b.Rated, b.Before, time.UTC) }
	require.Equal(t, []Question{{"cca_a", "30 % up on 600 A of 3 November 2026: another battery?"}}, ask())
	b.Test.CCAA = fleet.Known(779.0)
	require.Empty(t, ask())
	b.Test.CCAA = fleet.Known(420.0)
	require.Equal(t, []Question{{"cca_a", "30 % down on 600 A of 3 November 2026: as read?"}}, ask())
	b.Before, b.Test.CCAA, b.Test.RestV = nil, fleet.Known(1190.0), fleet.Known(9.8)
	require.Equal(t, []Question{
		{"cca_a", "1190 A is 40 % above the rated 850 A: as read?"}, {"rest_v", "9.8 V is as good as flat, or a cell is dead: as read?"},
	}, ask())
	b.Test.CCAStandard = fleet.EN
	require.Len(t, ask(), 1, "two standards are never compared")
}
