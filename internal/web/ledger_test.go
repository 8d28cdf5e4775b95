package web

import (
	"context"
	"encoding/csv"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/xuri/excelize/v2"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/ledger"
	"rimeyard/reports"
)

// addMoney brings prices, deposits, a claim and a bill to the fleet, and books what there is.
func (w *world) addMoney() {
	w.t.Helper()
	ctx := w.t.Context()
	for _, sql := range []string{
		`INSERT INTO battery_fitting (battery, unit, position, part, chemistry, rated_cca_a, cca_standard, fitted_on, removed_on, removed_because, price, core_deposit, free_months, prorata_months) VALUES
			('BX-2', 'N-2', 1, 'P-70', 'agm', 850, 'sae', '2025-02-10', NULL, '', 24000, 2200, 12, 48),
			('=BX-3', 'S-1', 1, 'P-80', 'efb', 700, 'en', '2024-01-31', '2026-09-30', 'failed', 18990, 1800, 12, 24),
			('BX-4', 'S-1', 1, 'P-80', 'efb', 700, 'en', '2026-09-30', NULL, '', 19990, 1800, 24, NULL)`,
		`INSERT INTO starter_fitting (starter, unit, part, fitted_on, price) VALUES ('ST-1', 'S-1', 'Q-2', '2026-10-15', 41000)`,
		`INSERT INTO breakdown (unit, happened_at, cause, cost, hours_down) VALUES ('S-1', '2026-10-31T23:30:00Z', 'battery', 85050, 5.5)`, // in Paris it is November
	} {
		_, err := w.db.Pool().Exec(ctx, sql)
		require.NoError(w.t, err)
	}
	require.NoError(w.t, w.db.SetPartPrices(ctx, []fleet.PartPrice{{Part: "P-70", Kind: fleet.BatteryPart, Name: "=1+1", From: fleet.NewDate(2026, 1, 1), Price: 245_00}}))
	_, err := w.db.OpenClaim(ctx, fleet.Claim{Unit: "S-1", Serial: "=BX-3", Part: "P-80", PartKind: fleet.BatteryPart, State: "open", Expected: 15_83, OpenedOn: fleet.NewDate(2026, 10, 2), Note: "<b>cold</b>", By: "anna"})
	require.NoError(w.t, err)
	_, err = w.db.AddBill(ctx, fleet.Bill{On: fleet.NewDate(2026, 11, 3), Kind: string(ledger.CallOut), Unit: "N-1", Amount: 120_00, Note: "@tow", By: "anna"})
	require.NoError(w.t, err)
	w.bookLedger()
}

func (w *world) bookLedger() {
	w.t.Helper()
	_, err := reports.BookLedger(w.t.Context(), w.db, nil, "test", fleet.DateOf(w.now, time.UTC))
	require.NoError(w.t, err)
}

// entriesOf reads the entries as CSV, without the header.
func entriesOf(t *testing.T, b *browser, query string) [][]string {
	t.Helper()
	res := b.get("/ledger/entries.csv" + query)
	require.Equal(t, http.StatusOK, res.status, res.body)
	rows, err := csv.NewReader(strings.NewReader(res.body)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, reports.LedgerHeader(), rows[0])
	return rows[1:]
}

func cents(t *testing.T, rows [][]string) (sum fleet.Money) {
	t.Helper()
	for _, row := range rows {
		m, err := fleet.ParseMoney(row[10])
		require.NoError(t, err)
		sum += m
	}
	return sum
}

