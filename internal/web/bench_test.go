package web

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// refusedEntry is a test in every world that was not taken.
const refusedEntry = "refused-entry-0000001"

// addBench adds what the bench's pages show: a test that was refused, and a phone that is kept.
func (w *world) addBench() {
	w.t.Helper()
	at, err := time.Parse(time.RFC3339, "2026-11-24T08:00:00Z")
	require.NoError(w.t, err)
	require.NoError(w.t, w.db.AddBenchEntry(w.t.Context(), fleet.BenchEntry{
		Entry: refusedEntry, Unit: "N-2", Depot: "NOR", At: at, By: "una", Row: map[string]string{"unit": "N-2", "cca_a": "600", "tested_by": "una"},
		Outcome: fleet.BenchRefused, Reason: "cca_standard: cca_a means nothing without the standard",
	}))
	_, hash := NewToken()
	added, err := w.db.AddBenchPhone(w.t.Context(), fleet.BenchPhone{Name: "una-phone", Depot: "NOR", Person: "una", Fingerprint: "none"}, hash)
	require.NoError(w.t, err)
	require.True(w.t, added)
}

// atBench is a world with a mechanic of NOR.
func atBench(tb testing.TB, change ...func(*Config)) (*world, *browser) {
	tb.Helper()
	w := newWorld(tb, change...)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	w.addPerson("kim", fleet.Mechanic, "NOR")
	return w, w.as("jo")
}

func (b *browser) sendTest(entry string, row map[string]string, more ...string) reply {
	b.w.t.Helper()
	t := benchTest{Entry: entry, Row: row}
	if len(more) > 0 {
		t.Mends = more[0]
	}
	body, err := json.Marshal(t)
	require.NoError(b.w.t, err)
	return b.do(http.MethodPost, "/bench/tests", string(body), "Content-Type", "application/json", "Accept", "application/json")
}

func (r reply) answer() (a benchAnswer) {
	r.t.Helper()
	require.Equal(r.t, http.StatusOK, r.status, "%s", r.body)
	require.NoError(r.t, json.Unmarshal([]byte(r.body), &a))
	return a
}

func rowOf(unit, at, rest, cca string) map[string]string {
	row := map[string]string{"unit": unit, "tested_at": at, "position": "1", "rest_v": rest, "tested_by": "kim"}
	if cca != "" {
		row["cca_a"], row["cca_standard"] = cca, "sae"
	}
	return row
}

func (w *world) testsOf(unit fleet.UnitID) []fleet.Test {
	w.t.Helper()
	h, err := w.db.History(w.t.Context(), unit)
	require.NoError(w.t, err)
	return h.Tests
}

func TestATestFromThePhoneIsLikeAnyOther(t *testing.T) {
	w, jo := atBench(t)
	row := rowOf("N-1", "2026-11-25T09:29:00Z", "12.53", "640")
	row["note"] = "terminals cleaned"
	a := jo.sendTest("phone-key-0000000001", row).answer()
	require.Equal(t, fleet.BenchTaken, a.Outcome)
	require.NotNil(t, a.Said)
	require.Contains(t, a.Said.Sentences, "640 A of 850 A rated (SAE), 75 %: between good and poor: test again within two months.")
	require.Contains(t, a.Said.Sentences, "640 A is 38 A more than on 20 November 2026.")
	tests := w.testsOf("N-1")
	got := tests[len(tests)-1]
	require.Equal(t, "kim", got.TestedBy)
	require.Equal(t, "terminals cleaned", got.Note)
	e, _, err := w.db.BenchEntry(t.Context(), "phone-key-0000000001")
	require.NoError(t, err)
	require.Equal(t, "jo", e.By, "who was signed in is on record too")
	imports, err := w.db.RecentImports(t.Context(), 1)
	require.NoError(t, err)
	require.Equal(t, "bench:jo", imports[0].Source)
	page := text(jo.get(a.Href).page())
	require.Contains(t, page, "tested by kim, sent by jo")
	require.Contains(t, page, "N-1: "+string(a.Said.Verdict))
}

