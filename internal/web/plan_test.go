package web

import (
	"context"
	"encoding/csv"
	"net/http"
	"net/url"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

// addPlan is addFleet with cheap parts, batteries on the shelf of NOR and room for one visit a week there, where one unit's failed start
// costs most by far; at SUD nobody has said how much room there is. The test's day is a Wednesday: the plan begins with 23 November.
func (w *world) addPlan() {
	w.t.Helper()
	w.addFleet()
	_, err := w.db.Pool().Exec(w.t.Context(), `UPDATE depot SET swaps_per_week = 1 WHERE depot = 'NOR';
		UPDATE outlook SET ahead = jsonb_set(ahead::jsonb, '{swap_costs}', '{"battery": 60, "starter": 80}');
		UPDATE outlook SET ahead = jsonb_set(ahead::jsonb, '{no_start_cost}', '5000') WHERE unit = 'N-1';
		INSERT INTO part (part, kind) VALUES ('B-100', 'battery') ON CONFLICT DO NOTHING;
		INSERT INTO stock_move (depot, part, pieces, because, moved_by) VALUES ('NOR', 'B-100', 9, 'counted', 'nils')`)
	require.NoError(w.t, err)
	w.addPerson("mara", fleet.Manager)
	w.addPerson("nils", fleet.Mechanic, "NOR")
}

// cardIn is the card of a unit on the board, and the Monday of its week; nil: it has none.
func cardIn(doc *html.Node, unit fleet.UnitID) (card *html.Node, monday string) {
	for _, week := range all(doc, "li", "data-week", "") {
		for _, c := range all(week, "li", "id", cardID(unit)) {
			monday, _ = attribute(week, "data-week")
			return c, monday
		}
	}
	return nil, ""
}

// state is what the unit's form remembers of it.
func (b *browser) state(unit fleet.UnitID) string {
	b.w.t.Helper()
	doc := b.get(planUnitHref(unit, "")).page()
	seen, _ := attribute(all(doc, "input", "name", "seen")[0], "value")
	return seen
}

func (b *browser) decide(unit fleet.UnitID, typed url.Values) reply {
	b.w.t.Helper()
	return b.post(planUnitHref(unit, ""), typed)
}

func TestThePlanSaysWhatWhenAndWhy(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	b := w.as("mara")
	doc := b.get("/plan").page()
	require.Regexp(t, `^Week of 23.November: \d visits? avoids? [\d,]+\.\d\d of expected loss$`, text(all(doc, "h1", "", "")[0]))
	require.Contains(t, text(doc), "It is proven that no other order of the work saves more")
	require.Contains(t, text(doc), "One more visit a week would save")
	card, monday := cardIn(doc, "N-1")
	require.NotNil(t, card)
	require.Contains(t, text(card), "saves ")
	require.Regexp(t, `Why N-1 .*in the week of .* expected loss`, text(card))
	require.NotEmpty(t, all(doc, "li", "data-week", monday))
	card, _ = cardIn(doc, "S-1")
	require.NotNil(t, card, "of the other depot too")
	require.Len(t, all(all(doc, "ol", "class", "weeks")[0], "li", "data-week", ""), weeksShown)
	require.Len(t, all(all(doc, "ol", "class", "weeks")[1], "li", "data-week", ""), 19-weeksShown, "the rest is folded")

	week := b.get("/plan?depot=NOR&week=" + monday).page()
	require.Contains(t, text(all(week, "h1", "", "")[0]), "at NOR")
	require.Contains(t, text(week), "N-1")
	require.Empty(t, all(week, "ol", "class", "weeks"))
	for path, want := range map[string]int{
		"/plan?week=2026-11-24": http.StatusBadRequest, "/plan?week=soon": http.StatusBadRequest, "/plan?week=2026-11-16": http.StatusNotFound,
		"/plan?week=2027-04-05": http.StatusNotFound, "/plan?depot=NIX": http.StatusNotFound, "/plan/picking?week=2027-04-05": http.StatusNotFound,
	} {
		require.Equal(t, want, b.get(path).status, path)
	}
}

func TestALockedChoiceStays(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	b := w.as("mara")
	res, said := b.follow(b.decide("N-1", url.Values{
		"do": {"visit"}, "week": {"2026-12-14"}, "part": {"battery", "cable"}, "who": {"nils"}, "note": {"  with the\tinspection "}, "seen": {b.state("N-1")}, "back": {"/plan?depot=NOR"},
	}))
	require.Regexp(t, `^N-1: locked for the week of 14.December\. The plan saves [\d,.]+ less with it, −?[\d,.]+ by the end of the season\.$`, said)
	card, monday := cardIn(res.page(), "N-1")
	require.Equal(t, "2026-12-14", monday)
	for _, want := range []string{"locked", "battery, cables", "nils", "Locked by mara, ", "with the inspection"} {
		require.Contains(t, text(card), want)
	}
	form := b.get("/plan/units/N-1")
	require.Equal(t, []string{"battery", "cable"}, form.chosen("part"))
	require.Contains(t, text(form.page()), "Locked for the week of 14 December: mara, ")
	require.Contains(t, b.get("/plan/picking.csv?depot=NOR&week=2026-12-14").body, "N-1,nils,swap the battery,B-100,1,")

	_, said = b.follow(b.decide("N-1", url.Values{"do": {"visit"}, "week": {"2026-12-21"}, "moved": {"1"}, "seen": {b.state("N-1")}}))
	require.Contains(t, said, "week of 21 December")
	card, _ = cardIn(b.get("/plan").page(), "N-1")
	require.Contains(t, text(card), "with the inspection", "what is dragged keeps its works, hands and note")

	_, said = b.follow(b.decide("N-1", url.Values{"do": {"retest"}, "week": {"2026-11-30"}, "seen": {b.state("N-1")}}))
	require.Contains(t, said, "to be tested again in the week of 30 November")
	_, said = b.follow(b.decide("N-1", url.Values{"do": {"leave"}, "seen": {b.state("N-1")}}))
	require.Contains(t, said, "left as it is this season")
	doc := b.get("/plan").page()
	card, _ = cardIn(doc, "N-1")
	require.Nil(t, card)
	require.Contains(t, text(doc), "Chosen by mara.")
	_, said = b.follow(b.decide("N-1", url.Values{"undo": {"1"}, "do": {"visit"}, "seen": {b.state("N-1")}}))
	require.Contains(t, said, "N-1 is the planner's again.")
	_, monday = cardIn(b.get("/plan").page(), "N-1")
	require.Equal(t, "2026-11-23", monday)

	changes, err := w.db.Changes(t.Context(), 10)
	require.NoError(t, err)
	require.Equal(t, []string{"mara", "plan of N-1"}, []string{changes[0].By, changes[0].Subject})
}

func TestWhatIsNoChoiceIsRefused(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	b := w.as("mara")
	good := url.Values{"do": {"visit"}, "week": {"2026-12-14"}}
	for field, bad := range map[string][]string{
		"do": {"fly"}, "week": {"2026-12-15"}, "part": {"engine"}, "who": {"nobody-here"}, "note": {strings.Repeat("é", 301)},
	} {
		typed := url.Values{field: bad}
		for k, v := range good {
			if k != field {
				typed[k] = v
			}
		}
		require.Contains(t, b.decide("N-1", typed).refused(), field)
	}
	for _, week := range []string{"", "2026-11-16", "2027-04-05"} {
		require.Contains(t, b.decide("N-1", url.Values{"do": {"visit"}, "week": {week}}).refused(), "week")
	}
	choices, err := w.db.PlanChoices(t.Context(), nil)
	require.NoError(t, err)
	require.Empty(t, choices)
	res := b.decide("N-1", url.Values{"do": {"leave"}, "back": {"https://elsewhere.example/plan"}})
	require.Equal(t, "/plan#"+cardID("N-1"), res.header.Get("Location"), "back is a page of the plan and nothing else")
}

// Of two who move a unit at once the later one counts, and is told of the other.
func TestTheLaterOfTwoIsTold(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	w.addPerson("olga", fleet.Manager, "NOR")
	mara, olga := w.as("mara"), w.as("olga")
	seen := mara.state("N-1")
	require.NotEqual(t, seen, mara.state("N-2"), "there is one visit a week")
	require.Equal(t, "0 2026-11-23", seen)
	_, said := olga.follow(olga.decide("N-1", url.Values{"do": {"visit"}, "week": {"2026-11-30"}, "seen": {seen}}))
	require.NotContains(t, said, "Meanwhile")
	res, said := mara.follow(mara.decide("N-1", url.Values{"do": {"visit"}, "week": {"2026-12-07"}, "seen": {seen}}))
	require.Contains(t, said, "Meanwhile olga had chosen otherwise (locked for the week of 30 November, ")
	card, monday := cardIn(res.page(), "N-1")
	require.Equal(t, "2026-12-07", monday)
	require.Contains(t, text(card), "Locked by mara")

	stale := olga.state("N-1")
	_, _ = mara.follow(mara.decide("N-1", url.Values{"undo": {"1"}}))
	_, said = olga.follow(olga.decide("N-1", url.Values{"do": {"leave"}, "seen": {stale}}))
	require.Contains(t, said, "Meanwhile somebody had given it back to the planner")
	_, _ = olga.follow(olga.decide("N-1", url.Values{"undo": {"1"}}))
	stale = olga.state("N-1")
	_, _ = mara.follow(mara.post("/plan/week", url.Values{"depot": {"NOR"}, "week": {"2026-11-23"}, "visits": {"0"}}))
	_, said = olga.follow(olga.decide("N-1", url.Values{"do": {"leave"}, "seen": {stale}}))
	require.Contains(t, said, "Meanwhile the plan had moved it to another week")
}

func TestRoomInAWeek(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	b := w.as("mara")
	_, said := b.follow(b.post("/plan/week", url.Values{"depot": {"NOR"}, "week": {"2026-11-23"}, "visits": {"0"}, "back": {"/plan?depot=NOR"}}))
	require.Regexp(t, `^NOR has room for 0 in the week of 23.November\. The plan saves [\d,.]+ less with it`, said)
	_, monday := cardIn(b.get("/plan").page(), "N-1")
	require.NotEqual(t, "2026-11-23", monday)
	_, said = b.follow(b.post("/plan/week", url.Values{"depot": {"NOR"}, "week": {"2026-11-23"}, "visits": {" "}}))
	require.Contains(t, said, "its usual room")
	for _, bad := range []string{"-1", "many", "1000"} {
		require.Equal(t, http.StatusBadRequest, b.post("/plan/week", url.Values{"depot": {"NOR"}, "week": {"2026-11-23"}, "visits": {bad}}).status)
	}
	require.Equal(t, http.StatusBadRequest, b.post("/plan/week", url.Values{"depot": {"NOR"}, "week": {"2026-11-24"}, "visits": {"1"}}).status)
	require.NotContains(t, text(all(b.get("/plan?depot=SUD").page(), "section", "data-depot", "SUD")[0]), "Room for", "without a usual number there is no limit to change")
}

func TestThePlanIsForOnesOwnDepots(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	w.addPerson("olga", fleet.Manager, "NOR")
	nils, olga := w.as("nils"), w.as("olga")
	board := nils.get("/plan")
	require.NotContains(t, board.body, "S-1")
	require.NotContains(t, board.body, "SUD")
	require.Empty(t, all(board.page(), "li", "data-move", ""), "a mechanic reads")
	require.NotContains(t, text(nils.get("/plan/units/N-1").page()), "Keep this")
	for _, path := range []string{"/plan?depot=SUD", "/plan.csv?depot=SUD", "/plan.xlsx?depot=SUD", "/plan/picking?depot=SUD", "/plan/picking.pdf?depot=SUD", "/plan/units/S-1"} {
		require.Equal(t, http.StatusNotFound, nils.get(path).status, path)
	}
	require.NotContains(t, nils.get("/plan.csv").body, "S-1")
	require.Equal(t, http.StatusForbidden, nils.decide("N-1", url.Values{"do": {"leave"}}).status)
	require.Equal(t, http.StatusForbidden, nils.post("/plan/week", url.Values{"depot": {"NOR"}, "week": {"2026-11-23"}, "visits": {"9"}}).status)
	require.Equal(t, http.StatusNotFound, olga.decide("S-1", url.Values{"do": {"leave"}}).status)
	require.Equal(t, http.StatusNotFound, olga.post("/plan/week", url.Values{"depot": {"SUD"}, "week": {"2026-11-23"}, "visits": {"9"}}).status)
	rows, err := csv.NewReader(strings.NewReader(w.as("mara").get("/plan.csv").body)).ReadAll()
	require.NoError(t, err)
	require.Greater(t, len(rows), 2)
}

// A calendar program has nothing but the address: it opens the depots of whose it is, until it is ended.
func TestACalendarReadsThePlan(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	nils, nobody := w.as("nils"), w.browser()
	require.Equal(t, http.StatusNotFound, nobody.get("/plan.ics").status)
	address := func() string {
		doc := nils.post("/plan/feed", url.Values{}).page()
		u, err := url.Parse(text(all(doc, "code", "class", "secret")[0]))
		require.NoError(t, err)
		require.Equal(t, w.http.URL, u.Scheme+"://"+u.Host)
		return u.RequestURI()
	}
	first := address()
	res := nobody.get(first, "Accept", "text/calendar")
	require.Equal(t, http.StatusOK, res.status)
	require.Equal(t, "text/calendar; charset=utf-8", res.header.Get("Content-Type"))
	require.Contains(t, res.body, "N-1")
	require.NotContains(t, res.body, "S-1")
	require.Contains(t, nobody.get(first+"&depot=NOR").body, "N-1")
	require.Equal(t, http.StatusNotFound, nobody.get(first+"&depot=SUD").status)
	require.NotContains(t, text(nils.get("/plan/feed").page()), "last read: never")
	require.NotContains(t, w.log.String(), strings.TrimPrefix(first, "/plan.ics?token="), "addresses stay out of the log")

	second := address()
	require.Equal(t, http.StatusNotFound, nobody.get(first).status, "a new address ends the old")
	_, said := nils.follow(nils.post("/plan/feed/end", url.Values{}))
	require.Contains(t, said, "The address is ended")
	require.Equal(t, http.StatusNotFound, nobody.get(second).status)
	third := address()
	_, err := w.db.Pool().Exec(t.Context(), `UPDATE person SET disabled_at = now() WHERE person = 'nils'`)
	require.NoError(t, err)
	require.Equal(t, http.StatusNotFound, nobody.get(third).status)
}

func TestThePickingListOnPage(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	_, err := w.db.Pool().Exec(t.Context(), `INSERT INTO stock_move (depot, part, pieces, because, moved_by) VALUES ('NOR', 'B-100', -8, 'counted', 'nils')`)
	require.NoError(t, err)
	mara := w.as("mara")
	_, _ = mara.follow(mara.decide("N-1", url.Values{"do": {"visit"}, "week": {"2026-11-30"}, "part": {"battery"}}))
	_, _ = mara.follow(mara.decide("N-2", url.Values{"do": {"visit"}, "week": {"2026-11-30"}, "part": {"battery"}}))
	_, _ = mara.follow(mara.decide(hostileUnit, url.Values{"do": {"leave"}}))
	nils := w.as("nils")
	doc := nils.get("/plan/picking?depot=NOR&week=2026-11-30").page()
	for _, want := range []string{"Negative lead off first and on last", "B-100", "1 missing", "Swap the battery: 1 × B-100", "Signed"} {
		require.Contains(t, text(doc), want)
	}
	pdf := nils.get("/plan/picking.pdf?week=2026-11-30")
	require.True(t, strings.HasPrefix(pdf.body, "%PDF-"))
	require.Equal(t, `attachment; filename="picking-2026-11-30.pdf"`, pdf.header.Get("Content-Disposition"))
	require.True(t, strings.HasPrefix(nils.get("/plan.xlsx").body, "PK"))
	require.Contains(t, text(mara.get("/plan").page()), "Parts to order")
}

// What has changed is told against the plan that was kept a week ago.
func TestThePlanSaysWhatHasChanged(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	mara := w.as("mara")
	require.NotContains(t, text(mara.get("/plan").page()), "Changed since")
	_, err := w.srv.plans.Keep(t.Context(), fleet.NewDate(2026, 11, 25))
	require.NoError(t, err)
	_, err = w.db.Pool().Exec(t.Context(), `UPDATE plan SET made_at = $1`, time.Date(2026, 11, 18, 6, 0, 0, 0, time.UTC))
	require.NoError(t, err)
	_, _ = mara.follow(mara.decide("N-1", url.Values{"do": {"leave"}}))
	w.srv.issued = issued{}
	section := all(mara.get("/plan").page(), "section", "aria-labelledby", "changed")
	require.Len(t, section, 1)
	require.Contains(t, text(section[0]), "Changed since the plan of 18 Nov")
	require.Contains(t, text(section[0]), "No longer planned: N-1.")
}

func TestThePlanBeforeThereIsAnything(t *testing.T) {
	w := newWorld(t)
	w.addPerson("mara", fleet.Manager)
	b := w.as("mara")
	require.Contains(t, text(b.get("/plan").page()), "No depot is yours to see")
	_, err := w.db.Pool().Exec(t.Context(), `INSERT INTO depot (depot, name, timezone) VALUES ('NOR', 'North', 'UTC')`)
	require.NoError(t, err)
	require.Contains(t, text(b.get("/plan").page()), "There is no winter list yet")
	require.Contains(t, text(b.get("/plan/picking").page()), "There is no winter list yet")
	w.issue()
	w.now = time.Date(2027, 7, 1, 9, 0, 0, 0, time.UTC)
	require.Contains(t, text(w.as("mara").get("/plan").page()), "The season of the newest list ended on 31 March")
}

// slowList is a store of which the list takes as long as it is held.
type slowList struct {
	*store.DB
	held  chan struct{}
	reads atomic.Int32
}

func (s *slowList) Listed(ctx context.Context, issue int64, f fleet.ListFilter) ([]fleet.Listed, error) {
	s.reads.Add(1)
	<-s.held
	return s.DB.Listed(ctx, issue, f)
}

// Nobody waits for a plan that takes long: the page says how far it is and looks again, and the work is done once for all who ask.
func TestAPlanIsWorkedOutOnceInTheBackground(t *testing.T) {
	w := newWorld(t)
	w.addPlan()
	slow := &slowList{DB: w.db, held: make(chan struct{})}
	w.srv.plans, w.srv.patience = reports.NewPlans(slow), planPatience
	b := w.as("mara")
	for _, path := range []string{"/plan", "/plan/picking", planUnitHref("N-1", "")} {
		res := b.get(path)
		require.Equal(t, http.StatusOK, res.status)
		require.Equal(t, "2", res.header.Get("Refresh"))
		require.Contains(t, text(res.page()), "The plan is being worked out 0 of")
		require.NotEmpty(t, all(res.page(), "a", "href", path))
	}
	close(slow.held)
	_, err := w.srv.plans.Of(t.Context(), nil, fleet.DateOf(w.now, time.UTC))
	require.NoError(t, err)
	res := b.get("/plan")
	require.Empty(t, res.header.Get("Refresh"))
	require.Contains(t, text(res.page()), "It is proven that")
	require.EqualValues(t, 1, slow.reads.Load())
}
