package web

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/serviceworker"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/alerts"
	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// Phones in one yard, each with nothing kept on it at first.
func TestBenchOnPhones(t *testing.T) {
	y := newYard(t)
	first := y.phone(filepath.Join(t.TempDir(), "phone"))
	for _, story := range []struct {
		name string
		told func(*yard, *phone)
	}{
		{"the network is switched off", benchNetworkOff},
		{"the server comes back while the page stays open", benchTimer},
		{"the browser sends in the background", benchSync},
		{"answers are lost", benchAnswersLost},
		{"the phone is let go", benchLetGo},
		{"two tests of one minute", benchConflict},
		{"a test is refused and mended", benchMends},
		{"signing out keeps what waits", benchSignOut},
		{"by keyboard", benchByKeyboard},
		{"a label is scanned", benchScan},
		{"phones judge as the server does", benchParity},
	} {
		t.Run(story.name, func(t *testing.T) {
			y.t = t
			p := first.another(t)
			p.ready("jo")
			story.told(y, p)
		})
	}
}

// A mechanic's morning without a signal: the form is there after a cold start with the server dead, tests wait on the phone, the phone dies,
// and each goes in exactly once when there is a server again.
func TestBenchOfADeadServer(t *testing.T) {
	y := newYard(t)
	profile := filepath.Join(t.TempDir(), "phone")
	p := y.phone(profile)
	p.ready("jo")
	p.looks("round")
	y.kill()

	b := p.coldStart("/bench/unit?unit=N-1")
	b.reads("No signal. Tests that you type wait on this phone.")
	require.Equal(t, "Fitted: B-1, rated 850\u00a0A (SAE).", b.value(`document.getElementById("bench-known").textContent`))
	b.fill("Rest volts, V", "124")
	b.reads("124 is outside 1 to 16 V, what 12 V can show at rest")
	b.looks("wrong")
	b.types("Rest volts, V", "11,9", "Cold cranking amps, A", "800", "Note", "first")
	b.reads("33 % up on 602 A of 20 November 2026: another battery?")
	b.looks("odd")
	b.do(chromedp.Click(b.named("label", "No, as read")), chromedp.Click(b.named("button", "Save the test")))
	b.reads("N-1: charge and test again")
	b.reads("11.9 V at rest is under 12.2 V: charge it, let it rest, test again. Nothing else can be concluded yet.")
	b.reads("800 A of 850 A rated (SAE), 94 %: no verdict on a battery so low, worn or not.")
	b.reads("1 test waits for a signal")
	b.looks("waits")
	b.at("/bench/unit?unit=N-1")
	b.reads("1 test waits for a signal")
	b.staysPut("#bench-form")
	b.at("/bench")
	b.reads("1 test waits for a signal")
	b.staysPut(".find")

	b.at("/bench/unit?unit=N-2") // the same phone, another mechanic
	b.choose("Tested by", "kim")
	b.types("Rest volts, V", "12.6", "Note", "second")
	b.reads("N-2: nothing against it so far")
	b.reads("Next: " + string(hostileUnit))
	b.at(benchUnitHref("N-1"))
	require.Equal(t, "kim", b.value(`document.getElementById("tested_by").value`), "who tested last tests on")
	b.fill("Rest volts, V", "12.3") // half typed
	b.until(`(await bench.recall("draft"))?.row.rest_v == "12.3"`)

	p.die()
	p = y.phone(profile)
	b = p.coldStart("/bench")
	b.reads("2 tests wait for a signal")
	b.reads("as this phone kept it 0 minutes ago")
	b.reads("On the shelf: test and charge SHELF-1")
	b.looks("round-offline")
	b.at("/bench/unit?unit=N-1")
	require.Equal(t, "12.3", b.value(`document.getElementById("rest_v").value`), "what was half typed is there again")
	require.Zero(t, y.testsBy("N-1", "first"))

	y.start()
	b.at("/bench")
	b.reads("Nobody is signed in on this phone. 2 tests wait on this phone; they are sent once somebody signs in.") // a dead phone forgets sign-ins
	b.do(chromedp.Click(b.named("a", "Sign in")))
	b.until(`location.pathname == "/sign-in" && document.activeElement.id == "name"`)
	b.do(chromedp.KeyEvent("jo"), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(testPassword), chromedp.KeyEvent(kb.Enter))
	b.reads("Sent from this phone")
	require.Equal(t, 1, y.testsBy("N-1", "first"))
	require.Equal(t, 1, y.testsBy("N-2", "second"))
	h := y.testsOf("N-2")
	require.Equal(t, "kim", h[len(h)-1].TestedBy)
	b.at("/bench")
	b.reads("Today's round: 2 of 3 tested")
	b.reads("Sent from this phone")
	b.staysPut(".find")
	b.at("/bench/unit?unit=N-1")
	b.reads("Sent from this phone")
	b.staysPut("#bench-form")
	b.at("/bench")
	require.Equal(t, 1, y.testsBy("N-1", "first"), "and stays once")
}