// The same test is sent by eight at once, then again after the server lost its memory of it: it stands once, and every answer says taken.
func TestSentTwiceTakenOnce(t *testing.T) {
	w, jo := atBench(t)
	row := rowOf("N-1", "2026-11-25T09:20:00Z", "12.53", "640")
	before := len(w.testsOf("N-1"))
	var wg sync.WaitGroup
	outcomes := make([]fleet.BenchOutcome, 8)
	for i := range outcomes {
		wg.Go(func() { outcomes[i] = jo.sendTest("phone-key-0000000002", row).answer().Outcome })
	}
	wg.Wait()
	for _, o := range outcomes {
		require.Equal(t, outcomes[0], o, "all hear the same")
		require.Contains(t, []fleet.BenchOutcome{fleet.BenchTaken, fleet.BenchAlreadyThere}, o)
	}
	require.Len(t, w.testsOf("N-1"), before+1)
	_, err := w.db.Pool().Exec(t.Context(), `DELETE FROM bench_entry`) // as if the server had died between the test and its key
	require.NoError(t, err)
	require.Equal(t, fleet.BenchAlreadyThere, jo.sendTest("phone-key-0000000002", row).answer().Outcome)
	require.Len(t, w.testsOf("N-1"), before+1)
}

func TestAFailingStoreTakesNoTestTwice(t *testing.T) {
	var broken atomic.Bool
	w, jo := atBench(t, func(cfg *Config) {
		intake := cfg.Intake
		cfg.Intake = func(ctx context.Context, body io.Reader, opt ingest.Options) (*ingest.Result, error) {
			if broken.Load() {
				return nil, errors.New("the disk is full")
			}
			return intake(ctx, body, opt)
		}
	})
	row := rowOf("N-2", "2026-11-25T09:20:00Z", "12.53", "")
	broken.Store(true)
	require.Equal(t, http.StatusInternalServerError, jo.sendTest("phone-key-0000000003", row).status)
	_, found, err := w.db.BenchEntry(t.Context(), "phone-key-0000000003")
	require.NoError(t, err)
	require.False(t, found)
	broken.Store(false)
	require.Equal(t, fleet.BenchTaken, jo.sendTest("phone-key-0000000003", row).answer().Outcome)
	require.Len(t, w.testsOf("N-2"), 1)
}

func TestTwoTestsOfOneMinuteAreDecidedByAPerson(t *testing.T) {
	w, jo := atBench(t)
	at := "2026-11-25T09:20:00Z"
	require.Equal(t, fleet.BenchTaken, jo.sendTest("phone-key-0000000010", rowOf("N-1", at, "12.53", "640")).answer().Outcome)
	require.Equal(t, fleet.BenchAlreadyThere, jo.sendTest("phone-key-0000000011", rowOf("N-1", at, "12.53", "640")).answer().Outcome, "another phone, the very same test")
	a := jo.sendTest("phone-key-0000000012", rowOf("N-1", at, "12.10", "590")).answer()
	require.Equal(t, fleet.BenchConflict, a.Outcome)
	require.Nil(t, a.Said)
	kept, err := w.db.CountKept(t.Context(), fleet.KeptFilter{Column: "rest_v", File: "battery_tests"})
	require.NoError(t, err)
	require.EqualValues(t, 1, kept, "it is kept apart meanwhile")
	page := jo.get(a.Href).page()
	for _, value := range []string{"12.10", "12.53", "590", "640", "take this one a minute later"} {
		require.Contains(t, text(page), value)
	}
	require.Equal(t, http.StatusBadRequest, jo.post(a.Href, url.Values{"do": {"nothing"}}).status)
	require.Equal(t, http.StatusSeeOther, jo.post(a.Href, url.Values{"do": {"later"}}).status)
	require.Contains(t, text(jo.get(a.Href).page()), "taken")
	tests := w.testsOf("N-1")
	require.Equal(t, "09:21", tests[len(tests)-1].At.Format("15:04"))
	require.InDelta(t, 590, tests[len(tests)-1].CCAA.Or(0), 0)
	require.Equal(t, http.StatusConflict, jo.post(a.Href, url.Values{"do": {"later"}}).status, "decided once")

	b := jo.sendTest("phone-key-0000000013", rowOf("N-1", at, "12.00", "")).answer()
	require.Equal(t, fleet.BenchConflict, b.Outcome)
	require.Equal(t, http.StatusSeeOther, jo.post(b.Href, url.Values{"do": {"leave_out"}}).status)
	require.Contains(t, text(jo.get(b.Href).page()), "left out by jo")
	kept, err = w.db.CountKept(t.Context(), fleet.KeptFilter{File: "battery_tests"})
	require.NoError(t, err)
	require.Zero(t, kept)
	require.Len(t, w.testsOf("N-1"), len(tests))
}

