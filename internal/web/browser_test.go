package web

import (
	"context"
	"flag"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	cdplog "github.com/chromedp/cdproto/log"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

var (
	pictures = flag.String("pictures", "", "folder for pictures of the pages in a real browser")
	axe      = flag.String("axe", "", "axe.min.js of axe-core, to hold the pages against its rules as well")
)

// tab is a page in a real browser that remembers what it complained about.
type tab struct {
	t   *testing.T
	ctx context.Context
	w   *world

	mu    sync.Mutex
	wrong []string // console messages, exceptions, refusals by the content security policy, requests that failed
}

func newTab(w *world) *tab {
	w.t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.UserDataDir(w.t.TempDir()), chromedp.DisableGPU, chromedp.Flag("disable-background-networking", true),
		chromedp.WindowSize(1280, 900))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium's sandbox refuses to work for root
	}
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Minute)
	w.t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	w.t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	w.t.Cleanup(cancel)
	b := &tab{t: w.t, ctx: ctx, w: w}
	require.NoError(w.t, chromedp.Listen(ctx, func(event any) {
		b.mu.Lock()
		defer b.mu.Unlock()
		switch e := event.(type) {
		case *cdplog.EventEntryAdded:
			b.wrong = append(b.wrong, fmt.Sprintf("%s: %s %s", e.Entry.Source, e.Entry.Text, e.Entry.URL))
		case *runtime.EventConsoleAPICalled:
			b.wrong = append(b.wrong, fmt.Sprintf("console.%s", e.Type))
		case *runtime.EventExceptionThrown:
			b.wrong = append(b.wrong, e.ExceptionDetails.Text)
		}
	}), "is chromium installed and on the PATH?")
	b.do(protocol(cdplog.Enable, cdp.Empty{}))
	return b
}

func (b *tab) do(actions ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	require.NoError(b.t, chromedp.Do(b.ctx, actions...))
}

func (b *tab) open(path string) {
	b.t.Helper()
	b.do(chromedp.Navigate(b.w.http.URL + path))
	b.sound()
}

// protocol is a command of the browser's own protocol as a step.
func protocol[P, R any](command cdp.Command[P, R], params P) chromedp.Action[chromedp.Void] {
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, command, params)
		return err
	})
}

func run[T any](b *tab, action chromedp.Action[T]) T {
	b.t.Helper()
	v, err := chromedp.Run(b.ctx, action)
	require.NoError(b.t, err)
	return v
}

// sound checks that the browser has nothing to complain about.
func (b *tab) sound() {
	b.t.Helper()
	b.mu.Lock()
	defer b.mu.Unlock()
	require.Empty(b.t, b.wrong)
}

// enter presses the key and waits for the page that they lead to.
func (b *tab) enter() {
	b.t.Helper()
	_, err := chromedp.RunResponse(b.ctx, chromedp.KeyEvent(kb.Enter))
	require.NoError(b.t, err)
	b.sound()
}

func (b *tab) value(js string) string {
	b.t.Helper()
	return run(b, chromedp.Evaluate[string]("String("+js+")"))
}

// tabTo presses the tab key until the focus is on an element that the test in JavaScript of el holds for.
func (b *tab) tabTo(test string) {
	b.t.Helper()
	for range 200 {
		b.do(chromedp.KeyEvent(kb.Tab))
		if b.value("(el => "+test+")(document.activeElement)") == "true" {
			require.NotEqual(b.t, "none", b.value("getComputedStyle(document.activeElement).outlineStyle"), "the focus is seen")
			return
		}
	}
	b.t.Fatalf("the tab key never comes to %s", test)
}

func (b *tab) size(width, height int64) {
	b.t.Helper()
	b.do(protocol(emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
		Width: width, Height: height, DeviceScaleFactor: 1, Mobile: width < 600,
	}))
}

func (b *tab) dark(on bool) {
	b.t.Helper()
	scheme := map[bool]string{true: "dark", false: "light"}[on]
	b.do(protocol(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}},
	}))
}

// keep takes a picture of the whole page, if pictures are wanted.
func (b *tab) keep(name string) {
	b.t.Helper()
	if *pictures == "" {
		return
	}
	width, height := b.number("innerWidth"), b.number("document.documentElement.scrollHeight")
	b.size(int64(width), int64(height))
	png := run(b, chromedp.CaptureScreenshot())
	require.NoError(b.t, os.MkdirAll(*pictures, 0o750))
	require.NoError(b.t, os.WriteFile(filepath.Join(*pictures, name+".png"), png, 0o600))
}