// Every sum on the overview is the sum of the rows that it opens to, to the cent.
func TestEachSumOfTheLedgerOpensToItsRows(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("anna", fleet.Accountant)
	w.addPerson("nora", fleet.Accountant, "NOR")
	for _, name := range []string{"anna", "nora"} {
		b := w.as(name)
		doc := b.get("/ledger").page()
		links, sums := 0, fleet.Money(0)
		for _, cell := range all(doc, "td", "class", "num") {
			for _, a := range all(cell, "a", "href", "") {
				href, _ := attribute(a, "href")
				_, query, _ := strings.Cut(href, "?")
				rows := entriesOf(t, b, "?"+query)
				require.Equal(t, reports.Money(cents(t, rows)), text(a), href)
				links++
				sums += cents(t, rows)
			}
		}
		require.Greater(t, links, 5)
		require.NotZero(t, sums)
	}
	require.NotContains(t, w.as("nora").get("/ledger/entries.csv").body, "S-1", "of another depot")
	require.Equal(t, http.StatusNotFound, w.as("nora").get("/ledger?depot=SUD").status)
	november := entriesOf(t, w.as("anna"), "?from=2026-11&to=2026-11&kind=breakdown")
	require.Len(t, november, 1, "half past eleven in the evening, UTC, is November in Paris")
	require.Equal(t, "2026-11-01", november[0][1])
}

func TestLedgerWorkbookRunsNoText(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("anna", fleet.Accountant)
	res := w.as("anna").get("/ledger/entries.xlsx")
	require.Equal(t, http.StatusOK, res.status)
	book, err := excelize.OpenReader(strings.NewReader(res.body))
	require.NoError(t, err)
	require.Equal(t, []string{"Entries", "By month and kind", "By cost centre", "Definitions"}, book.GetSheetList())
	rows, err := book.GetRows("Entries")
	require.NoError(t, err)
	for r, row := range rows {
		for c := range row {
			cell, err := excelize.CoordinatesToCellName(c+1, r+1)
			require.NoError(t, err)
			formula, err := book.GetCellFormula("Entries", cell)
			require.NoError(t, err)
			if formula != "" {
				require.Contains(t, formula, "SUBTOTAL(109,", cell)
			}
		}
	}
	for _, path := range []string{"/ledger/entries.csv", "/ledger/prices.csv", "/ledger/owed.csv"} {
		table, err := csv.NewReader(strings.NewReader(w.as("anna").get(path).body)).ReadAll()
		require.NoError(t, err)
		for _, row := range table {
			for i, field := range row {
				if !slices.Contains([]string{"amount", "price"}, table[0][i]) {
					require.False(t, field != "" && strings.ContainsAny(field[:1], "=+@"), "%s: %q", path, field)
				}
			}
		}
	}
}

// A core that comes back is booked at once; the deposit is no longer owed.
func TestACoreComesBack(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("anna", fleet.Accountant)
	b := w.as("anna")
	require.Contains(t, text(b.get("/ledger/owed").page()), "=BX-3 S-1 SUD")
	form := url.Values{"unit": {"S-1"}, "kind": {"battery"}, "serial": {"=BX-3"}, "fitted_on": {"2024-01-31"}, "on": {"2026-11-20"}}
	ahead := url.Values{}
	for k, v := range form {
		ahead[k] = v
	}
	ahead["on"] = []string{"2026-11-30"}
	require.Equal(t, http.StatusBadRequest, b.post("/ledger/owed/core", ahead).status)
	require.Equal(t, http.StatusSeeOther, b.post("/ledger/owed/core", form).status)
	require.NotContains(t, text(b.get("/ledger/owed").page()), "=BX-3 S-1 SUD")
	back := entriesOf(t, b, "?kind=deposit_returned")
	require.Equal(t, "-18.00", back[0][10])
	require.Equal(t, []string{"2026-11-20", "anna"}, []string{back[0][1], back[0][15]})
	require.Equal(t, http.StatusNotFound, b.post("/ledger/owed/core", form).status, "a core comes back once")
}