func TestWhatIsRefusedIsMended(t *testing.T) {
	w, jo := atBench(t)
	row := rowOf("N-99", "2026-11-25T09:20:00Z", "12.53", "640")
	a := jo.sendTest("phone-key-0000000020", row).answer()
	require.Equal(t, fleet.BenchRefused, a.Outcome)
	require.Contains(t, a.Reason, "no unit of this number is known")
	require.Contains(t, text(jo.get(a.Href).page()), "Mend it")
	form := jo.get("/bench/unit?unit=N-99&mend=phone-key-0000000020").page()
	require.Contains(t, text(form), "It was not taken: unit: no unit of this number is known")
	value, _ := attribute(all(form, "input", "id", "rest_v")[0], "value")
	require.Equal(t, "12.53", value, "what was typed comes back")
	require.Equal(t, http.StatusNotFound, w.as("kim").get(a.Href).status, "a unit that nobody knows is its sender's")

	row["unit"] = "N-2"
	require.Equal(t, fleet.BenchTaken, jo.sendTest("phone-key-0000000021", row, "phone-key-0000000020").answer().Outcome)
	require.Len(t, w.testsOf("N-2"), 1)
	kept, err := w.db.CountKept(t.Context(), fleet.KeptFilter{File: "battery_tests"})
	require.NoError(t, err)
	require.Zero(t, kept, "mended, it waits no more on the page Intake either")
	require.Contains(t, text(jo.get(a.Href).page()), "mended, and sent anew")

	row["tested_by"] = "mallory"
	a = jo.sendTest("phone-key-0000000022", row).answer()
	require.Equal(t, fleet.BenchRefused, a.Outcome)
	require.Contains(t, a.Reason, `nobody called "mallory" tests at this depot`)
	require.Equal(t, http.StatusBadRequest, jo.sendTest("short", row).status)
	require.Equal(t, http.StatusBadRequest, jo.sendTest("phone-key-0000000023", map[string]string{"soc_pct": "50"}).status)
}

func TestBenchKeepsDepotsApart(t *testing.T) {
	w, jo := atBench(t)
	a := jo.sendTest("phone-key-0000000030", rowOf("S-1", "2026-11-25T09:20:00Z", "12.53", "")).answer()
	require.Equal(t, fleet.BenchRefused, a.Outcome)
	require.NotContains(t, a.Reason, "SUD")
	require.Empty(t, w.testsOf("S-1"))
	for _, path := range []string{"/bench?depot=SUD", "/bench/facts?depot=SUD", "/bench/tests?depot=SUD", "/bench/labels.pdf?depot=SUD", "/bench/labels?depot=SUD"} {
		require.Equal(t, http.StatusNotFound, jo.get(path).status, path)
	}
	require.NotContains(t, jo.get("/bench/facts").body, "S-1")
	require.NotContains(t, jo.get("/bench/facts").body, "SUD")
	require.Contains(t, text(jo.get("/bench/unit?unit=S-1").page()), "There is no unit S-1 in the depots that you may see")
	w.addPerson("sue", fleet.Mechanic, "SUD")
	require.Equal(t, http.StatusNotFound, w.as("sue").get("/bench/tests/"+refusedEntry).status)
	require.Equal(t, http.StatusNotFound, w.as("sue").sendTest(refusedEntry, rowOf("S-1", "2026-11-25T09:20:00Z", "12.5", "")).status, "a key of others tells nothing")
	require.Equal(t, http.StatusNotFound, w.as("sue").post("/bench/phones/una-phone/let-go", nil).status)
}

func TestFactsAreAllThatAPhoneNeeds(t *testing.T) {
	_, jo := atBench(t)
	var facts benchFactsJSON
	require.NoError(t, json.Unmarshal([]byte(jo.get("/bench/facts").body), &facts))
	require.EqualValues(t, "NOR", facts.Depot)
	require.Equal(t, "jo", facts.Person)
	require.Equal(t, []benchPerson{{"jo", ""}, {"kim", ""}}, facts.People, "readers test nothing")
	require.Len(t, facts.Units, 3)
	i := 0
	for facts.Units[i].Unit != "N-1" {
		i++
	}
	require.InDelta(t, 850, facts.Units[i].Batteries[0].RatedCCAA, 0)
	require.InDelta(t, 602, facts.Units[i].Tests[0].CCAA.Or(0), 0)
	require.Equal(t, "20 November 2026", facts.Units[i].Tests[0].On)
	require.Equal(t, ingest.Limits(fleet.TestsKind), facts.Limits)
	require.Equal(t, 3, facts.Round.Stops)
}

