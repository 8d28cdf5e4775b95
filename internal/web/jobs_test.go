package web

import (
	"net/http"
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"rimeyard/internal/fleet"
)

// hiddenOf are the hidden fields of the form that the button of this value sends; "" for a form whose button has none.
func hiddenOf(doc *html.Node, do string) url.Values {
	values := url.Values{}
	for _, form := range all(doc, "form", "", "") {
		buttons := all(form, "button", "name", "do")
		if do == "" && (len(all(form, "button", "class", "big")) == 0 || len(buttons) > 0) {
			continue
		}
		if do != "" && len(all(form, "button", "value", do)) == 0 {
			continue
		}
		for _, in := range all(form, "input", "type", "hidden") {
			name, _ := attribute(in, "name")
			value, _ := attribute(in, "value")
			values.Set(name, value)
		}
		if do != "" {
			values.Set("do", do)
		}
		return values
	}
	return values
}

func and(values url.Values, pairs ...string) url.Values {
	out := url.Values{}
	for name, v := range values {
		out[name] = v
	}
	for i := 0; i < len(pairs); i += 2 {
		out.Set(pairs[i], pairs[i+1])
	}
	return out
}

// jobOf finds the newest job of a unit.
func (w *world) jobOf(unit fleet.UnitID) fleet.Job {
	w.t.Helper()
	jobs, err := w.db.Jobs(w.t.Context(), nil, unit)
	require.NoError(w.t, err)
	require.NotEmpty(w.t, jobs)
	return jobs[len(jobs)-1]
}

