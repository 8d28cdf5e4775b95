package web

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// A mechanic mends a row on a phone, by keyboard and without scripts: wrong at first, then right, then the next one aside.
func TestARowIsMendedByKeyboardOnAPhone(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.keepApart("cold.csv", "tested_at,unit,cca_a,note,shift\n2026-11-21T08:00:00Z,N-1,600,\"two\nlines\",early\n2026-11-22T08:00:00Z,N-1,610,,late\n")
	w.addPerson("jo", fleet.Mechanic, "NOR")
	b := newTab(w)
	b.do(protocol(emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true}))
	b.size(360, 740)
	b.signIn("jo")
	b.open("/intake")
	b.fits("intake")
	b.tabTo(`el.textContent == "cold.csv, line 2"`)
	b.enter()
	b.sees("cca_a means nothing without the standard")
	b.fits("row")
	b.tabTo(`el.id == "f-cca_standard"`)
	require.Equal(t, "one of sae, en, din, iec or jis", b.value(`document.getElementById(document.activeElement.getAttribute("aria-describedby")).textContent`))
	b.do(chromedp.KeyEvent("eu"))
	_, err := chromedp.RunResponse(b.ctx, chromedp.KeyEvent(kb.Enter))
	require.NoError(t, err)
	b.complaints() // the browser calls the answer a failure, as it is meant
	b.sees("want one of sae, en, din, iec or jis")
	require.Equal(t, "eu", b.value(`document.getElementById("f-cca_standard").value`), "what was typed comes back")
	require.Equal(t, "two\nlines", b.value(`document.getElementById("f-note").value`))
	b.fits("row-again")
	b.tabTo(`el.id == "f-cca_standard"`)
	b.do(chromedp.KeyEvent(kb.End), chromedp.KeyEvent(kb.Backspace), chromedp.KeyEvent("n"))
	b.tabTo(`el.textContent == "Take this row"`)
	b.enter()
	b.sees("Taken by jo")
	require.NotContains(t, b.value("document.body.innerText"), "two", "what nobody touched did not change")
	b.fits("row-taken")
	b.tabTo(`el.textContent == "The next row kept apart"`)
	b.enter()
	b.sees("cold.csv, line 4")
	b.tabTo(`el.id == "note"`)
	b.do(chromedp.KeyEvent("the tester was on trial"))
	b.enter()
	b.sees("Set aside by jo")
	b.fits("row-aside")
	b.open("/intake/settled")
	b.fits("settled")
}

// A manager brings a file and sets a column in many rows at once.
func TestRowsAlikeAreMendedInABrowser(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	path := filepath.Join(t.TempDir(), "round.csv")
	text := "tested_at,unit,rest_v\n2026-11-21T08:00:00Z,N-01,12.5\n2026-11-22T08:00:00Z,N-01,12.4\n2026-11-23T08:00:00Z,N-01,99\n"
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	b := newTab(w)
	b.signIn("mara")
	b.open("/intake")
	b.do(chromedp.SetUploadFiles(chromedp.CSS("#file"), []string{path}))
	b.follow("Bring")
	b.sees("What became of the files")
	b.fits("taken")
	b.open("/intake")
	b.follow("3 rows")
	b.fill("to", "N-1")
	b.follow("See what would come of it")
	b.sees("Of 3 rows, 2 would be taken, 1 waits on for the reasons below.")
	b.fits("alike")
	b.follow("Take these rows")
	b.sees("Of 3 rows, 2 were taken, 1 waits on for the reasons below.")
	b.fits("alike-done")
}

// fits checks the page on a phone and takes its pictures, light and dark, there and on a desk.
func (b *tab) fits(name string) {
	b.t.Helper()
	for _, s := range screens {
		b.size(s.width, s.height)
		require.LessOrEqual(b.t, b.number("document.documentElement.scrollWidth"), float64(s.width), "%s scrolls sideways on a %s", name, s.name)
		for _, dark := range []bool{false, true} {
			b.dark(dark)
			b.keep("intake-" + name + "-" + s.name + map[bool]string{true: "-dark", false: ""}[dark])
			b.size(s.width, s.height)
		}
	}
	b.dark(false)
	b.size(360, 740)
}
