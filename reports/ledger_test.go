package reports

import (
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/ledger"
)

func someLedger() LedgerData {
	month := func(m time.Month, kind ledger.Kind, centre string, amount fleet.Money, minutes int64) fleet.LedgerSum {
		return fleet.LedgerSum{Month: fleet.NewDate(2026, m, 1), Kind: string(kind), CostCentre: centre, Currency: "EUR", Amount: amount, Minutes: minutes, Entries: 1}
	}
	return LedgerData{
		Today: fleet.NewDate(2026, 11, 10), Currency: "EUR", IsSet: true, Booked: time.Date(2026, 11, 10, 6, 0, 0, 0, time.UTC), Closed: fleet.Known(fleet.NewDate(2026, 9, 1)),
		Depots: []fleet.Depot{{ID: "NOR", Timezone: "Europe/Oslo", Latitude: fleet.Known(60.0)}},
		Sums: []fleet.LedgerSum{
			month(9, ledger.PartFitted, "<b>41</b>", 100_00, 0), month(10, ledger.PartFitted, "<b>41</b>", 300_10, 0), month(10, ledger.BreakdownCost, "", 450_05, 0),
			month(10, ledger.DepositPaid, "", 22_00, 0), month(11, ledger.HoursDown, "", 0, 330), month(11, ledger.WarrantyCredit, "", -50_00, 0),
			{Month: fleet.NewDate(2026, 10, 1), Kind: string(ledger.OtherCost), Currency: "CAD", Amount: 1_00, Entries: 1},
		},
		Deposits: fleet.DepositsOut{Cores: 2, Sum: 40_00, Overdue: 1, OverdueSum: 18_00, Fitted: 2, FittedSum: 44_00},
	}
}

func TestTheLetterOfTheLedger(t *testing.T) {
	l := ComposeLedger(someLedger())
	require.Equal(t, "750.15\u00a0EUR spent in October\u00a02026", l.Headline, "deposits stand apart")
	c, err := l.Render(nil)
	require.NoError(t, err)
	plain := strings.ReplaceAll(strings.Join(strings.Fields(c.Text), " "), "\u00a0", " ")
	for _, want := range []string{
		"November 2026 so far: −50.00 EUR. Since the season began in October 2026: 700.15 EUR.", "22.00 EUR were paid and 0.00 EUR came back", "Units stood still for 5.5 h",
		"There are entries in CAD too, which are in none of these sums.", "September 2026: 100.00 spent, 0.00 in deposits, less returned (closed)", "November 2026 so far: −50.00 spent", "All 13 months: 800.15 spent, 22.00 in deposits",
		"All cost centres: 750.15 last month, −50.00 this month so far, 700.15 in the season", "no cost centre: 450.05 last month, −50.00 this month so far",
		"2 cores could be handed in, with deposits of 40.00 EUR; 1 of them is overdue, with 18.00 EUR.", "Deposits of 44.00 EUR are out for 2 parts that are still fitted.", NetWords,
	} {
		require.Contains(t, plain, want)
	}
	require.Contains(t, c.HTML, "&lt;b&gt;41&lt;/b&gt;")
	require.NotContains(t, c.HTML, "<b>41</b>")
	again := someLedger()
	again.Sums[5].Amount--
	require.NotEqual(t, l.Mark, ComposeLedger(again).Mark, "another sum is news")
	pages, err := l.PDF()
	require.NoError(t, err)
	require.True(t, strings.HasPrefix(string(pages), "%PDF-"))
}

