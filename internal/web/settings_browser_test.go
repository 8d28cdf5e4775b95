package web

import (
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// Without a script and without a mouse, on a phone and at a desk: a schedule is added, looked at and sent; a person is let in.
func TestSettingsByKeyboard(t *testing.T) {
	for _, screen := range screens {
		t.Run(screen.name, func(t *testing.T) {
			w := newWorld(t)
			w.addFleet()
			w.addPerson("adam", fleet.Administrator)
			b := newTab(w)
			b.size(screen.width, screen.height)
			b.do(protocol(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}))
			b.signIn("adam")
			b.scheduleByKeyboard()
			b.personByKeyboard()
		})
	}
}

func (b *tab) scheduleByKeyboard() {
	b.t.Helper()
	b.tabTo(`el.textContent == "Settings"`)
	b.enter()
	b.tabTo(`el.textContent == "My account"`)
	b.enter()
	b.tabTo(`el.id == "email"`)
	b.do(chromedp.KeyEvent("adam@fleet.example"))
	b.enter()
	b.sees("Your name and mail address are as you wrote them.")
	b.tabTo(`el.textContent == "Schedules"`)
	b.enter()
	b.tabTo(`el.textContent == "Add a schedule"`)
	b.enter()
	b.tabTo(`el.id == "at"`)
	b.do(chromedp.KeyEvent("0545AM"))
	b.tabTo(`el.id == "timezone"`)
	b.do(chromedp.KeyEvent("Am"))
	b.tabTo(`el.textContent == "Add the schedule"`)
	b.do(chromedp.KeyEvent(kb.Enter))
	b.sees("Nobody to send to")
	require.Equal(b.t, "to-address", b.value("document.activeElement.id"), "what is wrong has the focus")
	b.do(chromedp.KeyEvent("bo@fleet.example"))
	b.tabTo(`el.name == "preview"`)
	b.enter()
	b.sees("at 05:45 on Mondays, on the clock of America/Toronto")
	b.tabTo(`el.textContent == "Add the schedule"`)
	b.enter()
	b.sees("Schedule 3 is added: winter list of the whole fleet, at 05:45 on Mondays.")
	b.tabTo(`el.textContent == "Send me this now: schedule 3"`)
	b.enter()
	b.sees("The winter list of the whole fleet is on its way to adam@fleet.example. Nobody else gets it.")
	b.tabTo(`el.textContent == "Remove schedule 3"`)
	b.enter()
	b.sees("Remove schedule 3?")
	b.tabTo(`el.tagName == "BUTTON" && el.closest("main")`)
	b.enter()
	b.sees("Schedule 3 is removed.")
}

func (b *tab) personByKeyboard() {
	b.t.Helper()
	b.tabTo(`el.textContent == "People"`)
	b.enter()
	b.tabTo(`el.textContent == "Add a person"`)
	b.enter()
	b.tabTo(`el.id == "name"`)
	b.do(chromedp.KeyEvent("jo"))
	b.tabTo(`el.name == "depot"`)
	b.do(chromedp.KeyEvent(" "))
	b.tabTo(`el.textContent == "Let them sign in"`)
	b.enter()
	b.sees("jo may sign in now, as mechanic.")
	b.sees("shown this once")
	require.Equal(b.t, []fleet.DepotID{"NOR"}, b.w.person("jo").Depots)
}
