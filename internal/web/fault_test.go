package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// addFaults brings a search in each of its states: 1 is open, 2 has a finding, 3 is stopped by ice, 4 is of a vehicle that nobody has
// recorded and has an answer that does not fit.
func (w *world) addFaults() {
	w.t.Helper()
	w.addSearch("N-1", faults.Facts{SystemVolts: 12, Class: "medium <i>", TemperatureC: fleet.Known(-8.0)}, "secure done", "key click")
	w.addSearch("N-2", faults.Facts{SystemVolts: 12, TemperatureC: fleet.Known(8.0)}, "secure done", "key dark", "main_fuse_check open", "rest_v 12.7", "main_fuse_check open")
	w.addSearch("S-1", faults.Facts{SystemVolts: 12, TemperatureC: fleet.Known(-15.0)}, "secure done", "key clicks", "rest_v 10.9", "frozen frozen")
	w.addSearch("", faults.Facts{Unit: "<b>old</b> truck", SystemVolts: 24, TemperatureC: fleet.Known(12.0)}, "secure done", "key normal", "rest_v 11.2", "lamps dark")
}

func (w *world) addSearch(unit fleet.UnitID, facts faults.Facts, answers ...string) int64 {
	w.t.Helper()
	if unit != "" {
		facts.Unit = unit
	}
	session, err := faults.New(facts, faults.Prior{})
	require.NoError(w.t, err)
	for _, a := range answers {
		check, says, _ := strings.Cut(a, " ")
		session, err = session.Answer(faults.Check(check), says, "jo <i>", w.now.Add(-time.Hour))
		require.NoError(w.t, err)
	}
	id, started, err := w.srv.startSearch(w.t.Context(), session, unit, "", "jo <i>")
	require.NoError(w.t, err)
	require.True(w.t, started)
	return id
}

// hidden is the value of a field that people do not see, in the form of the outcomes.
func hidden(t *testing.T, doc *html.Node, name string) string {
	t.Helper()
	for _, form := range all(doc, "form", "class", "outcomes") {
		for _, field := range all(form, "input", "name", name) {
			value, _ := attribute(field, "value")
			return value
		}
	}
	return ""
}

func heading(doc *html.Node) string { return text(all(doc, "h1", "", "")[0]) }

// answersOf a starter whose motor is worn out.
var wornStarter = map[string]string{
	"secure": "done", "key": "click", "lamps": "dim", "story": "neither", "rest_v": "12,72", "look_terminals": "clean", "cca_test": "good", "crank_v": "within",
	"positive_drop": "0.2", "ground_drop": "0.1 V", "solenoid_drop": "0.1", "signal": "there", "draw": "high", "tap": "runs", "turn_engine": "turns",
	"clamp_drop": "0.02", "starter_wires": "clean", "load_test": "holds", "flat_before": "no", "charge_lamp": "out", "frozen": "no",
}