// The working out is in the words, and ends on the day before the months are complete.
func TestCreditIsWorkedOutInWords(t *testing.T) {
	cover := ledger.Cover{Price: 240_00, FreeMonths: 12, ProrataMonths: 48, From: fleet.NewDate(2025, 2, 10)}
	for day, want := range map[fleet.Date]string{
		fleet.NewDate(2026, 2, 9):  "11 months of service are complete: the whole price, 240.00",
		fleet.NewDate(2026, 2, 10): "240.00 × (48 − 12) / 48 = 180.00",
		fleet.NewDate(2029, 2, 9):  "240.00 × (48 − 47) / 48 = 5.00",
		fleet.NewDate(2029, 2, 10): "the warranty is over",
	} {
		said := strings.ReplaceAll(strings.Join(CreditWords(cover, day, "EUR"), " "), "\u00a0", " ")
		require.Contains(t, said, want, day)
	}
}

// What failed on the day of fitting was the part that came out, and a column without any note is not printed.
func TestAClaimSheetHasWhatThePartIsToBlameFor(t *testing.T) {
	on := fleet.NewDate(2025, 1, 9)
	at := func(day, hour int) time.Time { return time.Date(2025, 1, day, hour, 0, 0, 0, time.UTC) }
	sheet := ClaimSheet{
		Claim: fleet.Claim{ID: 7, Unit: "N-1", Serial: "B-1", Part: "P-1", PartKind: fleet.BatteryPart, Expected: 112_00, OpenedOn: on + 100},
		Part:  CoveredPart{Serial: "B-1", Part: "P-1", Kind: fleet.BatteryPart, Position: 1, Fitted: fleet.Known(on), Cover: ledger.Cover{Price: 112_00, FreeMonths: 24, From: on}},
		History: fleet.History{
			Unit:       fleet.Unit{ID: "N-1", Class: "van"},
			Batteries:  []fleet.BatteryFitting{{Battery: "B-1", Position: 1, Part: "P-1", RatedCCAA: 760, CCAStandard: fleet.EN, FittedOn: fleet.Known(on)}},
			Breakdowns: []fleet.Breakdown{{Unit: "N-1", At: at(9, 5), Cause: fleet.BatteryPart}, {Unit: "N-1", At: at(20, 6), Cause: fleet.BatteryPart, HoursDown: fleet.Known(4.0)}},
			Tests:      []fleet.Test{{Unit: "N-1", At: at(19, 9), Position: 1, RestV: fleet.Known(12.31), CCAA: fleet.Known(445.0), CCAStandard: fleet.EN}},
		},
		Depot: fleet.Depot{Name: "North Yard", Timezone: "UTC"}, Currency: "EUR", Today: on + 101,
	}
	pages, err := sheet.PDF()
	require.NoError(t, err)
	said := printedWords(t, pages)
	for _, want := range []string{"760 A cold cranking (EN)", "2025-01-20 06:00", "445 EN", "Credit granted, net, EUR"} {
		require.Contains(t, said, want)
	}
	require.NotContains(t, said, "2025-01-09 05:00")
	require.NotContains(t, said, "Note")
}

func TestPriceListsAreReadWholeOrNotAtAll(t *testing.T) {
	for typed, says := range map[string]string{
		"": "there is no line", "part,kind,from\n": "the column price is missing", "part,kind,from,price,colour\n": `there is no column "colour"`,
		"part,kind,from,price\nP,battery,2026-01-01,1.234": "line 2: amount", "part,kind,from,price\nP,battery,1.1.2026,1": "line 2: date", "part,kind,from,price\nP,battery,2026-01-01\n": "line 2",
		"part,kind,from,price,free_months,prorata_months\nP,battery,2026-01-01,1,24,12": "line 2: pro rata",
	} {
		lines, err := ReadPrices(strings.NewReader(typed))
		require.ErrorContains(t, err, says, typed)
		require.Empty(t, lines)
	}
	lines, err := ReadPrices(strings.NewReader("\ufeffpart, kind, from, price, core_deposit\r\n'=P,battery,2026-01-01,199.9,\r\n"))
	require.NoError(t, err)
	require.Equal(t, []fleet.PartPrice{{Part: "=P", Kind: fleet.BatteryPart, From: fleet.NewDate(2026, 1, 1), Price: 199_90}}, lines)
}