func TestAJobByHand(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	require.NoError(t, w.db.ChoosePlan(t.Context(), fleet.PlanChoice{Unit: "N-1", Monday: fleet.Known(fleet.NewDate(2026, 11, 30)), Parts: []fleet.Part{fleet.BatteryPart}, Who: "nils", Note: "with the inspection", By: "mara"}))
	nils := w.as("nils")

	opening := nils.get("/units/N-1/open-job").page()
	require.Contains(t, text(opening), "Locked for the week of 30 November, chosen by mara")
	because, _ := attribute(all(opening, "input", "id", "because")[0], "value")
	require.Equal(t, "with the inspection", because)
	open := and(hiddenOf(opening, ""), "part", "battery", "work", "swap", "because", because, "week", "2026-11-30", "who", "nils")
	first := nils.post("/units/N-1/open-job", open)
	require.Equal(t, http.StatusSeeOther, first.status, first.body)
	require.Equal(t, first.header.Get("Location"), nils.post("/units/N-1/open-job", open).header.Get("Location"), "sent twice, it is one job")
	href := first.header.Get("Location")
	require.Equal(t, http.StatusUnprocessableEntity, nils.post("/units/N-1/open-job", and(open, "because", "")).status)

	page := nils.get(href).page()
	require.Contains(t, text(page), "week of 30 Nov")
	reserve := and(hiddenOf(page, "reserve"), "number", "P-70", "pieces", "9")
	short := nils.post(href, reserve)
	require.Equal(t, http.StatusUnprocessableEntity, short.status)
	require.Contains(t, text(short.page()), "eeded of P-70: 9; free on the shelf of NOR: 3.")
	require.Equal(t, http.StatusSeeOther, nils.post(href, and(reserve, "pieces", "1")).status)
	board := nils.get("/jobs?depot=NOR").page()
	require.Contains(t, text(board), "part reserved 1")
	bench := nils.post(href, hiddenOf(board, string(fleet.JobOnBench)))
	require.Equal(t, "/jobs?depot=NOR", bench.header.Get("Location"), "the board is where the button was")

	w.now = w.now.Add(400 * time.Millisecond) // clocks know fractions of seconds, forms do not
	fit := nils.get(href + "/fit").page()
	standard, _ := attribute(all(all(fit, "select", "id", "p1-cca_standard")[0], "option", "selected", "")[0], "value")
	require.Equal(t, "sae", standard, "what is fitted now is what is offered")
	sent := and(hiddenOf(fit, ""), "because", "failed", "p1-battery", "N-77", "p1-part", "P-70", "p1-chemistry", "agm", "p1-rated_cca_a", "850", "p1-cca_standard", "", "p1-made_on", "2026-08-01", "core", "returned", "minutes", "an hour")
	wrong := nils.post(href+"/fit", sent)
	require.Equal(t, http.StatusUnprocessableEntity, wrong.status)
	require.Contains(t, text(wrong.page()), "Fill this in: nothing is booked without it")
	require.Contains(t, text(wrong.page()), "want whole minutes")
	typed, _ := attribute(all(wrong.page(), "input", "id", "p1-battery")[0], "value")
	require.Equal(t, "N-77", typed, "nothing that was typed is lost")
	sent.Set("p1-cca_standard", "sae")
	sent.Set("minutes", "95")
	for range 2 {
		done := nils.post(href+"/fit", sent)
		require.Equal(t, href+"/prove", done.header.Get("Location"), done.body)
	}
	require.Contains(t, text(nils.get(href).page()), "took 95 minutes")
	h, err := w.db.History(t.Context(), "N-1")
	require.NoError(t, err)
	today := fleet.NewDate(2026, 11, 25)
	require.Len(t, h.Batteries, 3)
	require.Equal(t, []fleet.Opt[fleet.Date]{fleet.Known(today), fleet.Known(today)}, []fleet.Opt[fleet.Date]{h.Batteries[1].RemovedOn, h.Batteries[1].CoreReturnedOn})
	parts, err := w.db.Parts(t.Context(), today)
	require.NoError(t, err)
	for _, p := range parts {
		if p.Part == "P-70" {
			require.True(t, p.Price.IsKnown())
			require.Equal(t, p.Price, h.Batteries[2].Price, "as in the price list")
		}
	}

	prove := hiddenOf(nils.get(href+"/prove").page(), "") // in the second of the booking, as after “Fitted”
	w.now = w.now.Add(time.Hour)
	flat := nils.post(href+"/prove", and(prove, "outcome", "started", "rest_v", "12.0", "min_v", "10.9", "temperature_c", "-5"))
	require.Equal(t, http.StatusUnprocessableEntity, flat.status)
	require.Contains(t, text(flat.page()), "charge it, then start once more")
	odd := nils.post(href+"/prove", and(prove, "outcome", "started", "rest_v", "12600", "min_v", "10.9"))
	require.Contains(t, text(odd.page()), "this may be millivolts")
	unread := nils.post(href+"/prove", and(prove, "outcome", "started", "rest_v", "12.7", "min_v", " "))
	require.Equal(t, http.StatusUnprocessableEntity, unread.status)
	require.Contains(t, text(unread.page()), "ype the lowest volts that the meter showed while it cranked: without them nothing is proven")
	require.NotEmpty(t, all(all(unread.page(), "input", "id", "min_v")[0].Parent, "input", "aria-invalid", "true"), "beside the field")
	require.Equal(t, fleet.JobFitted, w.jobOf("N-1").State)
	good := and(prove, "outcome", "started", "rest_v", "12,7", "min_v", "10,9", "seconds", "1,2", "temperature_c", "−5 °C")
	for range 2 {
		proven := nils.post(href+"/prove", good)
		require.Equal(t, href, proven.header.Get("Location"), proven.body)
	}
	j := w.jobOf("N-1")
	require.Equal(t, fleet.JobProven, j.State)
	h, err = w.db.History(t.Context(), "N-1")
	require.NoError(t, err)
	require.Len(t, h.Cranks, 61, "the crank is one of the unit's readings, once")
	require.InDelta(t, 10.9, h.Cranks[60].MinV.Or(0), 1e-9)

	page = nils.get(href).page()
	require.Contains(t, text(nils.post(href, hiddenOf(page, "close")).page()), "The job sheet is not filed")
	told := nils.post(href, and(hiddenOf(page, "bench-0"), "verdict-0", "no_fault", "rest_v-0", "12,6", "bench-note-0", "charges well"))
	require.Equal(t, http.StatusSeeOther, told.status, told.body)
	page = nils.get(href).page()
	require.Contains(t, text(page), "So far: no fault found, by nils")
	closed := nils.post(href, and(hiddenOf(page, "close"), "paper", "yes"))
	require.Equal(t, http.StatusSeeOther, closed.status, closed.body)
	require.Equal(t, fleet.JobClosed, w.jobOf("N-1").State)
	require.Contains(t, text(nils.get("/units/N-1").page()), "change battery closed")
}