func TestAClaimIsOpenedSentAndPaid(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("anna", fleet.Accountant)
	w.addPerson("mara", fleet.Manager)
	b := w.as("anna")
	page := text(b.get("/ledger/claims/new?unit=N-2&kind=battery&serial=BX-2").page())
	// fitted on 10 February 2025, claimed on 25 November 2026: 21 months are complete; 240.00 × (48 − 21) / 48
	require.Contains(t, page, "240.00 × (48 − 21) / 48 = 135.00")
	opened := b.post("/ledger/claims", url.Values{"unit": {"N-2"}, "kind": {"battery"}, "serial": {"BX-2"}, "on": {"2026-11-25"}, "note": {"tests low"}})
	require.Equal(t, http.StatusSeeOther, opened.status, opened.body)
	require.Equal(t, "/ledger/claims/2", opened.header.Get("Location"))
	twice := b.post("/ledger/claims", url.Values{"unit": {"N-2"}, "kind": {"battery"}, "serial": {"BX-2"}, "on": {"2026-11-25"}})
	require.Equal(t, http.StatusUnprocessableEntity, twice.status)
	require.Equal(t, http.StatusForbidden, w.as("mara").post("/ledger/claims/2", url.Values{}).status)
	pdf := w.as("mara").get("/ledger/claims/2/sheet.pdf")
	require.Equal(t, http.StatusOK, pdf.status)
	require.True(t, strings.HasPrefix(pdf.body, "%PDF-"))

	require.Equal(t, http.StatusUnprocessableEntity, b.post("/ledger/claims/2", url.Values{"state": {"paid"}, "on": {"2026-11-25"}, "paid": {"135,00"}}).status)
	require.Equal(t, http.StatusSeeOther, b.post("/ledger/claims/2", url.Values{"state": {"paid"}, "on": {"2026-11-25"}, "paid": {"130.00"}}).status)
	credit := entriesOf(t, b, "?kind=warranty_credit")
	require.Len(t, credit, 1)
	require.Equal(t, []string{"-130.00", "claim/2/credit"}, []string{credit[0][10], credit[0][13]})
	require.Contains(t, text(b.get("/ledger/claims/2").page()), "It is settled")
}

// What is closed stays: a price that turns out wrong afterwards is corrected in the open month.
func TestAMonthIsClosedForGood(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("anna", fleet.Accountant)
	w.addPerson("nora", fleet.Accountant, "NOR")
	b := w.as("anna")
	require.Equal(t, http.StatusForbidden, w.as("nora").post("/ledger/close", url.Values{"month": {"2026-10"}, "sure": {"yes"}}).status, "of the whole fleet")
	require.Equal(t, http.StatusBadRequest, b.post("/ledger/close", url.Values{"month": {"2026-10"}}).status)
	require.Equal(t, http.StatusBadRequest, b.post("/ledger/close", url.Values{"month": {"2026-11"}, "sure": {"yes"}}).status, "it is not over")
	require.Equal(t, http.StatusSeeOther, b.post("/ledger/close", url.Values{"month": {"2026-10"}, "sure": {"yes"}}).status)
	before := cents(t, entriesOf(t, b, "?to=2026-10"))
	_, err := w.db.Pool().Exec(t.Context(), `UPDATE battery_fitting SET price = 20000 WHERE battery = 'BX-4'`)
	require.NoError(t, err)
	require.Equal(t, http.StatusSeeOther, b.post("/ledger/book", url.Values{}).status)
	require.Equal(t, before, cents(t, entriesOf(t, b, "?to=2026-10")))
	corrected := entriesOf(t, b, "?from=2026-11&kind=part&unit=S-1")
	require.Equal(t, fleet.Money(10), cents(t, corrected))
	require.Len(t, corrected, 2)
	require.Contains(t, text(b.get("/ledger/entries?from=2026-11&kind=part&unit=S-1").page()), "belongs to 2026-09-30")
}

