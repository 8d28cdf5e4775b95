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
	"github.com/chromedp/cdproto/network"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

var pictures = flag.String("pictures", "", "folder for pictures of the pages in a real browser")

// browserTime bounds what one browser does in a test.
const browserTime = 4 * time.Minute

// tab is a page in a real browser that remembers what it complained about.
type tab struct {
	t   testing.TB
	ctx context.Context
	w   *world

	mu    sync.Mutex
	wrong []string // console messages, exceptions, refusals by the content security policy, requests that failed or went elsewhere
}

// newTab starts a browser of its own with one tab.
func newTab(w *world) *tab {
	w.t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.UserDataDir(w.t.TempDir()), chromedp.DisableGPU, chromedp.Flag("disable-background-networking", true),
		chromedp.WindowSize(1280, 900))
	if os.Getuid() == 0 {
		options = append(options, chromedp.NoSandbox) // Chromium's sandbox refuses to work for root
	}
	ctx, cancel := context.WithTimeout(context.Background(), browserTime)
	w.t.Cleanup(cancel)
	ctx, cancel = chromedp.NewExecAllocator(ctx, options...)
	w.t.Cleanup(cancel)
	ctx, cancel = chromedp.NewContext(ctx)
	w.t.Cleanup(cancel)
	return listening(ctx, w)
}

// another is a tab for somebody else in the same browser, with cookies of its own.
func (b *tab) another() *tab {
	b.t.Helper()
	ctx, cancel := chromedp.NewContext(b.ctx, chromedp.WithNewBrowserContext())
	b.t.Cleanup(cancel)
	return listening(ctx, b.w)
}

func listening(ctx context.Context, w *world) *tab {
	w.t.Helper()
	b := &tab{t: w.t, ctx: ctx, w: w}
	require.NoError(w.t, chromedp.Listen(ctx, b.hear), "is chromium installed and on the PATH?")
	b.do(
		protocol(cdplog.Enable, cdp.Empty{}), protocol(network.Enable, network.EnableParams{}),
		protocol(emulation.SetFocusEmulationEnabled, emulation.SetFocusEmulationEnabledParams{Enabled: true}), // tabs work side by side
	)
	return b
}

func (b *tab) hear(event any) {
	b.mu.Lock()
	defer b.mu.Unlock()
	switch e := event.(type) {
	case *cdplog.EventEntryAdded:
		b.wrong = append(b.wrong, fmt.Sprintf("%s: %s %s", e.Entry.Source, e.Entry.Text, e.Entry.URL))
	case *runtime.EventConsoleAPICalled:
		b.wrong = append(b.wrong, fmt.Sprintf("console.%s", e.Type))
	case *runtime.EventExceptionThrown:
		b.wrong = append(b.wrong, "script: "+e.ExceptionDetails.Text)
	case *network.EventRequestWillBeSent:
		if u := e.Request.URL; strings.HasPrefix(u, "http") && !strings.HasPrefix(u, b.w.http.URL+"/") {
			b.wrong = append(b.wrong, "asks another host: "+u)
		}
	}
}

// complaints are what the browser found wrong since it was last asked.
func (b *tab) complaints() []string {
	b.mu.Lock()
	defer b.mu.Unlock()
	wrong := b.wrong
	b.wrong = nil
	return wrong
}