// A crank that reads badly brings the job back, and says why.
func TestABadCrankBringsTheJobBack(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	nils := w.as("nils")
	j := w.jobOf("N-2")
	href := jobHref(j.ID)
	w.now = w.now.Add(time.Hour)
	slow := nils.post(href+"/prove", and(hiddenOf(nils.get(href+"/prove").page(), ""), "outcome", "slow"))
	require.Equal(t, href, slow.header.Get("Location"), "what was heard is enough: %s", slow.body)
	require.Contains(t, text(nils.get(href).page()), "back to found; it cranked slowly")
	w.step(w.jobOf("N-2"), fitted("N-2", "B-4", fleet.NewDate(2026, 11, 25)))
	w.now = w.now.Add(time.Hour)
	bad := nils.post(href+"/prove", and(hiddenOf(nils.get(href+"/prove").page(), ""), "outcome", "no_crank", "rest_v", "12.7", "min_v", "12.6"))
	require.Equal(t, href, bad.header.Get("Location"), bad.body)
	page := text(nils.get(href).page())
	require.Contains(t, page, "It did not crank")
	require.Contains(t, page, "back to found; it did not crank")
	require.Equal(t, fleet.JobFound, w.jobOf("N-2").State)
}

// Of two phones that go on with a job at once, the second is told what the first did, and what was typed stays.
func TestTheSecondPhoneIsTold(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	w.addPerson("ola", fleet.Mechanic, "NOR")
	nils, ola := w.as("nils"), w.as("ola")
	j := w.openJob("N-1", fleet.BatteryPart, "rests low")
	href := jobHref(j.ID)
	late := hiddenOf(ola.get(href+"/fit").page(), "")
	require.Equal(t, http.StatusSeeOther, nils.post(href, hiddenOf(nils.get(href).page(), string(fleet.JobOnBench))).status)
	sent := and(late, "because", "failed", "p1-battery", "N-78", "p1-part", "P-70", "p1-chemistry", "agm", "p1-rated_cca_a", "850", "p1-cca_standard", "sae")
	res := ola.post(href+"/fit", sent)
	require.Equal(t, http.StatusConflict, res.status)
	doc := res.page()
	require.Contains(t, text(doc), "Nils has meanwhile changed this job, it is now on the bench")
	require.Contains(t, text(doc), "nils: on the bench")
	typed, _ := attribute(all(doc, "input", "id", "p1-battery")[0], "value")
	require.Equal(t, "N-78", typed)
	again := and(sent, "seen", hiddenOf(doc, "").Get("seen"), "request", hiddenOf(doc, "").Get("request"))
	require.Equal(t, http.StatusSeeOther, ola.post(href+"/fit", again).status, "having looked, ola goes on")
	require.Equal(t, fleet.JobFitted, w.jobOf("N-1").State)
}