// The whole story: a unit clicks once; one mechanic begins, another goes on, a starter is named, a job is opened, its sheet printed.
func TestAFaultIsFoundByTwoPeople(t *testing.T) {
	w := newWorld(t)
	w.bring(fleetJSON())
	w.issue(forecast("N-1", "NOR", 1, fleet.Swap))
	w.addPerson("ann", fleet.Mechanic, "NOR")
	w.addPerson("ben", fleet.Mechanic, "NOR")
	people := []*browser{w.as("ann"), w.as("ben")}

	start := people[0].get("/faults?unit=n-1")
	require.Equal(t, http.StatusSeeOther, start.status)
	require.Equal(t, "/units/N-1/fault", start.header.Get("Location"))
	form := people[0].get("/units/N-1/fault").page()
	prefilled, _ := attribute(all(form, "input", "id", "temperature")[0], "value")
	require.Regexp(t, `^-\d+$`, prefilled, "the depot's low")
	require.Contains(t, text(form), "850 A SAE AGM")
	require.Contains(t, text(form), "cranks 0.4 V lower than a year ago")

	res := people[0].post("/units/N-1/fault", url.Values{"heard": {"click"}, "temperature": {prefilled}})
	require.Equal(t, "/faults/1", res.header.Get("Location"), res.body)
	checks := 0
	for ; ; checks++ {
		require.Less(t, checks, 25)
		doc := people[checks%2].get("/faults/1").page() // they take turns
		check := hidden(t, doc, "check")
		if check == "" {
			break
		}
		require.NotEqual(t, "key", check, "what was heard is not asked again")
		if checks == 0 {
			require.Equal(t, "secure", check, "before all else")
		}
		says, known := wornStarter[check]
		if !known {
			says = faults.DontKnow
		}
		res := people[checks%2].post("/faults/1", url.Values{"check": {check}, "value": {says}, "step": {hidden(t, doc, "step")}})
		require.Equal(t, http.StatusSeeOther, res.status, "%s: %s", check, res.body)
	}
	doc := people[1].get("/faults/1").page()
	words := text(doc)
	require.Equal(t, "The starter", heading(doc), words)
	require.NotRegexp(t, `[0-9] (%|V|A)[ .,;:)<]`, people[1].get("/faults/1").body, "no figure parts from its unit of measure")
	require.Regexp(t, `How sure: (very likely|almost certain) `, words)
	require.Regexp(t, `^[^%]+, at \d+ %(; the starter as a whole, at \d+ %)?\.[^%]*$`, text(all(doc, "section", "class", "verdict found")[0]), "its chance stands there once")
	require.Contains(t, words, "speaks for it (ann)")
	require.Contains(t, words, "(ben)")
	require.Contains(t, words, "12.72 V (", "the figure as read")

	w.noteTorque("medium <i>")
	sheet := text(people[0].get("/faults/1/sheet").page())
	require.Contains(t, sheet, "Change the starter N-1, medium <i>, 12 V")
	require.Contains(t, sheet, "Starter bolts 41 N·m", "the fleet's own figure")
	require.Contains(t, sheet, "battery terminal nut: ____ N·m", "and a blank where it has none")

	pdf := people[0].get("/faults/1/sheet.pdf")
	require.Equal(t, http.StatusOK, pdf.status, pdf.body)
	require.True(t, strings.HasPrefix(pdf.body, "%PDF-"))

	step := strings.TrimSpace(fmt.Sprint(checks + 1))
	res = people[1].post("/faults/1/job", url.Values{"step": {step}})
	require.Equal(t, http.StatusSeeOther, res.status, res.body)
	require.Equal(t, "/jobs/1", res.header.Get("Location"), "what is to be done now is what one sees")
	require.Contains(t, text(people[1].get("/jobs/1").page()), "Job 1 is open, and the search is ended.")
	done := text(people[1].get("/faults/1").page())
	require.Contains(t, done, "Ended by ben")
	require.Contains(t, done, "Job 1 was opened for it")
	kept, _, err := w.db.Fault(t.Context(), 1, nil)
	require.NoError(t, err)
	require.EqualValues(t, 1, kept.Job)
	unit := text(people[0].get("/units/N-1").page())
	require.Contains(t, unit, "Unit N-1 : The starter")
	require.Contains(t, unit, "job 1")
	again := people[1].post("/faults/1/job", url.Values{"step": {step}})
	require.Equal(t, "/faults/1", again.header.Get("Location"), "no second job of it")
	require.Contains(t, text(people[1].get("/faults/1").page()), "No job was opened")
	var jobs int
	require.NoError(t, w.db.Pool().QueryRow(t.Context(), `SELECT count(*) FROM job`).Scan(&jobs))
	require.Equal(t, 1, jobs)
}

func (w *world) noteTorque(class string) {
	w.t.Helper()
	b, err := json.Marshal(faults.ClassNotes{Torques: []faults.Torque{{Fastener: "starter bolts", NewtonMetres: 41}}})
	require.NoError(w.t, err)
	require.NoError(w.t, w.db.KeepClassNote(w.t.Context(), fleet.ClassNote{Class: class, Notes: b, ChangedAt: w.now, ChangedBy: "mara"}))
}