func TestPricesAndFigures(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("anna", fleet.Accountant)
	b := w.as("anna")
	require.Contains(t, text(b.get("/ledger").page()), "Nobody has set the currency yet")
	for field, value := range map[string]string{"currency": "JPY", "labour_per_hour": "85,00", "core_days": "soon"} {
		form := url.Values{"currency": {"CAD"}, "from": {"2026-11-01"}, field: {value}}
		res := b.post("/ledger/figures", form)
		require.Equal(t, http.StatusUnprocessableEntity, res.status, field)
		require.NotEmpty(t, all(res.page(), "p", "id", field+"-wrong"), field)
	}
	form := url.Values{"currency": {"cad"}, "labour_per_hour": {"85"}, "down_per_hour": {"40"}, "from": {"2026-11-01"}, "core_days": {"30"}, "lead_weeks": {"3"}}
	require.Equal(t, http.StatusSeeOther, b.post("/ledger/figures", form).status)
	require.Equal(t, http.StatusSeeOther, b.post("/ledger/book", url.Values{}).status)
	down := entriesOf(t, b, "?kind=hours_down&from=2026-11")
	require.Equal(t, []string{"220.00", "CAD"}, down[len(down)-1][10:12], "5.5 hours at 40.00")
	require.Contains(t, text(b.get("/ledger/owed").page()), "1 are overdue")
	require.Contains(t, text(b.get("/ledger").page()), "CAD")

	require.Equal(t, http.StatusUnprocessableEntity, b.post("/ledger/prices", url.Values{"part": {"P-80"}, "kind": {"battery"}, "from": {"2026-11-01"}, "price": {"-1"}}).status)
	bad := b.post("/ledger/prices/file", url.Values{"lines": {"part,kind,from,price\nP-80,battery,2026-11-01,199.90\nP-81,wheel,2026-11-01,1\n"}})
	require.Equal(t, http.StatusUnprocessableEntity, bad.status)
	require.Contains(t, text(bad.page()), `Line 3: kind "wheel"`)
	require.Equal(t, http.StatusSeeOther, b.post("/ledger/prices/file", url.Values{"lines": {"part,kind,from,price,core_deposit\nP-80,battery,2026-11-01,199.90,18\nP-80,battery,2027-01-01,205,18\n"}}).status)
	prices, err := w.db.PartPrices(t.Context())
	require.NoError(t, err)
	require.Len(t, prices, 3, "all or none")
	again, err := reports.ReadPrices(strings.NewReader(b.get("/ledger/prices.csv").body))
	require.NoError(t, err)
	require.Equal(t, prices, again, "read as written")
}

func TestBillsAreTakenBack(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nora", fleet.Accountant, "NOR")
	w.addPerson("anna", fleet.Accountant)
	nora := w.as("nora")
	form := url.Values{"kind": {"call_out"}, "on": {"2026-11-20"}, "amount": {"99.99"}, "unit": {"S-1"}}
	require.Equal(t, http.StatusUnprocessableEntity, nora.post("/ledger/bills", form).status, "of another depot")
	form.Set("unit", "")
	require.Equal(t, http.StatusUnprocessableEntity, nora.post("/ledger/bills", form).status, "of all depots")
	require.Equal(t, http.StatusSeeOther, w.as("anna").post("/ledger/bills", form).status)
	shares := entriesOf(t, w.as("anna"), "?kind=call_out&from=2026-11")
	require.Equal(t, fleet.Money(120_00+99_99), cents(t, shares))
	require.Len(t, shares, 3, "split over the depots by their units, to the cent")
	require.Equal(t, http.StatusNotFound, nora.post("/ledger/bills/2/take-back", url.Values{}).status)
	sum := all(w.as("anna").get("/ledger/bills").page(), "tr", "class", "sum")[0]
	require.Equal(t, "219.99", text(all(sum, "td", "data-is", "Amount")[0]))
	require.Equal(t, http.StatusSeeOther, nora.post("/ledger/bills/1/take-back", url.Values{}).status)
	require.Equal(t, fleet.Money(99_99), cents(t, entriesOf(t, w.as("anna"), "?kind=call_out")))
}

