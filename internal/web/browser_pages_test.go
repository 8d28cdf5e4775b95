package web

import (
	"fmt"
	"maps"
	"net/http"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// furtherPages are states of pages that their plain address does not show: address to the role that looks at it, "" for nobody.
var furtherPages = map[string]fleet.Role{
	"/sign-in?next=/audit":             "",
	"/winter-list?band=down&depot=NOR": fleet.Manager, // nothing on it
	"/units/S-2":                       fleet.Manager, // of which nothing is known
	unitHref(hostileUnit):              fleet.Manager,
	planUnitHref(hostileUnit, ""):      fleet.Manager,
	"/plan?depot=NOR&week=2026-11-23":  fleet.Manager,
	"/audit?depot=NOR":                 fleet.Manager, // a small fleet
	"/audit?depot=SUD":                 fleet.Manager, // no audit
	nowhere:                            fleet.Manager,
	"/faults/2":                        fleet.Mechanic, // a finding
	"/faults/2/sheet":                  fleet.Mechanic,
	"/faults/3":                        fleet.Mechanic, // stopped by ice
	"/faults/4":                        fleet.Mechanic, // an answer that does not fit
	"/faults/1?check=key":              fleet.Mechanic, // answered anew
	"/faults/1?check=rest_v":           fleet.Mechanic, // a figure is asked for
	unitHref(hostileUnit) + "/fault":   fleet.Mechanic, // none is open
	"/faults/notes?class=medium+<i>":   fleet.Manager,
}

// nowhere is no page, which is said on one.
const nowhere = "/nowhere"

// screens are what pages are looked at on, in CSS pixels.
var screens = []struct {
	name          string
	width, height int64
}{
	{"phone", 360, 740},
	{"tablet", 800, 1100},
	{"desk", 1280, 900},
}

// TestEveryPage opens every page of the table of rights in a real browser: pages of the menu as every role that may, the rest
// as the first. A new page is held to the same as soon as it stands in the table; the failing subtest names role and address.
func TestEveryPage(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	tabs := map[fleet.Role]*tab{"": newTab(w)}
	for _, role := range fleet.Roles() {
		w.addPerson(string(role), role)
		tabs[role] = tabs[""].another()
		tabs[role].signIn(string(role))
	}
	_, token := w.addSubscription("bo@example.org")
	exampleOf["/unsubscribe/:token"] = "/unsubscribe/" + token
	t.Cleanup(func() { delete(exampleOf, "/unsubscribe/:token") })
	visits := w.visits()
	for _, role := range slices.Sorted(maps.Keys(visits)) {
		t.Run("as "+nameOf(role), func(t *testing.T) {
			t.Parallel()
			for _, v := range visits[role] {
				t.Run(v.path, func(t *testing.T) { tabs[role].visit(t, v, nameOf(role)) })
			}
		})
	}
}

func nameOf(role fleet.Role) string {
	if role == "" {
		return "nobody"
	}
	return string(role)
}

// visit is a page that a role opens; whole: with all that is the same for every role too.
type visit struct {
	path  string
	whole bool
}

// visits lists what each role opens, "" for nobody.
func (w *world) visits() map[fleet.Role][]visit {
	w.t.Helper()
	askers := map[fleet.Role]*browser{"": w.browser()}
	for _, role := range fleet.Roles() {
		askers[role] = w.as(string(role))
	}
	visits := map[fleet.Role][]visit{}
	for _, route := range slices.Sorted(maps.Keys(rights)) {
		path, isGet := strings.CutPrefix(route, "GET ")
		if !isGet || strings.HasPrefix(path, "/static/") || strings.HasSuffix(path, ".ics") {
			continue // calendar programs show no page
		}
		path = example(w.t, path)
		who := rights[route].roles
		if rights[route].open {
			who = []fleet.Role{""}
		}
		for i, role := range who {
			res := askers[role].get(path)
			if isPage := strings.HasPrefix(res.header.Get("Content-Type"), "text/html"); !isPage || res.status == http.StatusSeeOther {
				break // a picture, a download, the way to another page
			}
			if i == 0 || len(all(res.page(), "a", "aria-current", "page")) > 0 { // which only the menu has
				visits[role] = append(visits[role], visit{path, i == 0})
			}
		}
	}
	for _, path := range slices.Sorted(maps.Keys(furtherPages)) {
		role := furtherPages[path]
		visits[role] = append(visits[role], visit{path, false})
	}
	return visits
}

// visit looks at a page on every screen and reports all that is wrong with it.
func (b *tab) visit(t *testing.T, v visit, as string) {
	t.Helper()
	b.t = t // what this page fails is this page's
	for _, screen := range screens {
		if !v.whole && screen.name == "tablet" {
			continue
		}
		b.size(screen.width, screen.height)
		b.dark(false)
		report := func(what string, wrong ...string) {
			for _, s := range wrong {
				t.Errorf("%s as %s on a %s: %s: %s", v.path, as, screen.name, what, s)
			}
		}
		if !b.openAs(v.path, report) {
			return
		}
		if wide := b.number("document.documentElement.scrollWidth"); wide > float64(screen.width) {
			report("scrolls sideways", fmt.Sprintf("%g px, by %s", wide, b.value(widest)))
		}
		report("picture", b.list(`[...document.images].filter(i => !(i.complete && i.naturalWidth > 0 && i.hasAttribute("alt"))).map(i => i.outerHTML)`)...)
		b.keep(pictureName(v.path, as, screen.name))
		if screen.name == "tablet" {
			continue // which has no look of its own, only a width
		}
		report("axe", b.unlawful()...)
		if v.whole {
			report("keyboard", b.deadKeys()...)
			b.dark(true)
			report("axe, dark", b.unlawful()...)
			b.keep(pictureName(v.path, as, screen.name+"-dark"))
		}
		report("browser", b.complaints()...)
	}
}

func pictureName(path, as, screen string) string {
	return strings.Trim(regexp.MustCompile(`[^A-Za-z0-9]+`).ReplaceAllString(path, "-"), "-") + "-" + as + "-" + screen
}

// openAs opens the page and reports another answer than the page itself.
func (b *tab) openAs(path string, report func(string, ...string)) bool {
	b.t.Helper()
	res, err := chromedp.RunResponse(b.ctx, chromedp.Navigate(b.w.http.URL+path))
	require.NoError(b.t, err)
	want := int64(http.StatusOK)
	if path == nowhere {
		want = http.StatusNotFound
		b.complaints() // the browser calls the answer a failure, as it is meant
	}
	if res.Status != want {
		b.complaints() // the same, as the browser puts it
		report("answer", fmt.Sprintf("%d: %s", res.Status, b.value(`(document.querySelector("main") ?? document.body).innerText.replace(/\s+/g, " ")`)))
	}
	return res.Status == want
}

// widest names the element that reaches furthest to the right.
const widest = `[...document.body.querySelectorAll("*")].filter(el => !el.closest(".scroll") || el.matches(".scroll")).
	reduce((a, el) => el.getBoundingClientRect().right > a.getBoundingClientRect().right ? el : a).outerHTML.slice(0, 200)`

// list evaluates an array of strings.
func (b *tab) list(js string) []string {
	b.t.Helper()
	return run(b, chromedp.Evaluate[[]string](js))
}

// axeSource is axe-core, which is no part of the repository.
var axeSource = sync.OnceValues(func() (string, error) {
	ensure := exec.Command("../../deploy/ensure-axe")
	ensure.Stderr = os.Stderr
	path, err := ensure.Output()
	if err != nil {
		return "", fmt.Errorf("deploy/ensure-axe: %w", err)
	}
	script, err := os.ReadFile(strings.TrimSpace(string(path)))
	return string(script), err
})

// unlawful are the page's breaches of axe-core's rules for WCAG 2.2 A and AA and of its good practice, with the size of targets, which it leaves out by default.
func (b *tab) unlawful() []string {
	b.t.Helper()
	if b.value("typeof axe") == "undefined" {
		script, err := axeSource()
		require.NoError(b.t, err)
		run(b, chromedp.Evaluate[bool](script+"; true"))
	}
	return run(b, chromedp.Evaluate[[]string](`axe.run({resultTypes: ["violations"], rules: {"target-size": {enabled: true}}}).then(r =>
		r.violations.map(v => v.id + ": " + v.help + ": " + v.nodes.map(n => n.html + " " + n.failureSummary).slice(0, 3).join(" | ")))`,
		chromedp.EvalAwaitPromise))
}

// deadKeys are elements that the tab key does not come to, or comes to unseen, and a skip link that leads nowhere.
func (b *tab) deadKeys() []string {
	b.t.Helper()
	stops := b.number(`(() => {
		document.activeElement.blur();
		const all = [...document.querySelectorAll("a[href], button, input:not([type=hidden]), select, textarea, summary, [tabindex], [contenteditable]")];
		const group = el => el.type == "radio" && [...document.getElementsByName(el.name)].filter(r => r.form == el.form);
		window.stops = all.filter(el => el.tabIndex >= 0 && !el.disabled && el.checkVisibility({visibilityProperty: true}) &&
			(!group(el) || el.checked || !group(el).some(r => r.checked) && group(el)[0] == el));
		window.reached = new Map();
		document.addEventListener("focusin", e => {
			const style = getComputedStyle(e.target), box = e.target.getBoundingClientRect();
			reached.set(e.target, style.outlineStyle != "none" && parseFloat(style.outlineWidth) >= 2 && box.right > 0 && box.bottom > 0);
		});
		return stops.length + 4 * document.querySelectorAll("[type=date], [type=time], [type=datetime-local], [type=week], [type=month]").length;
	})()`)
	b.do(chromedp.KeyEvent(strings.Repeat(kb.Tab, int(stops)+2)))
	wrong := b.list(`stops.filter(el => !reached.has(el)).map(el => "never reached: " + el.outerHTML.slice(0, 200)).concat(
		[...reached].filter(([el, seen]) => !seen).map(([el]) => "focus not seen: " + el.outerHTML.slice(0, 200)))`)
	b.do(chromedp.Focus("a.skip"), chromedp.KeyEvent(kb.Enter))
	if b.value("document.activeElement.id") != "main" {
		wrong = append(wrong, "the skip link does not lead to the content")
	}
	return wrong
}

// What is for the screen alone is not on paper.
func TestPagesOnPaper(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := newTab(w)
	b.signIn("mara")
	for path, control := range map[string]string{"/winter-list": ".filter", "/audit": ".others", "/units/N-1": ".skip"} {
		b.open(path)
		b.do(protocol(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}))
		for _, selector := range []string{control, ".bar nav", ".who"} {
			require.Equal(t, "none", b.value("getComputedStyle(document.querySelector('"+selector+"')).display"), selector)
		}
		b.keep(pictureName(path, "manager", "print"))
		b.dark(false)
	}
}