// sound checks that the browser has nothing to complain about.
func (b *tab) sound() {
	b.t.Helper()
	require.Empty(b.t, b.complaints())
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

func (b *tab) value(js string) string {
	b.t.Helper()
	return run(b, chromedp.Evaluate[string]("String("+js+")"))
}

func (b *tab) number(js string) float64 {
	b.t.Helper()
	return run(b, chromedp.Evaluate[float64](js))
}

// signIn types name and the test's password at the door, as people do.
func (b *tab) signIn(name string) {
	b.t.Helper()
	b.open("/sign-in")
	b.fill("Name", name)
	b.fill("Password", testPassword)
	b.enter()
}

// enter presses the key and waits for the page that they lead to.
func (b *tab) enter() {
	b.t.Helper()
	b.leads(chromedp.KeyEvent(kb.Enter))
}

// follow clicks the link or button of this text and waits for the page that it leads to.
func (b *tab) follow(text string) {
	b.t.Helper()
	b.leads(chromedp.Click(b.named("a, button, summary", text)))
}

// press clicks the link or button of this text, which stays on the page.
func (b *tab) press(text string) {
	b.t.Helper()
	b.do(chromedp.Click(b.named("a, button, summary", text)))
	b.sound()
}

func (b *tab) leads(step chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	_, err := chromedp.RunResponse(b.ctx, step)
	require.NoError(b.t, err)
	b.sound()
}

// fill empties the field that has this label and types into it.
func (b *tab) fill(label, text string) {
	b.t.Helper()
	field := b.labelled(label)
	b.do(chromedp.Clear(field), chromedp.SendKeys(field, text))
}

// choose picks the option of this text in the list that has this label.
func (b *tab) choose(label, option string) {
	b.t.Helper()
	field := b.labelled(label)
	picked := b.value(fmt.Sprintf(`(() => { const list = %s, o = [...list.options].find(o => o.text.trim() == %q);
		if (o) { o.selected = true; list.dispatchEvent(new Event("change", {bubbles: true})); } return !!o })()`, field, option))
	require.Equal(b.t, "true", picked, "%q has no option %q", label, option)
}

// sees waits until the page's text has these words; a script may write them a moment later.
func (b *tab) sees(words string) {
	b.t.Helper()
	const seen = `document.body && document.body.innerText.replace(/\s+/g, " ").includes(%q)`
	_, err := chromedp.Run(b.ctx, chromedp.Poll[bool](fmt.Sprintf(seen, words), chromedp.WithPollingTimeout(10*time.Second)))
	if err != nil {
		b.t.Fatalf("%s does not show %q but: %s", b.value("location.pathname"), words, b.value("document.body.innerText"))
	}
	b.sound()
}

// named finds the first visible element of the kinds whose text, or label, is this.
func (b *tab) named(kinds, text string) chromedp.JSPath {
	b.t.Helper()
	return b.found(fmt.Sprintf(`[...document.querySelectorAll(%q)].find(el => el.checkVisibility() &&
		[el.textContent.trim().replace(/\s+/g, " "), el.getAttribute("aria-label")].includes(%q))`, kinds, text), text)
}

// labelled finds the field with this label.
func (b *tab) labelled(label string) chromedp.JSPath {
	b.t.Helper()
	return b.found(fmt.Sprintf(`[...document.querySelectorAll("input, select, textarea")].find(el => el.checkVisibility() &&
		[...(el.labels || [])].map(l => l.textContent.trim().replace(/\s+/g, " ")).concat(el.getAttribute("aria-label")).includes(%q))`, label), label)
}

func (b *tab) found(js, what string) chromedp.JSPath {
	b.t.Helper()
	require.Equal(b.t, "true", b.value("!!"+js), "%s has nothing called %q", b.value("location.pathname"), what)
	return chromedp.JSPath(js)
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
	phone := width < 600
	b.do(
		protocol(emulation.SetDeviceMetricsOverride, emulation.SetDeviceMetricsOverrideParams{
			Width: width, Height: height, DeviceScaleFactor: 1, Mobile: phone,
		}),
		protocol(emulation.SetTouchEmulationEnabled, emulation.SetTouchEmulationEnabledParams{Enabled: phone}),
	)
}

func (b *tab) dark(on bool) {
	b.t.Helper()
	scheme := map[bool]string{true: "dark", false: "light"}[on]
	b.do(protocol(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{
		Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}, {Name: "prefers-reduced-motion", Value: "reduce"}},
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
	require.Equal(t, "?band=swap&class=&depot=&q=n-&sort=rank&suspect=", sortedQuery(t, b.value("location.search")))
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