// lawful holds the page against axe-core's rules, if it is given.
func (b *tab) lawful() {
	b.t.Helper()
	if *axe == "" {
		return
	}
	script, err := os.ReadFile(*axe)
	require.NoError(b.t, err)
	b.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := chromedp.Evaluate[chromedp.Void](string(script)+"; undefined")(ctx, t)
		return err
	}))
	found := run(b, chromedp.Evaluate[string](`axe.run().then(r => r.violations.map(v =>
		v.id + ": " + v.help + ": " + v.nodes.map(n => n.html + " " + n.failureSummary).slice(0, 3).join(" | ")).join("\n"))`,
		func(p *runtime.EvaluateParams) { p.AwaitPromise = new(true) }))
	require.Empty(b.t, found)
}

func TestByKeyboardInARealBrowser(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := newTab(w)
	b.do(protocol(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})) // nothing here needs JavaScript
	b.open("/winter-list")
	require.Equal(t, "name", b.value("document.activeElement.id"), "one can type at once")
	b.do(chromedp.KeyEvent("mara"), chromedp.KeyEvent(kb.Tab), chromedp.KeyEvent(testPassword))
	b.enter()
	require.Equal(t, "Winter list – rimeyard", b.value("document.title"))

	b.do(chromedp.KeyEvent(kb.Tab))
	require.Equal(t, "#main", b.value("document.activeElement.getAttribute('href')"), "the skip link comes first")
	b.tabTo(`el.id == "band"`)
	b.do(chromedp.KeyEvent("sw"))
	require.Equal(t, "swap", b.value("document.activeElement.value"))
	b.tabTo(`el.id == "q"`)
	b.do(chromedp.KeyEvent("n-"))
	b.enter()
	require.Equal(t, "?band=swap&depot=&q=n-&sort=rank&suspect=", sortedQuery(t, b.value("location.search")))
	require.Equal(t, "1", b.value(`document.querySelectorAll(".list tbody").length`))

	b.tabTo(`el.closest(".list") && el.textContent == "N-1"`)
	b.enter()
	require.Equal(t, "Unit N-1 – rimeyard", b.value("document.title"))
	require.Equal(t, "true", b.value(`[...document.images].every(i => i.complete && i.naturalWidth > 0)`), "the pictures are there")
	b.tabTo(`el.textContent == "Winter list"`)
	b.enter()
	b.tabTo(`el.textContent == "Sign out"`)
	b.enter()
	require.Equal(t, "Sign in – rimeyard", b.value("document.title"))
}

func sortedQuery(t *testing.T, search string) string {
	t.Helper()
	q, err := url.ParseQuery(strings.TrimPrefix(search, "?"))
	require.NoError(t, err)
	return "?" + q.Encode()
}

func TestEveryPageFitsEveryScreen(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := newTab(w)
	visit := func(name, path string) {
		for _, screen := range []struct {
			name          string
			width, height int64
			dark          bool
		}{{"phone", 360, 740, false}, {"phone-dark", 360, 740, true}, {"tablet", 800, 1100, false}, {"desk", 1280, 900, false}, {"desk-dark", 1280, 900, true}} {
			b.size(screen.width, screen.height)
			b.dark(screen.dark)
			b.open(path)
			require.LessOrEqual(t, b.number("document.documentElement.scrollWidth"), float64(screen.width), "%s scrolls sideways on a %s", path, screen.name)
			require.Equal(t, "true", b.value(`[...document.images].every(i => i.complete && i.naturalWidth > 0 && (i.hasAttribute("alt")))`))
			b.lawful()
			b.keep(name + "-" + screen.name)
		}
	}
	visit("sign-in", "/sign-in")
	b.do(chromedp.SendKeys(chromedp.CSS("#name"), "mara"), chromedp.SendKeys(chromedp.CSS("#password"), testPassword))
	b.enter()
	visit("winter-list", "/winter-list")
	visit("winter-list-empty", "/winter-list?band=down&depot=NOR")
	visit("unit", "/units/N-1")
	visit("unit-bare", "/units/S-2")
	visit("unit-hostile", unitHref(hostileUnit))
	visit("intake", "/intake")
	visit("audit", "/audit")
	visit("audit-few", "/audit?depot=NOR")
	visit("audit-none", "/audit?depot=SUD")
	b.printed("winter-list", "/winter-list", ".filter")
	b.printed("audit", "/audit", ".others")
}

// printed checks that what is for the screen alone is not on paper.
func (b *tab) printed(name, path, control string) {
	b.t.Helper()
	b.dark(false)
	b.open(path)
	b.do(protocol(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}))
	for _, selector := range []string{control, ".bar nav", ".who"} {
		require.Equal(b.t, "none", b.value("getComputedStyle(document.querySelector('"+selector+"')).display"), selector)
	}
	b.keep(name + "-print")
}

func (b *tab) number(js string) float64 {
	b.t.Helper()
	return run(b, chromedp.Evaluate[float64](js))
}
