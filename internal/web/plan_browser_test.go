package web

import (
	"fmt"
	"net/url"
	"regexp"
	"testing"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// weekOf is the week in which the board shows a unit; empty: none.
func (b *tab) weekOf(unit fleet.UnitID) string {
	b.t.Helper()
	return b.value(fmt.Sprintf(`(document.getElementById(%q)?.closest("[data-week]")?.dataset.week ?? "")`, cardID(unit)))
}

// centre of the first element that a selector finds, in the window.
func (b *tab) centre(selector string) (x, y float64) {
	b.t.Helper()
	at := run(b, chromedp.Evaluate[[]float64](fmt.Sprintf(`(() => { const box = document.querySelector(%q).getBoundingClientRect();
		return [box.left + box.width / 2, box.top + Math.min(box.height / 2, 20)] })()`, selector)))
	return at[0], at[1]
}

func mouse(kind input.DispatchMouseEventType, x, y float64) chromedp.Action[chromedp.Void] {
	return protocol(input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: kind, X: x, Y: y, Button: input.MouseButtonLeft, ClickCount: 1})
}

// pull presses the mouse at one place and takes it to another.
func (b *tab) pull(fromX, fromY, toX, toY float64) {
	b.t.Helper()
	b.do(mouse(input.DispatchMouseEventTypeMousePressed, fromX, fromY))
	for step := 1.0; step <= 4; step++ {
		b.do(mouse(input.DispatchMouseEventTypeMouseMoved, fromX+(toX-fromX)*step/4, fromY+(toY-fromY)*step/4))
	}
}

func weekSelector(depot fleet.DepotID, monday string) string {
	return fmt.Sprintf(`[data-depot=%q] [data-week=%q]`, depot, monday)
}

// A card that is let go over another week of its depot is locked there; over another depot, or after Escape, nothing happens.
func TestACardIsDraggedToAnotherWeek(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	b := newTab(w)
	b.signIn("mara")
	b.open("/plan")
	require.Equal(t, "2026-11-23", b.weekOf("N-1"))
	fromX, fromY := b.centre("#" + cardID("N-1") + " .grip")
	toX, toY := b.centre(weekSelector("SUD", "2026-12-07"))
	b.pull(fromX, fromY, toX, toY)
	b.do(mouse(input.DispatchMouseEventTypeMouseReleased, toX, toY))
	toX, toY = b.centre(weekSelector("NOR", "2026-12-07"))
	b.pull(fromX, fromY, toX, toY)
	require.Equal(t, "2026-12-07", b.value(`document.querySelector(".target").dataset.week`), "where it would go is shown")
	b.do(chromedp.KeyEvent(kb.Escape))
	require.Equal(t, "null", b.value(`document.querySelector(".target, .held")`))
	b.do(mouse(input.DispatchMouseEventTypeMouseReleased, toX, toY))
	require.Equal(t, "/plan", b.value("location.pathname + location.hash"))

	b.pull(fromX, fromY, toX, toY)
	b.leads(mouse(input.DispatchMouseEventTypeMouseReleased, toX, toY))
	b.shows("N-1: locked for the week of 7")
	require.Equal(t, "2026-12-07", b.weekOf("N-1"))
	require.Contains(t, b.value(fmt.Sprintf("document.getElementById(%q).innerText", cardID("N-1"))), "locked")
	require.Equal(t, "2026-11-23", b.weekOf("S-1"), "the other depot's stays")
	choices, err := w.db.PlanChoices(t.Context(), nil)
	require.NoError(t, err)
	require.Len(t, choices, 1)
	require.Equal(t, "mara", choices[0].By)
	b.keep("plan-dragged")
}

// Without a script and without a mouse, on a phone and at a desk, the form does the same.
func TestThePlanByKeyboard(t *testing.T) {
	for _, screen := range screens {
		t.Run(screen.name, func(t *testing.T) {
			w := newWorld(t)
			w.addPlan()
			b := newTab(w)
			b.size(screen.width, screen.height)
			b.do(protocol(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}))
			b.signIn("mara")
			b.tabTo(`el.textContent == "Plan"`)
			b.enter()
			b.tabTo(`el.closest(".card") && el.textContent == "N-1"`)
			b.enter()
			b.tabTo(`el.id == "week"`)
			b.do(chromedp.KeyEvent("week of 14 Dec"))
			b.tabTo(`el.name == "part" && el.value == "battery"`)
			b.do(chromedp.KeyEvent(" "))
			b.tabTo(`el.id == "note"`)
			b.do(chromedp.KeyEvent("with the inspection"))
			b.tabTo(`el.textContent == "Keep this"`)
			b.enter()
			b.shows("N-1: locked for the week of 14")
			require.Equal(t, "2026-12-14", b.weekOf("N-1"))
			b.tabTo(`el.matches("[data-depot=NOR] [data-week='2026-11-23'] summary")`)
			b.do(chromedp.KeyEvent(" "))
			b.tabTo(`el.name == "visits"`)
			b.do(chromedp.KeyEvent("2"))
			b.enter()
			b.shows("NOR has room for")
		})
	}
}

// The manager's Monday: a letter, its link, the door, the page, a choice to defend upstairs, and the plan that keeps to it.
func TestAManagerComesFromTheLetterAndLocksAVisit(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	site, err := url.Parse(w.http.URL)
	require.NoError(t, err)
	_, err = w.db.SetContact(t.Context(), "mara", "Mara", "mara@fleet.example")
	require.NoError(t, err)
	desk := reports.Desk{Kinds: reports.Kinds{reports.PlanKind(w.db)}, People: w.db, Subscriptions: w.db, May: MayOpen, From: "rime@fleet.example", Site: site}
	letters, err := desk.Now(t.Context(), fleet.Schedule{Report: reports.PlanName, Recipients: []string{"person:mara"}, Timezone: "UTC", Attach: []fleet.Attachment{fleet.AttachPDF, fleet.AttachXLSX}}, "now", w.now)
	require.NoError(t, err)
	require.Len(t, letters.Letters, 1)
	require.Contains(t, letters.Letters[0].Subject, "Week of 23")
	link := regexp.MustCompile(regexp.QuoteMeta(w.http.URL) + `/plan\b`).FindString(string(letters.Letters[0].Message))
	require.NotEmpty(t, link, "the letter leads to the page")

	b := newTab(w)
	b.size(360, 740)
	b.open(link[len(w.http.URL):])
	b.sees("Sign in")
	b.fill("Name", "mara")
	b.fill("Password", testPassword)
	b.follow("Sign in")
	require.Equal(t, "/plan", b.value("location.pathname"))
	b.sees("It is proven that no other order of the work saves more")
	b.follow("N-1")
	b.sees("of expected loss")
	b.choose("Week", "week of 7 December (1 of 1 visit)")
	b.fill("Note", "away until then")
	b.follow("Keep this")
	b.sees("N-1: locked for the week of 7")
	require.Equal(t, "2026-12-07", b.weekOf("N-1"))

	w.now = w.now.Add(24 * time.Hour) // a new day brings a new list: what is locked stays
	w.issue(forecast("N-1", "NOR", 1, fleet.Swap), forecast("S-1", "SUD", 2, fleet.Down), forecast("N-2", "NOR", 4, fleet.Sound))
	b.open("/plan?depot=NOR")
	require.Equal(t, "2026-12-07", b.weekOf("N-1"))
	b.sound()
}
