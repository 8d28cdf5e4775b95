package web

import (
	"fmt"
	"net/http"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// A mechanic looks for a fault on a phone, by keyboard and without scripts: from the list to the sheet, with a figure typed wrong once.
func TestAFaultIsFoundByKeyboardOnAPhone(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	b := newTab(w)
	b.do(protocol(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}))
	b.size(360, 740)
	b.signIn("jo")
	b.open("/faults")
	b.tabTo(`el.textContent == "A vehicle that nobody has recorded"`)
	b.enter()
	b.sees("What happens when the key is turned?")
	b.tabTo(`el.name == "heard"`)
	for range 4 { // down to one click
		b.do(chromedp.KeyEvent(kb.ArrowDown))
	}
	require.Equal(t, "click", b.value(`document.querySelector("[name=heard]:checked").value`))
	b.faultFits("start")
	b.tabTo(`el.id == "name"`)
	b.do(chromedp.KeyEvent("red tractor"))
	b.enter()
	b.sees("Make the unit safe")
	wrongOnce := true
	for n := 0; b.value(`document.querySelector(".outcomes [name=check]")?.value`) != "undefined"; n++ {
		require.Less(t, n, 30)
		check := b.value(`document.querySelector(".outcomes [name=check]").value`)
		b.faultFits(fmt.Sprintf("check-%02d-%s", n, check))
		says, known := wornStarter[check]
		if !known {
			says = "unknown"
		}
		if b.value(`!!document.getElementById("value")`) != "true" || says == "good" || says == "within" {
			b.tabTo(fmt.Sprintf(`el.name == "reading" && el.value == %q`, says))
			b.enter()
			continue
		}
		if wrongOnce {
			wrongOnce = false
			b.tabTo(`el.id == "value"`)
			b.do(chromedp.KeyEvent("99"))
			_, err := chromedp.RunResponse(b.ctx, chromedp.KeyEvent(kb.Enter))
			require.NoError(t, err)
			b.complaints() // the browser calls the answer a failure, as it is meant
			b.sees("cannot be")
			require.Equal(t, "value", b.value("document.activeElement.id"), "one can type again at once")
			b.faultFits("refused")
			b.do(chromedp.Clear(chromedp.CSS("#value")))
		} else {
			b.tabTo(`el.id == "value"`)
		}
		b.do(chromedp.KeyEvent(says))
		b.enter()
	}
	b.sees("The starter")
	b.faultFits("found")
	b.tabTo(`el.textContent.startsWith("Job sheet")`)
	b.enter()
	b.sees("Have at hand")
	b.faultFits("sheet")
	b.do(protocol(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}))
	require.Equal(t, "none", b.value("getComputedStyle(document.querySelector('.screen-only')).display"))
	b.size(720, 1000)
	b.keep("fault-sheet-print")
}

// Two phones, the second a moment late: it is shown what the first said and decides.
func TestTheSecondPhoneDecidesInABrowser(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	w.addPerson("ann", fleet.Mechanic, "NOR")
	b := newTab(w)
	b.size(360, 740)
	b.signIn("jo")
	b.open("/faults/1")
	require.Equal(t, http.StatusSeeOther, w.as("ann").post("/faults/1", map[string][]string{"check": {"lamps"}, "reading": {"dim"}, "step": {"2"}}).status)
	_, err := chromedp.RunResponse(b.ctx, chromedp.Click(chromedp.CSS(`.outcome[value="bright"]`)))
	require.NoError(t, err)
	b.complaints() // the browser calls the answer a failure, as it is meant
	b.sees("ann has answered this meanwhile")
	require.Empty(t, b.unlawful())
	b.faultFits("meantime")
	b.follow("Put mine in its place")
	b.sees("It stays bright")
}

// faultFits checks the page on a phone and takes its pictures, light and dark.
func (b *tab) faultFits(name string) {
	b.t.Helper()
	require.LessOrEqual(b.t, b.number("document.documentElement.scrollWidth"), 360.0, "%s scrolls sideways, by %s", name, b.value(widest))
	small := b.list(`[...document.querySelectorAll(".outcome, .big")].filter(el => el.checkVisibility() && el.getBoundingClientRect().height < 48).map(el => el.outerHTML)`)
	require.Empty(b.t, small, "%s: too small for a glove", name)
	for _, dark := range []bool{false, true} {
		b.dark(dark)
		b.keep("fault-" + name + map[bool]string{true: "-dark", false: ""}[dark])
		b.size(360, 740)
	}
	b.dark(false)
}