func TestABudgetIsKeptAndComparedWithWhatCame(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("anna", fleet.Accountant)
	w.addPerson("nora", fleet.Accountant, "NOR")
	b := w.as("anna")
	page := b.get("/ledger/budget").page()
	total := fleet.Money(0)
	table := all(page, "table", "class", "list kept money")[0]
	rows := all(table, "td", "data-is", "Expected")
	for _, cell := range rows[:len(rows)-1] {
		m, err := fleet.ParseMoney(strings.ReplaceAll(text(cell), ",", ""))
		require.NoError(t, err)
		total += m
	}
	require.Equal(t, reports.Money(total), text(rows[len(rows)-1]), "months add up to the cent")
	for _, what := range []string{"?if=cold", "?if=more&more=5", "?if=wait", "?if=part&buy=P-70&in_place_of=P-80", "?to=season", "?depot=NOR"} {
		require.Equal(t, http.StatusOK, b.get("/ledger/budget"+what).status, what)
		require.Equal(t, http.StatusOK, b.get("/ledger/budget.xlsx"+what).status, what)
	}
	waiting := b.get("/ledger/budget?if=wait").page()
	require.Empty(t, all(waiting, "td", "data-is", "Planned"), "nothing is planned, so there is no column of nothing")
	require.Contains(t, text(waiting), "expected otherwise")
	require.Contains(t, text(waiting), "November 2026, from 2026-11-25", "the days before it are booked, not forecast")
	require.Equal(t, http.StatusBadRequest, b.get("/ledger/budget?if=rain").status)
	kept := b.post("/ledger/budget", url.Values{"name": {"First"}})
	require.Equal(t, http.StatusSeeOther, kept.status, kept.body)
	require.Equal(t, "/ledger/budget?against=1", kept.header.Get("Location"))
	w.now = w.now.AddDate(0, 0, 20)
	_, err := w.db.AddBill(t.Context(), fleet.Bill{On: fleet.NewDate(2026, 12, 2), Kind: "other", Unit: "N-1", Amount: 777_77, By: "anna"})
	require.NoError(t, err)
	w.bookLedger()
	against := strings.ReplaceAll(text(b.get("/ledger/budget?against=1").page()), "\u00a0", " ")
	require.Contains(t, against, "First, against what came")
	require.Contains(t, against, "777.77")
	require.Equal(t, http.StatusNotFound, w.as("nora").get("/ledger/budget?against=1").status, "of other depots")
	require.Contains(t, text(b.get("/ledger").page()), "Budget “First”")
}

// slowAhead is a store of which what lies ahead takes as long as it is held.
type slowAhead struct {
	*store.DB
	held  chan struct{}
	reads atomic.Int32
}

func (s *slowAhead) ListedAhead(ctx context.Context, issue int64, of []fleet.DepotID) ([]fleet.Listed, error) {
	s.reads.Add(1)
	<-s.held
	return s.DB.ListedAhead(ctx, issue, of)
}

// Nobody waits for a budget that takes long: the page says so and looks again, and the work is done once for all who ask.
func TestABudgetIsWorkedOutOnceInTheBackground(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("anna", fleet.Accountant)
	slow := &slowAhead{DB: w.db, held: make(chan struct{})}
	w.srv.budgets, w.srv.patience = reports.NewBudgets(slow, w.srv.plans), planPatience
	b, other := w.as("anna"), reports.WhatIf{Buy: "P-70", InPlaceOf: "P-80"}
	path := budgetQuery{WhatIf: other}.href("/ledger/budget")
	for range 2 {
		res := b.get(path)
		require.Equal(t, http.StatusOK, res.status)
		require.Equal(t, "2", res.header.Get("Refresh"))
		require.Contains(t, text(res.page()), "The budget is being worked out")
		require.NotEmpty(t, all(res.page(), "a", "href", path))
	}
	close(slow.held)
	_, err := w.srv.budgets.Of(t.Context(), reports.BudgetAsked{Today: fleet.DateOf(w.now, time.UTC), WhatIf: other})
	require.NoError(t, err)
	require.EqualValues(t, 1, slow.reads.Load())
	w.srv.patience = time.Minute
	res := b.get(path)
	require.Empty(t, res.header.Get("Refresh"))
	require.Contains(t, text(res.page()), "if P-70 is bought in the place of P-80")
}

