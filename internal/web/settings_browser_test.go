package web

import (
	"net/http"
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
			b.scheduleByKeyboard(screen.name)
			b.personByKeyboard(screen.name)
		})
	}
}

func (b *tab) scheduleByKeyboard(screen string) {
	b.t.Helper()
	b.tabTo(`el.textContent == "Settings"`)
	b.enter()
	b.tabTo(`el.textContent == "My account"`)
	b.enter()
	b.tabTo(`el.id == "email"`)
	b.do(chromedp.KeyEvent("adam@fleet.example"))
	b.enter()
	b.shows("Your name and mail address are as you wrote them.")
	b.tabTo(`el.textContent == "Schedules"`)
	b.enter()
	b.tabTo(`el.textContent == "Add a schedule"`)
	b.enter()
	b.tabTo(`el.id == "at"`)
	b.do(chromedp.KeyEvent("0545AM"))
	b.tabTo(`el.id == "timezone"`)
	b.do(chromedp.KeyEvent("Am"))
	b.tabTo(`el.textContent == "Add the schedule"`)
	res, err := chromedp.RunResponse(b.ctx, chromedp.KeyEvent(kb.Enter))
	require.NoError(b.t, err)
	require.EqualValues(b.t, http.StatusUnprocessableEntity, res.Status)
	require.Len(b.t, b.complaints(), 1, "the browser calls the answer a failure, as it is meant")
	b.shows("Nobody to send to")
	b.until(`document.activeElement.id == "to-address"`) // what is wrong gets the focus once the page is drawn
	b.keep("settings-schedule-wrong-" + screen)
	b.do(chromedp.KeyEvent("bo@fleet.example"))
	b.tabTo(`el.name == "preview"`)
	b.enter()
	b.shows("at 05:45 on Mondays, on the clock of America/Toronto")
	b.keep("settings-schedule-preview-" + screen)
	b.tabTo(`el.textContent == "Add the schedule"`)
	b.enter()
	b.shows("Schedule 3 is added: winter list of the whole fleet, at 05:45 on Mondays.")
	b.tabTo(`el.textContent == "Send me this now: schedule 3"`)
	b.enter()
	b.shows("The winter list of the whole fleet is on its way to adam@fleet.example. Nobody else gets it.")
	b.tabTo(`el.textContent == "Remove schedule 3"`)
	b.enter()
	b.shows("Remove schedule 3?")
	b.tabTo(`el.tagName == "BUTTON" && !!el.closest("main")`)
	b.enter()
	b.shows("Schedule 3 is removed.")
}

// shows checks the page's text without a script of the page's own.
func (b *tab) shows(words string) {
	b.t.Helper()
	require.Contains(b.t, b.value(`document.body.innerText.replace(/\s+/g, " ")`), words)
}

func (b *tab) personByKeyboard(screen string) {
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
	b.shows("jo may sign in now, as mechanic.")
	b.shows("shown this once")
	b.keep("settings-password-once-" + screen)
	require.Equal(b.t, []fleet.DepotID{"NOR"}, b.w.person("jo").Depots)
}
