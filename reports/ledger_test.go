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
		"There are entries in CAD too, which are in none of these sums.", "September 2026: 100.00 spent, 0.00 net in deposits (closed)", "no cost centre: 450.05 last month, −50.00 this month so far",
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