// staysPut holds that what the phone says of its tests and of its signal, a while after the page is there, does not push a form from under
// a thumb.
func (b *tab) staysPut(form string) {
	b.t.Helper()
	const said = `[...document.querySelectorAll("#bench-state, #bench-queue")].filter(el => !el.hidden)`
	require.NotEqual(b.t, "0", b.value(said+`.length`))
	require.Equal(b.t, "true", b.value(fmt.Sprintf(`%s.every(el => {
		const form = document.querySelector(%q), top = form.getBoundingClientRect().top;
		el.style.display = "none";
		const alone = form.getBoundingClientRect().top;
		el.style.display = "";
		return top == alone;
	})`, said, form)), "%s is pushed by what is said above it", form)
}

// The network is switched off under the page and under its worker; the server lives on. Without a click the test goes in when it is back.
func benchNetworkOff(y *yard, p *phone) {
	t := p.t
	p.network(false)
	p.at("/bench/unit?unit=Y-1")
	p.value(`delete ServiceWorkerRegistration.prototype.sync`) // a worker that a busy machine starts again knows nothing of the network that is off
	p.types("Rest volts, V", "12.55", "Note", "no network")
	p.reads("1 test waits for a signal")
	require.Zero(t, y.testsBy("Y-1", "no network"))
	p.network(true) // of which the browser tells the page
	p.reads("taken")
	require.Equal(t, 1, y.testsBy("Y-1", "no network"))
	p.looks("taken")
}

// The server is gone and comes back; nothing else happens on the phone, and the page that stays open sends by itself.
func benchTimer(y *yard, p *phone) {
	t := p.t
	y.kill()
	p.at("/bench/unit?unit=Y-7")
	p.types("Rest volts, V", "12.55", "Note", "by the clock")
	p.reads("1 test waits for a signal")
	p.until(`!(await navigator.locks.query()).held.length && !(await navigator.locks.query()).pending.length`) // it has tried, and given up
	require.Zero(t, y.testsBy("Y-7", "by the clock"))
	y.start()
	p.until(`(await bench.tests()).every(t => t.state == "over")`)
	require.Equal(t, 1, y.testsBy("Y-7", "by the clock"))
}