func TestJobsKeepToTheirDepot(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	for name, role := range map[string]fleet.Role{"nils": fleet.Mechanic, "rita": fleet.Reader, "anna": fleet.Accountant} {
		w.addPerson(name, role, "NOR")
	}
	nils, rita, anna := w.as("nils"), w.as("rita"), w.as("anna")
	foreign := jobHref(w.jobOf("S-1").ID)
	missing := nils.get("/jobs/999")
	for _, path := range []string{foreign, foreign + "/fit", foreign + "/prove", foreign + "/sheet", foreign + "/sheet.pdf", "/jobs?depot=SUD", "/stock?depot=SUD", "/stock/part?depot=SUD&part=P-70", "/units/S-1/open-job", "/jobs/x"} {
		require.Equal(t, missing.status, nils.get(path).status, path)
	}
	for _, path := range []string{foreign, foreign + "/fit", foreign + "/prove", "/units/S-1/open-job"} {
		require.Equal(t, http.StatusNotFound, nils.post(path, url.Values{"do": {"on_bench"}}).status, path)
	}
	require.Equal(t, http.StatusNotFound, nils.post("/stock/part", url.Values{"depot": {"SUD"}, "part": {"P-70"}, "do": {"count"}, "counted": {"1"}}).status)
	require.Equal(t, http.StatusNotFound, nils.post("/stock/battery", url.Values{"depot": {"SUD"}, "serial": {"SH-1"}, "do": {"off"}}).status)
	require.NotContains(t, text(nils.get("/jobs").page()), "S-1")

	own := jobHref(w.jobOf("N-2").ID)
	for _, b := range []*browser{rita, anna} {
		page := b.get(own)
		require.Equal(t, http.StatusOK, page.status)
		require.Empty(t, all(page.page(), "button", "class", "big"), "who looks on takes no step")
		require.Equal(t, http.StatusForbidden, b.post(own, url.Values{"do": {"on_bench"}}).status)
	}
	require.Contains(t, text(anna.get("/stock").page()), "On hand by the last price: 435.00")
	require.NotContains(t, text(nils.get("/stock").page()), "435.00")
}

func TestJobSheets(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	require.NoError(t, w.db.KeepClassNote(t.Context(), fleet.ClassNote{Class: "medium <i>", Notes: []byte(`{"torques": [{"fastener": "hold-down", "newton_metres": 18}], "cable_order": ["black to the frame"]}`), ChangedAt: w.now, ChangedBy: "mara"}))
	mara := w.as("mara")
	href := jobHref(w.jobOf("N-2").ID)
	page := text(mara.get(href + "/sheet").page())
	for _, want := range []string{"Change the battery", "N-2, medium <i>, 12 V", "Hold-down 18 N·m", "black to the frame", "battery clamps: ____ N·m", "done by ____"} {
		require.Contains(t, page, want)
	}
	pdf := mara.get(href + "/sheet.pdf")
	require.Equal(t, "application/pdf", pdf.header.Get("Content-Type"))
	require.True(t, strings.HasPrefix(pdf.body, "%PDF-"))
	require.Contains(t, text(mara.get(jobHref(w.jobOf(hostileUnit).ID)+"/sheet").page()), "Change the starter")
}