// Without a script: impossible values and odd ones come back with the reason, then the test is taken and its verdict shown.
func TestBenchWithoutAScript(t *testing.T) {
	w, jo := atBench(t)
	form := url.Values{"unit": {"N-1"}, "entry": {"form-key-00000000001"}, "position": {"1"}, "rest_v": {"124,1"}, "cca_a": {"800"}, "tested_by": {"jo"}}
	res := jo.post("/bench/unit", form)
	require.Equal(t, http.StatusUnprocessableEntity, res.status)
	page := text(res.page())
	require.Contains(t, page, "124.1 is outside 1 to 16 V, what 12 V can show at rest: this may be millivolts, or the reading of another system: write volts.")
	require.Contains(t, page, "Choose the standard that the tester was set to")
	form.Set("rest_v", "12,41")
	form.Set("cca_standard", "sae")
	res = jo.post("/bench/unit", form)
	require.Equal(t, http.StatusUnprocessableEntity, res.status)
	require.Contains(t, text(res.page()), "33 % up on 602 A of 20 November 2026: another battery?")
	form.Set("sure_cca_a", "other_battery")
	res = jo.post("/bench/unit", form)
	require.Equal(t, http.StatusSeeOther, res.status, "%s", res.body)
	tests := w.testsOf("N-1")
	last := tests[len(tests)-1]
	require.Equal(t, anotherBattery, last.Note)
	require.InDelta(t, 12.41, last.RestV.Or(0), 0)
	require.Equal(t, res.header.Get("Location"), jo.post("/bench/unit", form).header.Get("Location"), "a button pressed twice")
	require.Len(t, w.testsOf("N-1"), len(tests))
	require.Contains(t, text(jo.get(res.header.Get("Location")).page()), "12.41 V at rest: well charged.")
	require.Contains(t, text(jo.get("/bench").page()), "1 of 3 tested")
	require.Equal(t, http.StatusUnprocessableEntity, jo.post("/bench/unit", url.Values{}).status)
}

func TestAKeptPhoneOpensTheBenchAndNothingElse(t *testing.T) {
	w, jo := atBench(t)
	res := jo.post("/bench/keep", url.Values{"depot": {"NOR"}, "name": {"jo-shed"}})
	require.Equal(t, http.StatusSeeOther, res.status, "%s", res.body)
	cookie := res.header.Get("Set-Cookie")
	for _, want := range []string{"rimeyard-bench=", "Path=/bench", "HttpOnly", "SameSite=Lax"} {
		require.Contains(t, cookie, want)
	}
	round := text(jo.get("/bench").page())
	require.Contains(t, round, "It is kept for the bench as jo-shed")
	require.NotContains(t, round, "Keep this phone")
	jo.post("/sign-out", nil)
	require.Contains(t, text(jo.get("/bench").page()), "It is kept for the bench of North & Sons <yard> (NOR) as jo-shed")
	require.Equal(t, fleet.BenchTaken, jo.sendTest("phone-key-0000000040", rowOf("N-2", "2026-11-25T09:20:00Z", "12.53", "")).answer().Outcome)
	e, _, err := w.db.BenchEntry(t.Context(), "phone-key-0000000040")
	require.NoError(t, err)
	require.Equal(t, "jo-shed", e.Phone)
	for _, path := range []string{"/", "/winter-list", "/units/N-1", "/intake", "/settings/account", "/bench/phones", "/bench/labels", "/bench/labels.pdf"} {
		require.Equal(t, http.StatusSeeOther, jo.get(path).status, path)
	}
	require.Equal(t, http.StatusUnauthorized, jo.post("/bench/keep", url.Values{"depot": {"NOR"}, "name": {"jo-more"}}).status)
	require.Equal(t, http.StatusNotFound, jo.get("/bench?depot=SUD").status)

	other := w.as("kim")
	require.Contains(t, text(other.get("/bench/phones").page()), "jo-shed")
	require.Equal(t, http.StatusSeeOther, other.post("/bench/phones/jo-shed/let-go", nil).status)
	lost := jo.sendTest("phone-key-0000000041", rowOf("N-2", "2026-11-25T09:22:00Z", "12.53", ""))
	require.Equal(t, http.StatusUnauthorized, lost.status)
	require.Contains(t, lost.body, "/problems/phone")
	require.Len(t, w.testsOf("N-2"), 1)
	changes, err := w.db.Changes(t.Context(), 2)
	require.NoError(t, err)
	require.Equal(t, "kim", changes[0].By)
	require.Equal(t, "phone jo-shed", changes[0].Subject)
}

