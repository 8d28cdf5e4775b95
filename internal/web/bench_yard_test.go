package web

import (
	"context"
	"fmt"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// yard is a bench whose server can be killed and started again at the same address, and whose answers can be lost on the way.
type yard struct {
	*world
	whole   testing.TB // the test that all stories are told in
	address string
	lose    atomic.Int32 // so many answers to tests that are sent
	lost    atomic.Int32
}

func newYard(t *testing.T) *yard {
	t.Helper()
	w, _ := atBench(t)
	w.now = time.Now().UTC() // that of the browser, which no test can set
	var more []string
	for i := range 9 {
		more = append(more, fmt.Sprintf(`{"unit": "Y-%d", "depot": "NOR", "class": "van", "fuel": "diesel", "system_volts": 12, "batteries": 1}`, i+1))
	}
	w.bring(`{"vehicles": [` + strings.Join(more, ",") + `]}`)
	_, err := w.db.Pool().Exec(t.Context(), `INSERT INTO part (part, kind) VALUES ('P-SHELF', 'battery');
		INSERT INTO shelf_battery (serial, depot, part, came_on) VALUES ('SHELF-1', 'NOR', 'P-SHELF', '2026-05-01')`)
	require.NoError(t, err)
	w.http.Close()
	y := &yard{world: w, whole: t, address: w.http.Listener.Addr().String()}
	y.start()
	return y
}

func (y *yard) start() {
	y.whole.Helper()
	var config net.ListenConfig
	l, err := config.Listen(y.whole.Context(), "tcp", y.address)
	require.NoError(y.whole, err)
	y.http = &httptest.Server{Listener: l, Config: &http.Server{Handler: y}}
	y.http.Start()
	y.whole.Cleanup(y.http.Close)
}

// kill leaves nobody an answer.
func (y *yard) kill() {
	y.http.CloseClientConnections()
	y.http.Close()
}

// ServeHTTP does the whole of a request, and then drops the connection instead of the answer, as often as answers are to be lost.
func (y *yard) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	if r.Method == http.MethodPost && r.URL.Path == benchTests && y.lose.Add(-1) >= 0 {
		y.srv.Handler().ServeHTTP(httptest.NewRecorder(), r)
		y.lost.Add(1)
		panic(http.ErrAbortHandler)
	}
	y.srv.Handler().ServeHTTP(w, r)
}

// phone is a real browser of a phone's size with a profile that outlives it. Each of its tabs has its own time: how many stories are told on
// it, and how busy the machine is meanwhile, is nothing to any of them.
type phone struct {
	*tab
	browser context.Context
	cmd     *exec.Cmd
}

func (y *yard) phone(profile string) *phone {
	y.t.Helper()
	p := &phone{}
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.UserDataDir(profile), chromedp.DisableGPU,
		chromedp.Flag("disable-background-networking", true), chromedp.Flag("use-fake-ui-for-media-stream", true),
		chromedp.Flag("use-fake-device-for-media-stream", true), chromedp.ModifyCmdFunc(func(cmd *exec.Cmd) { p.cmd = cmd }))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox)
	}
	ctx, cancel := chromedp.NewExecAllocator(context.Background(), options...)
	y.t.Cleanup(cancel)
	p.browser, cancel = chromedp.NewContext(ctx)
	y.t.Cleanup(cancel)
	p.tab = timed(p.browser, y.world)
	p.size(360, 740)
	return p
}

// timed is a tab that has as long as a browser may take in a test.
func timed(ctx context.Context, w *world) *tab {
	w.t.Helper()
	ctx, cancel := context.WithTimeout(ctx, browserTime)
	w.t.Cleanup(cancel)
	return listening(ctx, w)
}

// another is the phone of somebody else: nothing is kept on it yet.
func (p *phone) another(t *testing.T) *phone {
	t.Helper()
	ctx, cancel := chromedp.NewContext(p.browser, chromedp.WithNewBrowserContext())
	t.Cleanup(cancel)
	q := &phone{tab: timed(ctx, p.w), browser: ctx}
	q.t = t
	q.size(360, 740)
	return q
}

// die ends the browser as a flat battery does.
func (p *phone) die() {
	p.t.Helper()
	require.NoError(p.t, p.cmd.Process.Kill())
}

// coldStart is a tab that has nothing yet.
func (p *phone) coldStart(path string) *tab {
	p.t.Helper()
	ctx, cancel := chromedp.NewContext(p.browser)
	p.t.Cleanup(cancel)
	b := timed(ctx, p.w)
	b.size(360, 740)
	b.at(path)
	return b
}

// at opens a page whose requests may fail.
func (b *tab) at(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.w.http.URL + path))
	b.until(`document.getElementById("bench")?.dataset.ready == "1"`)
	b.complaints()
}

// until waits until an expression, which may await, is true; pages may come and go meanwhile.
func (b *tab) until(js string) {
	b.t.Helper()
	const patience = time.Minute // on a busy machine; an idle one needs none of it
	const often = 40 * time.Millisecond
	tick, over := time.NewTicker(often), time.After(patience)
	defer tick.Stop()
	for {
		is, err := chromedp.Run(b.ctx, chromedp.Evaluate[bool]("(async () => !!("+js+"))()", chromedp.EvalAwaitPromise))
		if err == nil && is {
			return
		}
		select {
		case <-tick.C:
		case <-over:
			b.t.Fatalf("%s: never %s but: %s\n%q (%v)", b.value("location.href"), js, b.value("document.body.innerText"), b.complaints(), err)
		}
	}
}

// reads waits until the page has these words, whatever became of its requests.
func (b *tab) reads(words string) {
	b.t.Helper()
	b.until(fmt.Sprintf(`document.body.innerText.replace(/\s+/g, " ").includes(%q)`, words))
	b.complaints()
}

// ready signs in and waits until the phone has all that it needs without a signal.
func (p *phone) ready(person string) {
	p.t.Helper()
	p.signIn(person)
	p.open("/bench")
	p.until(`document.getElementById("bench").dataset.ready == "1" && !!navigator.serviceWorker.controller`)
	require.Equal(p.t, "true", p.awaited(fmt.Sprintf(`!!await caches.match(%q)`, benchShell)))
	p.sound()
}

// types fills in the form and saves.
func (b *tab) types(values ...string) {
	b.t.Helper()
	for i := 0; i < len(values); i += 2 {
		b.value(fmt.Sprintf(`(el => { el.focus(); el.select() })(%s)`, b.labelled(values[i])))
		b.do(chromedp.KeyEvent(values[i+1]))
	}
	b.do(chromedp.Click(b.named("button", "Save the test")))
}

// looks holds what a page shows to a phone's width and to axe-core, and takes its picture, light and dark.
func (b *tab) looks(name string) {
	b.t.Helper()
	require.LessOrEqual(b.t, b.number("document.documentElement.scrollWidth"), 360.0, "%s scrolls sideways, by %s", name, b.value(widest))
	for _, dark := range []bool{false, true} {
		b.dark(dark)
		require.Empty(b.t, b.unlawful(), name)
		b.keep("bench-" + name + map[bool]string{true: "-dark", false: ""}[dark])
		b.size(360, 740)
	}
	b.dark(false)
}

// awaited is the text of what an expression with promises comes to.
func (b *tab) awaited(js string) string {
	b.t.Helper()
	return run(b, chromedp.Evaluate[string]("(async () => String("+js+"))()", chromedp.EvalAwaitPromise))
}

func (y *yard) testsBy(unit fleet.UnitID, note string) (n int) {
	y.t.Helper()
	for _, t := range y.testsOf(unit) {
		if t.Note == note {
			n++
		}
	}
	return n
}
