package web

import (
	"context"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// A mechanic takes a job from the board to its end on a phone, by keyboard and without a script.
func TestAJobOnAPhoneByKeyboard(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	b := newTab(w)
	b.size(360, 740)
	b.do(protocol(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}))
	b.signIn("nils")
	b.open("/units/N-1")
	press := func(test string) {
		b.tabTo(test)
		b.enter()
	}
	into := func(id, text string) {
		b.tabTo(`el.id == "` + id + `"`)
		b.do(chromedp.KeyEvent(text))
	}
	pick := func(name string, downs int) { // the first of a group of radio buttons, then so many further
		b.tabTo(`el.name == "` + name + `"`)
		b.do(chromedp.KeyEvent(" "))
		for range downs {
			b.do(chromedp.KeyEvent(kb.ArrowDown))
		}
	}
	press(`el.textContent == "Open a job"`)
	b.tabTo(`el.name == "part"`)
	b.do(chromedp.KeyEvent(kb.ArrowUp)) // from the starter, which the list suspects, to the battery
	press(`el.textContent == "Open the job"`)
	b.sees("N-1: the job is open.")

	press(`el.textContent == "Reserve the part…"`)
	into("number", "") // what is fitted is offered
	b.enter()
	b.sees("N-1: part reserved.")
	b.open("/jobs")
	press(`el.textContent.startsWith("On the bench") && el.closest("li").textContent.includes("N-1")`)
	b.sees("N-1: on the bench.")
	press(`el.textContent.startsWith("It is fitted…")`)
	pick("because", 1)
	into("p1-battery", "N-90")
	b.keep("job-fit-phone")
	b.size(360, 740)
	press(`el.textContent == "Fitted"`)
	b.sees("N-1: booked. Now start it")
	w.now = w.now.Add(time.Hour)
	into("rest_v", "12.7")
	into("min_v", "10.9")
	into("temperature_c", "-4")
	b.enter()
	b.sees("N-1: proven. Lowest volts while cranking at −4 °C were 10.9 V")
	pick("core", 0)
	b.tabTo(`el.name == "paper"`)
	b.do(chromedp.KeyEvent(" "))
	press(`el.textContent == "Close the job"`)
	b.sees("N-1: closed.")
	require.Equal(t, fleet.JobClosed, w.jobOf("N-1").State)
	require.LessOrEqual(t, b.number("document.documentElement.scrollWidth"), 360.0)
	b.keep("job-closed-phone")
}

// Where the browser reads codes, the camera fills in a serial. Chromium here reads none and has no camera, so it is lent both.
func TestASerialIsScanned(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	j := w.openJob("N-1", fleet.BatteryPart, "rests low")
	b := newTab(w)
	b.signIn("nils")
	_, err := chromedp.Run(b.ctx, chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, page.AddScriptToEvaluateOnNewDocument, page.AddScriptToEvaluateOnNewDocumentParams{Source: `{
			const codes = [[], [{rawValue: " N-91 "}]];
			window.BarcodeDetector = class { async detect() { return codes.shift() ?? []; } };
			const devices = {getUserMedia: async () => { const c = document.createElement("canvas"); c.getContext("2d").fillRect(0, 0, 9, 9); return window.lent = c.captureStream(); }};
			Object.defineProperty(navigator, "mediaDevices", {value: devices}); }`})
		return err
	}))
	require.NoError(t, err)
	b.open(jobHref(j.ID) + "/fit")
	b.press("Scan the label")
	b.sees("Read: N-91. Compare it with the label.")
	require.Equal(t, "N-91", b.value(`document.getElementById("p1-battery").value`))
	require.Equal(t, "p1-battery", b.value("document.activeElement.id"))
	require.Equal(t, "ended", b.value("lent.getTracks()[0].readyState"), "the camera is let go")
}

// What is printed of a job is its sheet, with room to write.
func TestJobSheetOnPaper(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	b := newTab(w)
	b.signIn("mara")
	b.open(jobHref(w.jobOf("N-2").ID) + "/sheet")
	b.size(800, 1100)
	b.do(protocol(emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Media: "print"}))
	for _, selector := range []string{".bar nav", ".who", ".screen-only"} {
		require.Equal(t, "none", b.value("getComputedStyle(document.querySelector('"+selector+"')).display"), selector)
	}
	require.Positive(t, b.number("document.querySelectorAll('.sheet .blank').length"))
	b.keep("job-sheet-print")
}

// Two people stand at one unit. A crank that reads badly brings the job back once, also when its form is gone back to; who comes second is
// told, and has typed nothing in vain.
func TestTwoPeopleProveOneJob(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	for _, name := range []string{"nils", "ola"} {
		w.addPerson(name, fleet.Mechanic, "NOR")
	}
	nils := newTab(w)
	ola := nils.another()
	path := jobHref(w.jobOf("N-2").ID) + "/prove"
	w.now = w.now.Add(time.Hour)
	for name, b := range map[string]*tab{"nils": nils, "ola": ola} {
		b.signIn(name)
		b.open(path)
	}
	ola.fill("Rest volts, before the key is turned", "12.7")
	ola.fill("Lowest volts while cranking", "10.9")
	ola.fill("Air temperature, °C", "-4")

	nils.do(chromedp.Click(nils.labelled("it cranked slowly")))
	nils.follow("Judge this crank")
	nils.sees("N-2: not proven, so the job is found again: it cranked slowly.")
	came := w.jobOf("N-2")
	require.Equal(t, fleet.JobFound, came.State)
	nils.do(chromedp.NavigateBack())
	nils.sees("This job is found: there is nothing to prove now.")
	require.Equal(t, came.Step, w.jobOf("N-2").Step, "nothing is sent by going back")

	_, err := chromedp.RunResponse(ola.ctx, chromedp.Click(ola.named("button", "Judge this crank")))
	require.NoError(t, err)
	require.NotEmpty(t, ola.complaints(), "409 is in the browser's record")
	ola.sees("Nils has meanwhile changed this job, it is now found")
	ola.sees("back to found; it cranked slowly")
	require.Equal(t, "10.9", ola.value(`document.getElementById("min_v").value`), "what was typed is there still")
	require.Equal(t, came.Step, w.jobOf("N-2").Step)
}