// No page of the bench is open any more when the browser, back on the network, wakes the worker: it sends what waits.
func benchSync(y *yard, p *phone) {
	t := p.t
	workers := make(chan serviceworker.RegistrationID, 8)
	require.NoError(t, chromedp.Listen(p.ctx, func(event any) {
		if e, is := event.(*serviceworker.EventWorkerRegistrationUpdated); is {
			for _, r := range e.Registrations {
				if strings.HasPrefix(r.ScopeURL, y.http.URL+"/bench") && !r.IsDeleted {
					workers <- r.RegistrationID
				}
			}
		}
	}))
	y.kill()
	p.at("/bench/unit?unit=Y-8")
	p.types("Rest volts, V", "12.55", "Note", "in the background")
	p.reads("1 test waits for a signal")
	p.do(chromedp.Navigate("about:blank"))
	y.start()
	require.Zero(t, y.testsBy("Y-8", "in the background"))
	p.do(protocol(serviceworker.Enable, cdp.Empty{}))
	p.do(protocol(serviceworker.DispatchSyncEvent, serviceworker.DispatchSyncEventParams{
		Origin: y.http.URL, RegistrationID: <-workers, Tag: "rimeyard-bench", LastChance: true,
	}))
	require.Eventually(t, func() bool { return y.testsBy("Y-8", "in the background") == 1 }, 15*time.Second, 50*time.Millisecond)
	p.at("/bench")
	p.reads("Sent from this phone")
	p.reads("Y-8: 12.55 V")
	require.Equal(t, 1, y.testsBy("Y-8", "in the background"), "and once")
}

// network switches the network of the page and of its worker on and off.
func (p *phone) network(on bool) {
	p.t.Helper()
	worker := !on
	p.do(
		protocol(network.EmulateNetworkConditionsByRule, network.EmulateNetworkConditionsByRuleParams{
			EmulateOfflineServiceWorker: &worker, MatchedNetworkConditions: []*network.Conditions{{Offline: !on, DownloadThroughput: -1, UploadThroughput: -1}},
		}),
		protocol(network.OverrideNetworkState, network.OverrideNetworkStateParams{Offline: !on, DownloadThroughput: -1, UploadThroughput: -1}),
	)
}

// The server takes a test, but its answer is lost, twice: the phone sends on, and the test stands once.
func benchAnswersLost(y *yard, p *phone) {
	t := p.t
	p.at("/bench/unit?unit=Y-2")
	y.lose.Store(2)
	p.types("Rest volts, V", "12.55", "Note", "lost")
	p.reads("1 test waits for a signal")
	for range 2 { // the phone sends by itself too, and then there is nothing more to press
		p.value(`[...document.querySelectorAll("button")].find(b => b.textContent == "Send now")?.click()`)
	}
	p.reads("Sent from this phone")
	require.EqualValues(t, 2, y.lost.Load())
	require.Equal(t, 1, y.testsBy("Y-2", "lost"))
}

// A phone that is let go while tests wait on it keeps them and says so; who signs in sends them, in the name of who tested.
func benchLetGo(y *yard, p *phone) {
	t := p.t
	p.follow("Keep this phone for the bench")
	p.reads("is kept for the bench of North & Sons <yard> (NOR)")
	p.follow("Sign out")
	p.at("/bench")
	p.reads("It needs no sign-in here, and opens nothing else.")
	p.looks("kept-phone")
	name := p.value(`document.querySelector(".who").textContent`)
	found, err := y.db.RevokeBenchPhone(t.Context(), name, nil)
	require.NoError(t, err)
	require.True(t, found, name)
	p.at("/bench/unit?unit=Y-3")
	p.reads("This phone is let in no more.")
	p.types("Rest volts, V", "12.55", "Note", "let go")
	p.reads("This phone is let in no more. 1 test waits on this phone; it is sent once somebody signs in.")
	p.looks("let-go")
	require.Equal(t, "undefined", p.awaited(`typeof (await bench.recall("facts"))`), "what was kept of the depot is gone")
	p.do(chromedp.Click(p.named("a", "Sign in")))
	p.until(`location.pathname == "/sign-in"`)
	p.fill("Name", "kim")
	p.fill("Password", testPassword)
	p.do(chromedp.KeyEvent(kb.Enter))
	p.reads("Sent from this phone")
	require.Equal(t, 1, y.testsBy("Y-3", "let go"))
}