// Two phones show the same check. What the first says stands, the second is shown it; the same said twice counts once.
func TestTwoPhonesAtOnce(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("ann", fleet.Mechanic, "NOR")
	w.addPerson("ben", fleet.Mechanic, "NOR")
	ann, ben := w.as("ann"), w.as("ben")
	say := func(b *browser, step, check, says string) reply {
		return b.post("/faults/1", url.Values{"step": {step}, "check": {check}, "reading": {says}})
	}
	require.Equal(t, http.StatusSeeOther, say(ann, "2", "lamps", "dim").status)
	same := say(ben, "2", "lamps", "dim")
	require.Equal(t, http.StatusSeeOther, same.status)
	require.Contains(t, text(ben.get("/faults/1").page()), "That was said already, and counts once.")

	late := say(ben, "2", "lamps", "bright")
	require.Equal(t, http.StatusConflict, late.status)
	require.Contains(t, text(late.page()), "ann has answered this meanwhile ann says: It dims strongly You say: It stays bright")
	kept := w.search(t, 1)
	require.Equal(t, 3, kept.Step, "nothing is overwritten")
	require.Equal(t, "dim", kept.Answers[2].Answer)

	// Another check is another matter: both are kept.
	require.Equal(t, http.StatusSeeOther, say(ben, "2", "story", "neither").status)
	require.Contains(t, text(ben.get("/faults/1").page()), "Somebody else answered meanwhile")
	require.Len(t, w.search(t, 1).Answers, 4)

	// Having seen what ann said, ben decides.
	require.Equal(t, http.StatusSeeOther, say(ben, hidden(t, late.page(), "step"), "lamps", "bright").status)
	kept = w.search(t, 1)
	require.Len(t, kept.Answers, 5)
	require.Equal(t, "ben", kept.Answers[4].By)

	stale := ann.post("/faults/1/back", url.Values{"step": {"3"}})
	require.Equal(t, http.StatusSeeOther, stale.status)
	require.Contains(t, text(ann.get("/faults/1").page()), "Somebody else was faster")
	require.Len(t, w.search(t, 1).Standing(), 5)
	require.Equal(t, http.StatusSeeOther, ann.post("/faults/1/back", url.Values{"step": {"5"}}).status)
	require.Len(t, w.search(t, 1).Standing(), 4)
	require.Len(t, w.search(t, 1).Answers, 5, "what was taken back is kept")

	var wait sync.WaitGroup
	for range 6 { // a thumb that trembles
		wait.Go(func() { say(ann, "6", "look_terminals", "clean") })
	}
	wait.Wait()
	require.Len(t, w.search(t, 1).Standing(), 5)
}

func (w *world) search(t *testing.T, id int64) fleet.FaultSearch {
	t.Helper()
	kept, found, err := w.db.Fault(t.Context(), id, nil)
	require.NoError(t, err)
	require.True(t, found)
	return kept
}

func TestImpossibleReadingsAreRefusedBesideTheField(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("ann", fleet.Mechanic, "NOR")
	ann := w.as("ann")
	for typed, says := range map[string]string{
		"24.9": "at rest shows at most 13.3 V", "-3": "cannot be", "12.4.1": "no figure", "NaN": "no figure", "<b>x</b>": "<b>x</b>", "": "Nothing was typed",
	} {
		res := ann.post("/faults/1", url.Values{"step": {"2"}, "check": {"rest_v"}, "value": {typed}})
		require.Equal(t, http.StatusUnprocessableEntity, res.status, typed)
		doc := res.page()
		field := all(doc, "input", "id", "value")[0]
		invalid, _ := attribute(field, "aria-invalid")
		require.Equal(t, "true", invalid)
		back, _ := attribute(field, "value")
		require.Equal(t, typed, back, "what was typed comes back")
		require.Contains(t, text(all(doc, "p", "id", "value-wrong")[0]), says)
	}
	require.Equal(t, http.StatusBadRequest, ann.post("/faults/1", url.Values{"check": {"tea"}, "value": {"1"}}).status)
	require.Equal(t, http.StatusBadRequest, ann.post("/faults/1", url.Values{"check": {"key"}, "reading": {"a\x00b"}}).status)
	require.Equal(t, http.StatusBadRequest, ann.post("/faults/1", url.Values{"check": {"key"}, "reading": {strings.Repeat("x", 200)}}).status)
	require.Equal(t, 2, w.search(t, 1).Step)
}

