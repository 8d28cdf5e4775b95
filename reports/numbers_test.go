package reports

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
	"rimeyard/plan"
)

// None, one, some and all read as people say them, in every sentence of a letter that a number is put into.
func TestNumbersReadWellInTonight(t *testing.T) {
	for _, tc := range []struct {
		wont, doubtful int
		expected       float64
		says           string
	}{
		{0, 0, 0.1, "No unit is likely to fail; fewer than one failed start in two such mornings is to be expected."},
		{0, 1, 0.4, "No unit is likely to fail, but 1 is doubtful; fewer than one failed start in two such mornings is to be expected."},
		{0, 3, 1.2, "No unit is likely to fail, but 3 are doubtful; about 1 failed start is to be expected if nothing is done."},
		{1, 0, 0.9, "1 unit will probably not start; about 1 failed start is to be expected if nothing is done."},
		{1, 1, 1.3, "1 unit will probably not start, 1 more is doubtful; about 1 failed start is to be expected if nothing is done."},
		{4, 2, 4.6, "4 units will probably not start, 2 more are doubtful; about 5 failed starts are to be expected if nothing is done."},
	} {
		require.Equal(t, tc.says, expectation(tc.wont, tc.doubtful, tc.expected))
	}
	for says, n := range map[string][2]int{
		"No unit belongs here.": {0, 0}, "": {0, 3}, "The one unit here should start.": {1, 1}, "All 3 units should start.": {3, 3},
		"The other unit should start.": {1, 3}, "The other 2 units should start.": {2, 3},
	} {
		require.Equal(t, says, othersWords(n[0], n[1]))
	}
	units := func(n int) []TonightUnit { return make([]TonightUnit, n) }
	at := func(depot fleet.DepotID, wont, doubtful int) TonightDepot {
		return TonightDepot{Depot: depot, Low: "−17 °C", WontRun: units(wont), Doubtful: units(doubtful)}
	}
	for says, depots := range map[string][]TonightDepot{
		"All units should start tonight at NOR, −17 °C":                                             {at("NOR", 0, 0)},
		"All units should start tonight":                                                            {at("NOR", 0, 0), at("SUD", 0, 0)},
		"No unit is likely to fail tonight, but 1 is doubtful at NOR, −17 °C":                       {at("NOR", 0, 1)},
		"No unit is likely to fail tonight, but 3 are doubtful":                                     {at("NOR", 0, 1), at("SUD", 0, 2)},
		"1 unit will probably not start tonight at NOR, −17 °C":                                     {at("NOR", 1, 1), at("SUD", 0, 2)},
		"4 units will probably not start tonight at A, −17 °C; B, −17 °C; C, −17 °C; 1 more depot":  {at("A", 1, 0), at("B", 1, 0), at("C", 1, 0), at("D", 1, 0)},
		"5 units will probably not start tonight at A, −17 °C; B, −17 °C; C, −17 °C; 2 more depots": {at("A", 1, 0), at("B", 1, 0), at("C", 1, 0), at("D", 1, 0), at("E", 1, 0)},
	} {
		require.Equal(t, says, Tonight{Depots: depots}.news())
	}
}

func TestNumbersReadWellInTheWinterList(t *testing.T) {
	list := func(down, swap int) (units []fleet.Forecast) {
		for i := range down + swap + 1 {
			f := fleet.Forecast{Band: fleet.Sound}
			if i < down {
				f.Band = fleet.Down
			} else if i < down+swap {
				f.Band = fleet.Swap
			}
			units = append(units, f)
		}
		return units
	}
	since := func(arrived, left, moved int) changes {
		return changes{since: "3 Nov", spoken: "last week", arrived: make([]string, arrived), left: make([]string, left), moved: make([]string, moved)}
	}
	for says, tc := range map[string]struct {
		down, swap int
		c          changes
	}{
		"no unit to swap before the frost":                                    {0, 0, changes{}},
		"1 unit to swap before the frost, 1 new since last week":              {0, 1, since(1, 2, 0)},
		"1 unit down, 1 to swap before the frost, unchanged since last week":  {1, 1, since(0, 0, 0)},
		"1 unit down, 1 fewer since last week":                                {1, 0, since(0, 1, 0)},
		"12 units down, 20 to swap before the frost, 2 moved since last week": {12, 20, since(0, 0, 2)},
	} {
		require.Equal(t, says, headline(list(tc.down, tc.swap), tc.c))
	}
	require.Empty(t, more(list(0, 2), 3))
	require.Equal(t, "1 more unit not shown", more(list(0, 2), 2))
	require.Equal(t, "2 more units not shown, 1 of them down or to swap", more(list(0, 2), 1))
}