// Two tests of one minute: shown side by side, and a person decides.
func benchConflict(y *yard, p *phone) {
	t := p.t
	y.kill()
	p.at("/bench/unit?unit=N-1")
	p.types("Rest volts, V", "12.55", "Cold cranking amps, A", "610", "Note", "mine")
	p.reads("1 test waits for a signal")
	at := p.awaited(`(await bench.tests())[0].row.tested_at`)
	y.bring(fmt.Sprintf(`{"battery_tests": [{"unit": "N-1", "tested_at": %q, "position": 1, "rest_v": 12.31, "cca_a": 590, "cca_standard": "sae", "tested_by": "kim", "note": "theirs"}]}`, at))
	y.start()
	p.at("/bench")
	p.reads("another test of the same minute stands")
	p.looks("conflict-in-the-list")
	p.follow("See both and decide: N-1 of " + p.awaited(`(t => new Date(t).toLocaleString("en-GB", {day: "numeric", month: "short", hour: "2-digit", minute: "2-digit"}))((await bench.tests())[0].typedAt)`))
	p.reads("12.31")
	p.looks("conflict")
	p.follow("Both are right: take this one a minute later")
	p.reads("Done: taken.")
	p.until(`(await bench.tests())[0].outcome == "taken"`) // the phone's list knows too
	require.Equal(t, 1, y.testsBy("N-1", "mine"))
	require.Equal(t, 1, y.testsBy("N-1", "theirs"))
}

// What the server refuses is mended on the phone.
func benchMends(y *yard, p *phone) {
	t := p.t
	p.at("/bench/unit?unit=N-9")
	p.types("Rest volts, V", "12.55", "Note", "mended")
	p.reads("not taken: unit: no unit of this number is known")
	p.looks("refused")
	p.do(chromedp.Click(p.named("a", "Mend it")))
	p.until(`location.search.includes("mend=") && document.getElementById("bench")?.dataset.ready == "1"`)
	require.Equal(t, "12.55", p.value(`document.getElementById("rest_v").value`))
	p.types("Unit", "Y-4")
	p.reads("Y-4: ")
	p.until(`(await bench.tests()).some(t => t.outcome == "taken")`) // "not taken" stood here before
	require.Equal(t, 1, y.testsBy("Y-4", "mended"))
	kept, err := y.db.CountKept(t.Context(), fleet.KeptFilter{File: "battery_tests"})
	require.NoError(t, err)
	require.Zero(t, kept)
}

// Whoever signs out while tests wait is told; what was kept of the depot goes, the tests stay.
func benchSignOut(y *yard, p *phone) {
	y.lose.Store(1000)
	p.at("/bench/unit?unit=Y-5")
	p.types("Rest volts, V", "12.55", "Note", "stays")
	p.reads("1 test waits for a signal")
	p.do(chromedp.Navigate(y.http.URL + "/winter-list"))
	p.do(chromedp.Click(p.named("button", "Sign out")))
	p.reads("1 test waits on this phone for a signal. It stays here and is sent once somebody signs in. Press again to sign out.")
	p.do(chromedp.Click(p.named("button", "Sign out")))
	p.until(`location.pathname == "/sign-in"`)
	p.at("/bench")
	p.reads("Nobody is signed in on this phone. 1 test waits on this phone; it is sent once somebody signs in.")
	p.reads("Nothing is kept of any depot on this phone")
	p.looks("signed-out")
	y.lose.Store(0)
}