func TestTheLedgerIsForThoseWhoAccount(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	for role, want := range map[fleet.Role]int{fleet.Mechanic: 403, fleet.Reader: 403, fleet.Accountant: 200, fleet.Manager: 200} {
		w.addPerson(string(role), role)
		b := w.as(string(role))
		require.Equal(t, want, b.get("/ledger").status, role)
		require.Equal(t, want == 200, strings.Contains(text(b.get("/winter-list").page()), "Ledger"), role)
	}
	require.Equal(t, http.StatusForbidden, w.as(string(fleet.Manager)).post("/ledger/bills", url.Values{}).status)
	w.addPerson("lost", fleet.Accountant, "NOR")
	_, err := w.db.Pool().Exec(t.Context(), `DELETE FROM person_depot WHERE person = 'lost'`)
	require.NoError(t, err)
	lost := w.as("lost")
	for _, page := range []string{"/ledger", "/ledger/entries", "/ledger/budget", "/ledger/pays", "/ledger/owed", "/ledger/bills"} {
		require.Equal(t, http.StatusOK, lost.get(page).status, page)
		require.NotContains(t, lost.get(page).body, "BX-2", page)
	}
	require.Empty(t, entriesOf(t, lost, ""))
}

// BenchmarkLedgerOfFiftyThousand reports how long the pages take that add up ten years of 50,000 units, the first time in a process and then, and
// how long the daily work takes to keep what they read.
func BenchmarkLedgerOfFiftyThousand(b *testing.B) {
	w := newWorld(b)
	w.addBigFleet(50_000)
	w.addBigLedger()
	w.addPerson("anna", fleet.Accountant)
	w.keepFigures()
	who := w.as("anna")
	for _, path := range []string{
		"/ledger", "/ledger/entries", "/ledger/entries?from=2026-01&kind=part", "/ledger/budget", "/ledger/budget?if=cold", "/ledger/budget?if=more&more=5",
		"/ledger/budget?if=wait", "/ledger/budget?to=season", "/ledger/budget?if=part&buy=P-5&in_place_of=P-6", "/ledger/owed", "/ledger/pays", "/ledger/unbooked", "/ledger/prices", "/ledger/stock",
	} {
		start := time.Now()
		res := who.get(path)
		require.Equal(b, http.StatusOK, res.status, "%s: %s", path, res.body)
		first := time.Since(start)
		took := make([]time.Duration, 0, 5)
		for range cap(took) {
			start := time.Now()
			require.Equal(b, http.StatusOK, who.get(path).status)
			took = append(took, time.Since(start))
		}
		slices.Sort(took)
		b.Logf("%-42s first %6d ms, then %4d ms", path, first.Milliseconds(), took[len(took)/2].Milliseconds())
	}
	for b.Loop() {
		require.Equal(b, http.StatusOK, who.get("/ledger/budget").status)
	}
}

// keepFigures does what the daily work does for the ledger's pages, and says how long each takes.
func (w *world) keepFigures() {
	w.t.Helper()
	today := fleet.DateOf(w.now, time.UTC)
	for _, part := range []struct {
		name string
		keep func() (int, error)
	}{
		{"plans", func() (int, error) { return reports.NewPlans(w.db).Keep(w.t.Context(), today) }},
		{"budgets", func() (int, error) {
			return reports.NewBudgets(w.db, reports.NewPlans(w.db)).Keep(w.t.Context(), today)
		}},
		{"what pays", func() (int, error) { return reports.KeepPays(w.t.Context(), w.db, today) }},
		{"warranties", func() (int, error) { return reports.KeepCover(w.t.Context(), w.db, today) }},
	} {
		start := time.Now()
		kept, err := part.keep()
		require.NoError(w.t, err)
		w.t.Logf("kept %d of %s in %.1f s", kept, part.name, time.Since(start).Seconds())
	}
}