// A frozen battery stops all else: nothing is asked, nothing but the question about ice can be answered anew.
func TestAFrozenBatteryStopsTheSearch(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	mara := w.as("mara")
	doc := mara.get("/faults/3").page()
	require.Equal(t, "Stop: the battery is frozen", heading(doc))
	require.Empty(t, all(doc, "form", "class", "outcomes"))
	require.NotContains(t, text(doc), "Open a job")
	var changes []string
	for _, a := range all(doc, "a", "href", "") {
		if href, _ := attribute(a, "href"); strings.Contains(href, "?check=") {
			changes = append(changes, href)
		}
	}
	require.Equal(t, []string{"/faults/3?check=frozen", "/faults/3?check=frozen"}, changes)
	require.Equal(t, http.StatusNotFound, mara.get("/faults/3?check=charge").status)
	require.Equal(t, http.StatusSeeOther, mara.get("/faults/3/sheet").status, "there is no job yet")

	require.Equal(t, http.StatusSeeOther, mara.post("/faults/3", url.Values{"step": {"4"}, "check": {"frozen"}, "reading": {"no"}}).status)
	require.NotEmpty(t, hidden(t, mara.get("/faults/3").page(), "check"), "thawed, it goes on")
}

func TestAContradictionIsShownAndMended(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	mara := w.as("mara")
	doc := mara.get("/faults/4").page()
	require.Contains(t, text(doc), "One answer does not fit")
	require.Contains(t, text(doc), "<b>old</b> truck, not recorded")
	require.Equal(t, "key", hidden(t, doc, "check"), "it is asked once more")
	require.True(t, strings.HasPrefix(heading(doc), "Once more: "))
	require.Equal(t, http.StatusSeeOther, mara.post("/faults/4", url.Values{"step": {"4"}, "check": {"key"}, "reading": {"clicks"}}).status)
	require.NotContains(t, text(mara.get("/faults/4").page()), "One answer does not fit")

	change := mara.get("/faults/4?check=rest_v").page()
	require.True(t, strings.HasPrefix(heading(change), "Answer anew: "))
	require.Contains(t, text(change), "(as answered)")
}

func TestAnAnswerIsChangedWithoutDoingTheCheckUnsafely(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	id := w.addSearch(hostileUnit, faults.Facts{SystemVolts: 12, TemperatureC: fleet.Known(5.0)}, "key click", "secure cannot")
	doc := w.as("mara").get(faultHref(id) + "?check=key").page()
	require.Contains(t, text(doc), "Do not do this check now")
	require.NotContains(t, text(doc), "turn the key to start", "no way to do it is shown")
}