// The keyboard alone will do, and what was scanned leads to the unit's form.
func benchByKeyboard(_ *yard, p *phone) {
	t := p.t
	p.tabTo(`el.id == "find"`)
	p.do(chromedp.KeyEvent("Y-6"), chromedp.KeyEvent(kb.Enter))
	p.until(`location.pathname == "/bench/unit" && document.getElementById("bench")?.dataset.ready == "1"`)
	p.looks("form")
	p.tabTo(`el.id == "temperature_c"`)
	p.do(chromedp.KeyEvent("4.5"))
	p.tabTo(`el.id == "temperature_c-sign"`)
	p.do(chromedp.KeyEvent(" "))
	require.Equal(t, "-4.5", p.value(`document.getElementById("temperature_c").value`))
	p.until(`(await bench.recall("draft")).row.temperature_c == "-4.5"`)
	p.at("/bench/unit?unit=Y-6")
	require.Equal(t, "-4.5", p.value(`document.getElementById("temperature_c").value`), "half typed")
	p.tabTo(`el.id == "rest_v"`)
	p.do(chromedp.KeyEvent("12.6"), chromedp.KeyEvent(kb.Enter))
	p.reads("taken")
	require.Equal(t, "bench-result-title", p.value("document.activeElement.id"), "who hears the page hears the verdict")

	p.at("/bench")
	require.Equal(t, "true", p.value(`document.getElementById("bench-scan").hidden == !("BarcodeDetector" in window)`), "offered where the browser can")
}

// Where the browser reads codes, a label that is held before the camera leads to the form of its unit, whatever server it was printed for.
// Chromium here reads none, so it is lent a reader that sees another code first.
func benchScan(_ *yard, p *phone) {
	t := p.t
	_, err := chromedp.Run(p.ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{
			Source: fmt.Sprintf(`{ const codes = ["https://elsewhere.example/menu", "no address", %q];
				window.BarcodeDetector = class { async detect() { return codes.length ? [{rawValue: codes.shift()}] : []; } } }`, "https://rime.example"+benchUnitHref(string(hostileUnit))),
		})
		return err
	}))
	require.NoError(t, err)
	p.at("/bench")
	p.do(chromedp.Click(p.named("button", "Scan its label")))
	p.until(`location.pathname == "/bench/unit" && document.getElementById("bench")?.dataset.ready == "1"`)
	require.Equal(t, string(hostileUnit), p.value(`document.getElementById("unit").value`))
}

// Limits and questions are the server's; what phones make of them must be the same.
func benchParity(y *yard, p *phone) {
	t := p.t
	for _, l := range ingest.Limits(fleet.TestsKind) {
		for _, typed := range []string{"12.4", "-0.5", "16", "16.01", "5001", "-70", "61", "1e3", "0x10", ".5", "5.", "+3", "-", "", "12.4.1", "١٢"} {
			want := outside(l, typed)
			got := p.awaited(fmt.Sprintf(`benchForm.outside(await bench.recall("facts"), %q, %q)`, l.Column, typed))
			require.Equal(t, want, got, "%s %q", l.Column, typed)
		}
	}
	depot, err := y.db.Depots(t.Context())
	require.NoError(t, err)
	units, err := y.db.BenchUnits(t.Context(), "NOR", "N-1", fleet.DateOf(y.now, depot[0].Zone()))
	require.NoError(t, err)
	for _, row := range []map[string]string{
		{"rest_v": "12.6", "cca_a": "602", "cca_standard": "sae"},
		{"rest_v": "9.5", "cca_a": "783", "cca_standard": "sae"},
		{"cca_a": "421", "cca_standard": "sae"},
		{"cca_a": "1200", "cca_standard": "sae"},
		{"cca_a": "1200", "cca_standard": "en"},
		{"rest_v": "13.01"},
		{"rest_v": "13"},
		{"cca_a": "1200", "cca_standard": "sae", "position": "2"},
	} {
		row["unit"] = "N-1"
		want, err := y.srv.oddOf(t.Context(), depot[0], row)
		require.NoError(t, err)
		if want == nil {
			want = []alerts.Question{}
		}
		typed, err := json.Marshal(row)
		require.NoError(t, err)
		said, err := json.Marshal(want)
		require.NoError(t, err)
		got := p.awaited(fmt.Sprintf(`JSON.stringify(await bench.recall("facts").then(f => benchForm.odd(f, f.units.find(u => u.unit == "N-1"), %s)))`, typed))
		require.JSONEq(t, string(said), got, "%s of %v", typed, units)
	}
}