// addBigLedger brings ten years of fittings and breakdowns to the big fleet, with outlooks, and books them.
func (w *world) addBigLedger() {
	w.t.Helper()
	for _, sql := range []string{
		`INSERT INTO battery_fitting (battery, unit, position, part, chemistry, rated_cca_a, cca_standard, fitted_on, removed_on, removed_because, price, core_deposit, core_returned_on, free_months)
			SELECT unit || '/' || p || '/' || y, unit, p, 'P-' || (hashtext(unit) % 5 + 5), 'agm', 800, 'sae', '2016-03-01'::date + 1200 * y + abs(hashtext(unit)) % 300,
			CASE WHEN y < 2 THEN '2016-03-01'::date + 1200 * (y + 1) + abs(hashtext(unit)) % 300 END, CASE WHEN y < 2 THEN 'failed' ELSE '' END, 18000 + abs(hashtext(unit)) % 9000, 2200,
			CASE WHEN y < 2 AND abs(hashtext(unit)) % 5 > 0 THEN '2016-03-10'::date + 1200 * (y + 1) + abs(hashtext(unit)) % 300 END, 24
			FROM unit, generate_series(1, 2) p, generate_series(0, 2) y`,
		`INSERT INTO breakdown (unit, happened_at, cause, cost, hours_down) SELECT unit, '2016-12-01'::timestamptz + y * interval '730 days' + abs(hashtext(unit)) % 100 * interval '1 day', 'battery', 42000, 4
			FROM unit, generate_series(0, 4) y WHERE abs(hashtext(unit)) % 3 = y % 3`,
		// in every winter every unit's chance rises month by month
		`INSERT INTO outlook (unit, issue, depot, night_limit_c, winters, by_winter, ahead) SELECT unit, issue, 'NOR', -10,
			ARRAY(SELECT 2015 + w FROM generate_series(1, 10) w), ARRAY(SELECT 100 * w * k FROM generate_series(1, 10) w, generate_series(1, 5) k ORDER BY w, k), json_build_object('unit', unit,
			'chance_by_week', (SELECT json_agg(round(0.004 * w * (1 + abs(hashtext(unit)) % 7), 4)) FROM generate_series(1, 18) w),
			'no_start_cost', 450.00, 'swap_costs', json_build_object('battery', 400.00), 'age_years', json_build_object('battery', 4.2), 'fitted', json_build_object('battery', json_build_array('P-5', 'P-5')))
			FROM unit, (SELECT max(issue) AS issue FROM issue) i`,
	} {
		_, err := w.db.Pool().Exec(w.t.Context(), sql)
		require.NoError(w.t, err)
	}
	analyse := func() {
		_, err := w.db.Pool().Exec(w.t.Context(), `VACUUM ANALYZE`) //nolint:misspell // as SQL spells it
		require.NoError(w.t, err)
	}
	analyse()
	start := time.Now()
	added, err := reports.BookLedger(w.t.Context(), w.db, nil, "test", fleet.DateOf(w.now, time.UTC))
	require.NoError(w.t, err)
	first := time.Since(start)
	start = time.Now()
	again, err := reports.BookLedger(w.t.Context(), w.db, nil, "test", fleet.DateOf(w.now, time.UTC))
	require.NoError(w.t, err)
	require.Zero(w.t, again)
	w.t.Logf("booked %d entries in %.1f s; looking again took %.1f s", added, first.Seconds(), time.Since(start).Seconds())
	analyse()
}

// A fitting of which the day is not known is one row to mend, whatever entries it lacks.
func TestRowsWithoutAnEntryAreToldOnce(t *testing.T) {
	rows := unbookedRows([]ledger.Unbooked{
		{Source: "battery_fitting/B-1/unknown/deposit", Unit: "N-1", Depot: "NOR", Kind: ledger.DepositPaid, Why: "the day of fitting is not known"},
		{Source: "battery_fitting/B-1/unknown/price", Unit: "N-1", Depot: "NOR", Kind: ledger.PartFitted, Why: "the day of fitting is not known"},
		{Source: "battery_fitting/B-2/2024-03-03/price", Unit: "N-1", Depot: "NOR", Kind: ledger.PartFitted, Why: "no price is recorded"},
	})
	require.Len(t, rows, 2)
	require.Equal(t, "deposits paid, parts fitted", rows[0].Kind)
	require.Equal(t, unbookedRow{"battery B-2, fitted 2024-03-03", "N-1", "/units/N-1", "NOR", "parts fitted", "no price is recorded"}, rows[1])
}