func TestSearchesAreShownToTheirDepot(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	w.addPerson("una2", fleet.Reader, "NOR")
	w.addPerson("sue", fleet.Manager, "SUD")
	jo, una, sue := w.as("jo"), w.as("una2"), w.as("sue")
	list := text(jo.get("/faults").page())
	require.Contains(t, list, "Unit N-1 : being looked for")
	require.NotContains(t, list, "S-1")
	require.NotContains(t, list, "old")
	for _, path := range []string{"/faults/3", "/faults/4", "/faults/99", "/faults/x", "/faults/3/sheet", "/api/v1/faults/3", "/units/S-1/fault", "/faults/notes?class=none"} {
		want := http.StatusNotFound
		if strings.HasPrefix(path, "/faults/notes") {
			want = http.StatusForbidden // for those who plan
		}
		require.Equal(t, want, jo.get(path).status, path)
	}
	for _, path := range []string{"/faults/3", "/faults/3/end", "/faults/3/back", "/faults/3/resume", "/faults/3/job"} {
		require.Equal(t, http.StatusNotFound, jo.post(path, url.Values{"check": {"key"}, "reading": {"slow"}}).status, path)
	}
	require.Equal(t, http.StatusNotFound, sue.get("/faults/1").status)
	require.Equal(t, http.StatusNotFound, jo.get("/faults?unit=S-1").status)

	seen := una.get("/faults/1").page()
	require.Empty(t, all(seen, "form", "class", "outcomes"), "a reader looks on")
	require.Equal(t, http.StatusForbidden, una.post("/faults/1", url.Values{"check": {"key"}, "reading": {"slow"}}).status)
	require.NotContains(t, text(una.get("/units/N-1").page()), "find out why")

	w.exec(`UPDATE unit SET depot = 'SUD' WHERE unit = 'N-1'`)
	require.Equal(t, http.StatusOK, sue.get("/faults/1").status, "a search goes along with its unit")
	require.Equal(t, http.StatusNotFound, jo.get("/faults/1").status)
}

func (w *world) exec(sql string, args ...any) {
	w.t.Helper()
	_, err := w.db.Pool().Exec(w.t.Context(), sql, args...)
	require.NoError(w.t, err)
}

func TestOneSearchOfAUnitIsOpen(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	jo := w.as("jo")
	page := jo.get("/units/N-1/fault").page()
	require.Contains(t, text(page), "A search is open already")
	require.Equal(t, "/faults/1", jo.post("/units/N-1/fault", url.Values{"heard": {"slow"}}).header.Get("Location"))
	require.Contains(t, text(jo.get("/faults/1").page()), "is open already")
	require.Equal(t, http.StatusSeeOther, jo.post("/faults/1/end", url.Values{"step": {"2"}}).status)
	require.Contains(t, text(jo.get("/faults/1").page()), "Ended without a finding")
	require.Equal(t, http.StatusSeeOther, jo.post("/faults/1", url.Values{"step": {"2"}, "check": {"lamps"}, "reading": {"dim"}}).status)
	require.Contains(t, text(jo.get("/faults/1").page()), "your answer was not taken")
	w.addPerson("kai", fleet.Mechanic, "NOR")
	w.addPerson("sue", fleet.Mechanic, "SUD")
	given := all(w.as("kai").get("/faults").page(), "section", "aria-labelledby", "given-title")
	require.Len(t, given, 1, "somebody else finds it")
	require.NotEmpty(t, all(given[0], "a", "href", "/faults/1"))
	require.Contains(t, text(given[0]), "ended by jo")
	require.Empty(t, all(w.as("sue").get("/faults").page(), "a", "href", "/faults/1"), "who is of another depot does not")
	require.Equal(t, http.StatusSeeOther, w.as("kai").post("/faults/1/resume", url.Values{}).status)
	require.Empty(t, all(w.as("kai").get("/faults").page(), "section", "aria-labelledby", "given-title"))
	require.Equal(t, "lamps", hidden(t, jo.get("/faults/1").page(), "check"))

	for _, wrong := range []url.Values{{"temperature": {"200"}}, {"temperature": {"cold"}}, {"heard": {"tea"}}} {
		res := jo.post(unitHref(hostileUnit)+"/fault", wrong)
		require.Equal(t, http.StatusUnprocessableEntity, res.status, wrong)
	}
	res := jo.post(unitHref(hostileUnit)+"/fault", url.Values{"temperature": {"−7,5 °C"}, "heard": {notTried}})
	require.Equal(t, http.StatusSeeOther, res.status, res.body)
	require.Contains(t, text(jo.get(res.header.Get("Location")).page()), string(hostileUnit))
}