func TestStockPages(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	nils := w.as("nils")
	words := text(nils.get("/stock").page())
	for _, want := range []string{"P-70 battery", "On hand 3", "SH-1 P-70 charge it", "3 months after it was made", "in the 7 days until an order is there"} {
		require.Contains(t, strings.ToLower(words), strings.ToLower(want))
	}
	path := "/stock/part?depot=NOR&part=P-70"
	form := hiddenOf(nils.get(path).page(), "count")
	require.Equal(t, http.StatusUnprocessableEntity, nils.post("/stock/part", and(form, "counted", "many")).status)
	for range 2 {
		require.Equal(t, http.StatusSeeOther, nils.post("/stock/part", and(form, "counted", "5")).status)
	}
	fresh := func(do string, pairs ...string) reply {
		return nils.post("/stock/part", and(hiddenOf(nils.get(path).page(), do), append(pairs, "do", do)...))
	}
	require.Equal(t, http.StatusSeeOther, fresh("receive", "received", "2", "price", "151,50").status)
	require.Contains(t, text(fresh("off", "lost", "9", "why", "dropped").page()), "On the shelf of NOR there are only 7 of P-70, so 9 cannot leave it")
	require.Equal(t, http.StatusUnprocessableEntity, fresh("off", "lost", "1").status, "it needs a reason")
	require.Equal(t, http.StatusSeeOther, fresh("off", "lost", "1", "why", "dropped").status)
	require.Equal(t, http.StatusSeeOther, fresh("order", "ordered", "4", "expected", "2026-12-03").status)
	require.Equal(t, http.StatusUnprocessableEntity, fresh("label", "serial", "SH-3", "made", "2027-01-01").status, "it cannot be made tomorrow")
	label := and(hiddenOf(nils.get(path).page(), "label"), "serial", "SH-3", "made", "2026-11-01", "do", "label")
	for range 2 {
		require.Equal(t, http.StatusSeeOther, nils.post("/stock/part", label).status, "sent twice, it is noted once")
	}
	require.Equal(t, http.StatusUnprocessableEntity, fresh("label", "serial", "SH-3").status, "typed once more, it is told to be there")
	page := nils.get(path).page()
	require.Contains(t, text(page), "battery: 6 on hand, 0 reserved, 4 on order")
	order, _ := attribute(all(page, "input", "name", "order")[0], "value")
	require.Equal(t, http.StatusSeeOther, nils.post("/stock/part", url.Values{"depot": {"NOR"}, "part": {"P-70"}, "do": {"receive"}, "received": {"4"}, "order": {order}}).status)
	require.Contains(t, text(nils.get(path).page()), "10 on hand, 0 reserved, 0 on order")
	require.Contains(t, text(nils.post("/stock/part", url.Values{"depot": {"NOR"}, "part": {""}, "number": {"Z-9"}, "do": {"count"}, "counted": {"1"}}).page()), "No part is known by the number Z-9")
	require.Equal(t, http.StatusSeeOther, nils.post("/stock/part", url.Values{"depot": {"NOR"}, "part": {""}, "number": {"Z-9"}, "kind": {"starter"}, "do": {"count"}, "counted": {"1"}}).status)

	care := func(do, volts string) reply {
		return nils.post("/stock/battery", url.Values{"depot": {"NOR"}, "serial": {"SH-1"}, "do": {do}, "rest_v": {volts}})
	}
	require.Equal(t, http.StatusSeeOther, care("charged", "").status)
	require.NotContains(t, text(nils.get("/stock").page()), "SH-1 P-70 charge it")
	require.Equal(t, http.StatusBadRequest, care("read", "1260").status)
	require.Equal(t, http.StatusSeeOther, care("read", "12,61").status)
	require.Contains(t, strings.ReplaceAll(text(nils.get("/stock").page()), "\u00a0", " "), "12.61 V, 2026-11-25")
	require.Equal(t, http.StatusSeeOther, care("off", "").status)
	require.Equal(t, http.StatusNotFound, care("off", "").status)
	require.Contains(t, text(nils.get(path).page()), "9 on hand")
}

func TestWorkWithoutAPart(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("nils", fleet.Mechanic, "NOR")
	nils := w.as("nils")
	j, _, err := w.db.OpenJob(t.Context(), fleet.NewJob{Unit: "N-1", Part: fleet.CablePart, Work: fleet.WorkClean, Because: "green clamps", By: "nils"})
	require.NoError(t, err)
	href := jobHref(j.ID)
	page := nils.get(href).page()
	require.NotContains(t, text(page), "Part reserved")
	form := hiddenOf(nils.get(href+"/fit").page(), "")
	require.Equal(t, http.StatusUnprocessableEntity, nils.post(href+"/fit", form).status)
	require.Equal(t, http.StatusSeeOther, nils.post(href+"/fit", and(form, "note", "clamps cleaned and greased")).status)
	back := nils.post(href, and(hiddenOf(nils.get(href).page(), "back"), "why-back", "it still clicks"))
	require.Equal(t, http.StatusSeeOther, back.status)
	drop := nils.post(href, and(hiddenOf(nils.get(href).page(), "drop"), "why-drop", "sold"))
	require.Equal(t, http.StatusSeeOther, drop.status, drop.body)
	require.Equal(t, fleet.JobDropped, w.jobOf("N-1").State)
	require.Empty(t, all(nils.get(href).page(), "button", "value", "drop"))
}