// What ends a sign-in everywhere ends the phones that were kept with it.
func TestKeptPhonesEndWithTheirKeeper(t *testing.T) {
	for name, end := range map[string]func(*world) error{
		"a new password": func(w *world) error {
			_, err := w.db.SetPassword(t.Context(), "jo", HashPassword("another cold morning"))
			return err
		},
		"disabled": func(w *world) error {
			_, err := w.db.Pool().Exec(t.Context(), `UPDATE person SET disabled_at = now() WHERE person = 'jo'`)
			return err
		},
		"another depot": func(w *world) error {
			_, err := w.db.Pool().Exec(t.Context(), `UPDATE person_depot SET depot = 'SUD' WHERE person = 'jo'`)
			return err
		},
		"its time is over": func(w *world) error { w.now = w.now.Add(phoneKept + 30*24*time.Hour); return nil },
	} {
		t.Run(name, func(t *testing.T) {
			w, jo := atBench(t)
			require.Equal(t, http.StatusSeeOther, jo.post("/bench/keep", url.Values{"depot": {"NOR"}, "name": {"jo-shed"}}).status)
			jo.post("/sign-out", nil)
			require.Equal(t, http.StatusOK, jo.get("/bench/facts").status)
			require.NoError(t, end(w))
			require.Equal(t, http.StatusUnauthorized, jo.get("/bench/facts", "Accept", "application/json").status)
		})
	}
}

func TestTheShellHoldsNobodysData(t *testing.T) {
	w, _ := atBench(t)
	res := w.browser().get("/bench/shell")
	require.Equal(t, http.StatusOK, res.status)
	for _, data := range []string{"N-1", "NOR", "jo", "850", "602"} {
		require.NotContains(t, text(res.page()), data)
	}
	worker := w.browser().get("/bench/worker.js")
	require.Equal(t, "/bench", worker.header.Get("Service-Worker-Allowed"))
	require.Equal(t, "no-cache", worker.header.Get("Cache-Control"))
	line, _, _ := strings.Cut(worker.body, "\n")
	var kept struct {
		Files []string `json:"files"`
		Queue string   `json:"queue"`
	}
	require.NoError(t, json.NewDecoder(bytes.NewReader([]byte(strings.TrimPrefix(line, "const kept = ")))).Decode(&kept))
	for _, doc := range []string{"script", "link", "img"} {
		for _, el := range all(res.page(), doc, "", "") {
			for _, name := range []string{"src", "href"} {
				if url, has := attribute(el, name); has {
					require.Contains(t, kept.Files, url, "the shell needs what is kept")
				}
			}
		}
	}
	for _, file := range append(kept.Files, kept.Queue) {
		require.Equal(t, http.StatusOK, w.browser().get(file).status, file)
	}
}

// Batteries on the depot's own shelf that are due are on the round; what was charged lately and what lies elsewhere is not.
func TestShelvesAreOnTheRound(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	_, err := w.db.Pool().Exec(t.Context(), `INSERT INTO part (part, kind) VALUES ('P-SHELF', 'battery');
		INSERT INTO shelf_battery (serial, depot, part, came_on, charged_on) VALUES
		('OLD', 'NOR', 'P-SHELF', '2026-05-01', NULL), ('FRESH', 'NOR', 'P-SHELF', '2026-05-01', '2026-11-20'), ('AWAY', 'SUD', 'P-SHELF', '2026-05-01', NULL)`)
	require.NoError(t, err)
	shelf := all(w.as("jo").get("/bench").page(), "section", "aria-labelledby", "shelf-title")
	require.Len(t, shelf, 1)
	require.Contains(t, text(shelf[0]), "OLD")
	require.NotContains(t, text(shelf[0]), "FRESH")
	require.NotContains(t, text(shelf[0]), "AWAY")
	require.Contains(t, text(shelf[0]), "never charge a frozen battery")
}