// One truck that nobody has recorded gets the whole answer too, and stays with the depot of who looks.
func TestAVehicleNobodyHasRecorded(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	w.addPerson("bo", fleet.Mechanic, "NOR")
	w.addPerson("sue", fleet.Mechanic, "SUD")
	jo := w.as("jo")
	for field, typed := range map[string]string{"cca": "3", "ah": "x", "years": "99", "temperature": "-90", "litres": "400", "name": strings.Repeat("x", 80), "depot": "SUD"} {
		res := jo.post("/fault-any", url.Values{"volts": {"24"}, field: {typed}})
		require.Equal(t, http.StatusUnprocessableEntity, res.status, field)
		if field != "depot" { // which jo, having one, is not asked for
			require.NotEmpty(t, all(res.page(), "p", "id", field+"-wrong"), field)
		}
	}
	require.Equal(t, http.StatusBadRequest, jo.post("/fault-any", url.Values{"volts": {"48"}}).status)
	require.Equal(t, http.StatusUnprocessableEntity, jo.post("/fault-any", url.Values{"volts": {"12"}, "name": {"n-1"}}).status, "that one is recorded")
	res := jo.post("/fault-any", url.Values{"volts": {"24"}, "name": {"red tractor"}, "heard": {"clicks"}, "cca": {"800"}, "standard": {"en"}})
	require.Equal(t, http.StatusSeeOther, res.status, res.body)
	path := res.header.Get("Location")
	require.Contains(t, text(w.as("bo").get(path).page()), "red tractor, not recorded")
	require.Equal(t, http.StatusNotFound, w.as("sue").get(path).status)
}

func TestNotesForJobSheets(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	mara := w.as("mara")
	class := "medium <i>"
	require.Contains(t, text(mara.get("/faults/notes").page()), class)
	require.Equal(t, http.StatusNotFound, mara.get("/faults/notes?class=none").status)
	require.Equal(t, http.StatusNotFound, mara.post("/faults/notes", url.Values{"class": {"none"}}).status)
	for _, wrong := range []url.Values{{"t-starter-bolts": {"0"}}, {"t-hold-down": {"many"}}, {"kg": {"900"}}, {"reach": {"beside"}}, {"cables": {strings.Repeat("x\n", 40)}}} {
		wrong.Set("class", class)
		require.Equal(t, http.StatusUnprocessableEntity, mara.post("/faults/notes", wrong).status, wrong)
	}
	res := mara.post("/faults/notes", url.Values{
		"class": {class}, "t-starter-bolts": {"41,5"}, "kg": {"9"}, "reach": {"below"}, "cables": {"<b>red</b> to B\r\n\r\nbrown to S\r\n"}, "bolts": {"upper one is long"},
	})
	require.Equal(t, http.StatusSeeOther, res.status, res.body)
	n, err := w.srv.notesOf(t.Context(), class)
	require.NoError(t, err)
	require.Equal(t, faults.ClassNotes{
		Torques: []faults.Torque{{Fastener: "starter bolts", NewtonMetres: 41.5}}, CableOrder: []string{"<b>red</b> to B", "brown to S"}, Fasteners: []string{"upper one is long"},
		Reach: "below", StarterKg: fleet.Known(9.0),
	}, n)
	doc := mara.get(notesHref(class)).page()
	kept, _ := attribute(all(doc, "input", "id", "t-starter-bolts")[0], "value")
	require.Equal(t, "41.5", kept)
	require.Contains(t, text(doc), "Last changed by mara")
}

// Cautions stand before the way of doing it, in the page's own order.
func TestCautionsComeFirst(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	body := w.as("mara").get("/faults/1?check=key").body
	mind, how, find := strings.Index(body, "Mind this first"), strings.Index(body, "<h2>How</h2>"), strings.Index(body, "What do you find?")
	require.True(t, 0 < mind && mind < how && how < find)
	require.Contains(t, body, "Never bypass a neutral, park or clutch interlock")
}