func TestNumbersReadWellInIntake(t *testing.T) {
	for says, n := range map[string][2]int{
		" (new)": {1, 1}, " (not new)": {0, 1}, " (none of them new)": {0, 4}, " (1 of them new)": {1, 4}, " (all of them new)": {4, 4},
	} {
		require.Equal(t, says, freshWords(n[0], n[1]))
	}
	none := IntakeData{}
	require.Equal(t, "all that came in was taken", none.headline(0, 0, 0, 0, true))
	one := IntakeData{KeptRows: 1, Drifts: make([]fleet.KeptOddity, 1)}
	require.Equal(t, "1 row kept apart, 1 file refused, 1 unit stopped reporting (new), 1 tester drifts (not new)", one.headline(1, 1, 1, 0, true))
	many := IntakeData{KeptRows: 1204, Drifts: make([]fleet.KeptOddity, 2), Halted: []string{"cranks"}}
	require.Equal(t, "no cranks of late, 1,204 rows kept apart, 3 files refused, 5 units stopped reporting, 2 testers drift", many.headline(3, 5, 5, 2, false))
	require.Equal(t, "And 1 more unit.", moreOf(1, "more unit"))
	require.Empty(t, moreOf(0, "more unit"))
}

func TestNumbersReadWellInThePlan(t *testing.T) {
	known := fleet.Known(fleet.Money(123450))
	unknown := fleet.Opt[fleet.Money]{}
	for says, tc := range map[string]struct {
		visits, tests int
		avoided       fleet.Opt[fleet.Money]
	}{
		"nothing to put right at NOR":                                            {0, 0, known},
		"1 unit at NOR to test again, none to put right":                         {0, 1, known},
		"2 units at NOR to test again, none to put right":                        {0, 2, known},
		"1 visit at NOR avoids 1,234.50 of expected loss, 2 units to test again": {1, 2, known},
		"3 visits at NOR avoid 1,234.50 of expected loss":                        {3, 0, known},
		"1 visit at NOR avoids 0.4 failed starts":                                {1, 0, unknown},
	} {
		require.Equal(t, says, planNews(tc.visits, tc.tests, " at NOR", tc.avoided, 0.4))
	}
	season := func(visits int, w plan.Worth) Planned {
		p := Planned{Issue: fleet.Issue{Season: fleet.Season{To: fleet.NewDate(2027, 3, 31)}}}
		p.Plan = plan.Plan{Worth: w, Depots: []plan.DepotPlan{{Weeks: []plan.Week{{Visits: make([]plan.Visit, visits)}}}}}
		return p
	}
	priced := plan.Worth{Saved: fleet.Known(fleet.Money(10000)), Avoided: fleet.Known(fleet.Money(15000)), Costs: fleet.Known(fleet.Money(5000))}
	require.Equal(t, "Until 31\u00a0March nothing is planned.", PlanSeason(season(0, priced)))
	require.Equal(t, "Until 31\u00a0March 1 visit avoids 150.00 of expected loss, for 50.00 in parts' life and labour: 100.00 is saved.", PlanSeason(season(1, priced)))
	require.Equal(t, "Until 31\u00a0March 2 visits avoid 150.00 of expected loss, for 50.00 in parts' life and labour: 100.00 is saved.", PlanSeason(season(2, priced)))
	require.Equal(t, "Until 31\u00a0March 1 visit avoids 0.3 failed starts. Nobody has said what one costs.", PlanSeason(season(1, plan.Worth{SavedStarts: 0.3})))
	require.Equal(t, "with 1 more visit a week", WhatIf{More: 1}.Words())
	require.Equal(t, "with 2 more visits a week", WhatIf{More: 2}.Words())
}

func TestNumbersReadWellInTheLedger(t *testing.T) {
	for says, n := range map[string][2]int{"it is": {1, 1}, "1 of them is": {1, 2}, "2 of them are": {2, 3}, "all of them are": {3, 3}} {
		require.Equal(t, says, ofThem(n[0], n[1]))
	}
	from := fleet.NewDate(2026, 1, 10)
	cover := func(free, prorata int) ledger.Cover {
		return ledger.Cover{Price: 12000, From: from, FreeMonths: free, ProrataMonths: prorata}
	}
	require.Equal(t, []string{"Paid 120.00 EUR. Free replacement for 1 month from fitting, to 9 February 2026.", "On 9 February 2026 no month of service is complete: the whole price, 120.00 EUR."},
		plainly(CreditWords(cover(1, 0), from.AddMonths(1)-1, "EUR")))
	require.Equal(t, []string{"Paid 120.00 EUR. No time of free replacement.", "Pro rata in a straight line over 12 months from fitting, to 9 January 2027.", "On 10 February 2026 1 month of service is complete: 120.00 × (12 − 1) / 12 = 110.00 EUR."},
		plainly(CreditWords(cover(0, 12), from.AddMonths(1), "EUR")))
	require.Equal(t, "After that pro rata in a straight line over 24 months from fitting, to 9 January 2028.", plainly(CreditWords(cover(12, 24), from, "EUR"))[1])
}

func TestNumbersReadWellInTheAudit(t *testing.T) {
	require.Equal(t, "none failed", failedWords(0))
	require.Equal(t, "1 failed", failedWords(1))
	require.Equal(t, "2 failed", failedWords(2))
}

// plainly turns spaces that do not break into plain ones.
func plainly(said []string) []string {
	for i, s := range said {
		said[i] = strings.ReplaceAll(s, "\u00a0", " ")
	}
	return said
}
