package web

import (
	"math"
	"testing"

	"github.com/chromedp/cdproto/input"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// closer opens the chart of this title for a closer look.
func closer(t *testing.T, path, title string) *tab {
	t.Helper()
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := newTab(w)
	b.signIn("mara")
	b.open(path)
	b.press("Look closer: " + title)
	require.Equal(t, "closer-box", b.value("document.activeElement.className"), "the keys work at once")
	return b
}

// points are how many values lie within the part shown, ends the first and last figure on the temperature scale.
const (
	points = `(() => { const clip = document.querySelector(".closer-box clipPath rect").getBBox(); return [...document.querySelectorAll(".closer-box circle.disc")].
		filter(c => c.cx.baseVal.value >= clip.x && c.cx.baseVal.value <= clip.x + clip.width && c.cy.baseVal.value >= clip.y && c.cy.baseVal.value <= clip.y + clip.height).length })()`
	ends = `(() => { const all = [...document.querySelectorAll(".closer-box text.middle")].map(t => t.textContent).filter(t => /^[−0-9.]+$/.test(t)); return all[0] + " " + all.at(-1) })()`
	says = `document.querySelector(".closer-says").textContent`
)

func TestACloserLookByKeyboard(t *testing.T) {
	b := closer(t, "/units/N-1", "lowest volts while cranking against air temperature")
	require.InDelta(t, 60, b.number(points), 0, "the chart shows every crank of the table")
	require.Equal(t, "−12 6", b.value(ends))
	b.do(chromedp.KeyEvent(kb.ArrowRight))
	require.Equal(t, "2026-11-20 01:00: −12.0\u00a0°C, 9.30\u00a0V", b.value(says), "as the table says it, with its units")
	b.do(chromedp.KeyEvent("+"), chromedp.KeyEvent("+"))
	require.Equal(t, "−12.0 −7.5", b.value(ends), "about the value that is read out")
	require.Less(t, b.number(points), 15.0)
	b.do(chromedp.KeyEvent(kb.ArrowRight, chromedp.KeyModifiers(chromedp.ModifierShift)))
	require.NotEqual(t, "−12.0 −7.5", b.value(ends))
	b.do(chromedp.KeyEvent(kb.ArrowDown))
	require.Contains(t, b.value(says), "fit a year ago: ")
	b.do(chromedp.KeyEvent("0"))
	require.InDelta(t, 60, b.number(points), 0)
	require.Empty(t, b.unlawful())
	b.keep("closer-by-keyboard")
	require.Empty(t, b.deadKeys())
	b.press("Back to the picture")
	require.Equal(t, "Look closer", b.value("document.activeElement.textContent"))
	require.Equal(t, "true", b.value(`document.querySelector("figure picture").checkVisibility() && !document.querySelector(".closer")`))
}

func TestACloserLookByMouse(t *testing.T) {
	b := closer(t, "/units/N-1", "lowest volts while cranking against air temperature")
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector(".closer-box").scrollIntoView({block: "center"})`))
	left, top := b.number(`document.querySelector(".closer-box svg").getBoundingClientRect().left`), b.number(`document.querySelector(".closer-box svg").getBoundingClientRect().top`)
	x, y := b.number(`document.querySelector(".closer-box circle.disc").cx.baseVal.value`), b.number(`document.querySelector(".closer-box circle.disc").cy.baseVal.value`)
	b.do(chromedp.MouseEvent(input.DispatchMouseEventTypeMouseMoved, left+x, top+y))
	require.Equal(t, "2026-11-20 01:00: −12.0\u00a0°C, 9.30\u00a0V", b.value(says))
	b.do(chromedp.DragAndDropXY(left+100, top+60, left+200, top+200))
	require.Less(t, b.number(points), 30.0)
	before := b.value(ends)
	b.do(wheel(left+150, top+100, 200))
	require.NotEqual(t, before, b.value(ends))
	b.dark(true)
	b.keep("closer-by-mouse")
	b.press("Show all")
	require.InDelta(t, 60, b.number(points), 0)
	b.press("Zoom in")
	require.Less(t, b.number(points), 60.0)
}

func wheel(x, y, by float64) chromedp.Action[chromedp.Void] {
	return protocol(input.DispatchMouseEvent, input.DispatchMouseEventParams{Type: input.DispatchMouseEventTypeMouseWheel, X: x, Y: y, DeltaX: 1, DeltaY: by})
}

func TestACloserLookByFingers(t *testing.T) {
	b := closer(t, "/audit", "Expected and failed by band, season 2025–26")
	b.size(360, 740)
	b.do(chromedp.Evaluate[chromedp.Void](`document.querySelector(".closer-box").scrollIntoView({block: "center"})`))
	require.LessOrEqual(t, b.number("document.documentElement.scrollWidth"), 360.0, b.value(widest))
	require.Equal(t, "0\u00a0% 100\u00a0%", b.value(`[...document.querySelectorAll(".closer-box text.middle")].map(t => t.textContent).filter((_, i, all) => i == 0 || i == all.length - 1).join(" ")`))
	x, y := b.number(`document.querySelector(".closer-box circle.disc").getBoundingClientRect().x`)+5, b.number(`document.querySelector(".closer-box circle.disc").getBoundingClientRect().y`)+5
	touch := func(kind input.DispatchTouchEventType, apart float64) {
		points := []*input.TouchPoint{{X: x - apart, Y: y, ID: new(0.0)}, {X: x + apart, Y: y, ID: new(1.0)}}
		if kind == input.DispatchTouchEventTypeTouchEnd {
			points = nil
		}
		b.do(protocol(input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points}))
	}
	width := func() float64 { return b.number(`document.querySelector(".closer-box .span").getBBox().width`) }
	before := width()
	touch(input.DispatchTouchEventTypeTouchStart, 20)
	for apart := 22.0; apart <= 40; apart += 2 {
		touch(input.DispatchTouchEventTypeTouchMove, apart)
	}
	touch(input.DispatchTouchEventTypeTouchEnd, 0)
	b.keep("closer-by-fingers")
	require.InDelta(t, math.Log(2), math.Log(width()/before), 0.1, "fingers twice as far apart show it twice as large")
}
