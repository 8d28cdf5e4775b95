package web

import (
	"context"
	"net/http"
	"net/url"
	"strconv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
	"rimeyard/reports"
)

// deskOf writes letters of reports of the database.
func deskOf(db *store.DB) reports.Desk {
	list := func(ctx context.Context, a reports.Asked) (reports.WinterListData, error) {
		issue, err := db.LatestIssue(ctx)
		if err != nil {
			return reports.WinterListData{}, err
		}
		units, err := db.Forecasts(ctx, issue.ID, fleet.ListFilter{})
		if err != nil {
			return reports.WinterListData{}, err
		}
		depots, err := db.Depots(ctx)
		return reports.WinterListData{
			List: fleet.RankedList{AsOf: issue.AsOf, Season: issue.Season, Units: units}, Depots: depots, Today: a.Today,
			Mark: strconv.FormatInt(issue.ID, 10),
		}, err
	}
	return reports.Desk{
		Kinds:  reports.Kinds{reports.WinterListKind(list, reports.DefaultTop), reports.IntakeKind(db)},
		People: db, Subscriptions: db, May: MayOpen, From: "rime@fleet.example",
	}
}

// addPost brings two schedules and three letters: 1 given up, 2 waiting, 3 sent.
func (w *world) addPost() {
	w.t.Helper()
	ctx := w.t.Context()
	for _, s := range []fleet.Schedule{
		{Report: reports.WinterListName, Depot: "NOR", Recipients: []string{"gone@fleet.example", "role:reader"}, Cron: "0 6 * * 1", Timezone: "America/Toronto"},
		{Report: reports.WinterListName, Recipients: []string{"ada@fleet.example"}, Cron: "30 2 * * *", Timezone: "Europe/Paris", WhenQuiet: fleet.QuietNothing},
	} {
		s.LastSlot, s.Enabled, s.Attach = w.now, true, []fleet.Attachment{fleet.AttachCSV}
		_, err := w.db.AddSchedule(ctx, s, "by the test")
		require.NoError(w.t, err)
	}
	var letters []fleet.Letter
	for i, key := range []string{"1/2026-11-23T11:00:00Z/ada@fleet.example", "2/2026-11-25T01:30:00Z/bo@fleet.example", "2/2026-11-24T01:30:00Z/bo@fleet.example"} {
		letters = append(letters, fleet.Letter{
			DedupeKey: key, MessageID: strconv.Itoa(i) + "@fleet.example", From: "rime@fleet.example", To: key[23:], Subject: "Fleet <b>2 units</b>", Message: []byte("x"),
			QueuedAt: w.now.Add(-time.Hour), DueAt: w.now.Add(time.Duration(i-3) * time.Minute),
		})
	}
	_, err := w.db.QueueLetters(ctx, letters)
	require.NoError(w.t, err)
	for _, fate := range []fleet.Letter{
		{LastError: "550 5.1.1 no <such> mailbox", GivenUpAt: w.now}, {LastError: "reach mail server: connection refused", DueAt: w.now.Add(time.Hour)}, {SentAt: w.now.Add(-time.Minute)},
	} {
		_, err := w.db.DeliverNext(ctx, w.now, func(_ context.Context, l fleet.Letter) fleet.Letter {
			l.Attempts++
			l.LastError, l.GivenUpAt, l.SentAt = fate.LastError, fate.GivenUpAt, fate.SentAt
			if !fate.DueAt.IsZero() {
				l.DueAt = fate.DueAt
			}
			return l
		})
		require.NoError(w.t, err)
	}
}

func newPostWorld(t *testing.T) (w *world, mara *browser) {
	t.Helper()
	w = newWorld(t)
	w.addFleet()
	w.addPerson("mara", fleet.Manager)
	w.leave(1, "gone@fleet.example")
	return w, w.as("mara")
}

// leave unsubscribes an address from a schedule.
func (w *world) leave(schedule int64, address string) {
	w.t.Helper()
	subs, err := w.db.Subscriptions(w.t.Context(), schedule, []string{address})
	require.NoError(w.t, err)
	_, err = w.db.Unsubscribe(w.t.Context(), subs[0].Token)
	require.NoError(w.t, err)
}

func (w *world) schedule(id int64) fleet.Schedule {
	w.t.Helper()
	list, err := w.db.Schedules(w.t.Context())
	require.NoError(w.t, err)
	for _, s := range list {
		if s.ID == id {
			return s
		}
	}
	require.Fail(w.t, "there is no such schedule")
	return fleet.Schedule{}
}

func goodSchedule() url.Values {
	return url.Values{
		"report": {"winter-list"}, "depot": {"NOR"}, "to-address": {"bo@fleet.example\r\n\r\n Cy <cy@fleet.example> \r\n"}, "to-role": {"role:mechanic"},
		"when": {"weekly"}, "at": {"06:15"}, "weekday": {"1"}, "monthday": {"1"}, "cron": {""}, "timezone": {""}, "attach": {"csv"}, "quiet": {"line"},
	}
}

func TestAddASchedule(t *testing.T) {
	w, mara := newPostWorld(t)
	w.addPerson("jo", fleet.Mechanic)
	_, err := w.db.SetContact(t.Context(), "jo", "Jo", "jo@fleet.example")
	require.NoError(t, err)
	form := goodSchedule()
	form.Set("to-person", "person:jo")
	form.Add("to-address", "")
	page, said := mara.follow(mara.post("/settings/add-schedule", form))
	require.Equal(t, "Schedule 3 is added: winter list of NOR, at 06:15 on Mondays.", said)
	got := w.schedule(3)
	require.WithinDuration(t, w.now, got.LastSlot, time.Second)
	got.LastSlot, got.Said = time.Time{}, nil
	require.Equal(t, fleet.Schedule{
		ID: 3, Report: "winter-list", Depot: "NOR", Recipients: []string{"bo@fleet.example", "Cy <cy@fleet.example>", "person:jo", "role:mechanic"},
		Cron: "15 6 * * 1", Timezone: "America/Toronto", WhenQuiet: fleet.QuietLine, Attach: []fleet.Attachment{fleet.AttachCSV}, Enabled: true,
	}, got)
	require.Contains(t, text(page.page()), "Mon 30 Nov 2026, 06:15 EST")

	w.addPerson("adam", fleet.Administrator)
	require.Contains(t, text(w.as("adam").get("/settings").page()), "mara schedule 3 added: Winter list of NOR, at 06:15 on Mondays (America/Toronto), to bo@fleet.example")

	form.Set("to-address", "JO@fleet.example")
	_, _ = mara.follow(mara.post("/settings/add-schedule", form))
	require.Equal(t, []string{"person:jo", "role:mechanic"}, w.schedule(4).Recipients, "an address that is a person's is that person, once")
}

func TestAScheduleThatCannotBeAdded(t *testing.T) {
	w, mara := newPostWorld(t)
	for _, tc := range []struct {
		change map[string]string
		field  string
		says   string
	}{
		{map[string]string{"report": "summer-list"}, "report", "No report is called"},
		{map[string]string{"depot": "WEST"}, "depot", `There is no such depot as "WEST"`},
		{map[string]string{"depot": ""}, "timezone", "several time zones"},
		{map[string]string{"to-address": "bo at home"}, "to-address", "want one mail address"},
		{map[string]string{"to-address": "role:cook"}, "to-address", "want one mail address"},
		{map[string]string{"to-address": "", "to-role": ""}, "to-role", "want an address like"},
		{map[string]string{"to-role": "role:cook"}, "to-role", "no such role"},
		{map[string]string{"to-person": "person:nobody"}, "to-person", "cannot be chosen"},
		{map[string]string{"when": ""}, "when", "Say when"},
		{map[string]string{"at": "6 o'clock"}, "at", "like 06:00"},
		{map[string]string{"weekday": "9"}, "weekday", "no day of the week"},
		{map[string]string{"when": "monthly", "monthday": "31"}, "monthday", "1 to 28"},
		{map[string]string{"when": "own"}, "cron", "five fields"},
		{map[string]string{"when": "own", "cron": "every monday"}, "cron", "want five fields"},
		{map[string]string{"when": "own", "cron": "0 6 30 2 *"}, "cron", "no such time ever comes"},
		{map[string]string{"timezone": "Mars/Olympus"}, "at", "want a name like Europe/Berlin"},
		{map[string]string{"attach": "docx"}, "attach", "cannot be attached"},
		{map[string]string{"quiet": "shout"}, "quiet", "when nothing changed"},
	} {
		form := goodSchedule()
		for k, v := range tc.change {
			form.Set(k, v)
		}
		res := mara.post("/settings/add-schedule", form)
		wrong := res.refused()
		require.Contains(t, wrong[tc.field], tc.says, "%v: %v", tc.change, wrong)
		require.Equal(t, form.Get("at"), res.typed("at"), "what was typed is kept")
		require.Equal(t, form["when"], append(res.chosen("when"), map[bool][]string{true: {""}}[form.Get("when") == ""]...))
	}
	form := goodSchedule()
	form.Del("to-address")
	form.Del("to-role")
	require.Contains(t, mara.post("/settings/add-schedule", form).refused()["to-address"], "Nobody to send to")
	list, err := w.db.Schedules(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 2, "nothing was kept")
}

func TestThePreviewKeepsNothing(t *testing.T) {
	w, mara := newPostWorld(t)
	form := goodSchedule()
	form.Set("preview", "1")
	form.Set("when", "own")
	form.Set("cron", "30 2 * 3 SUN")
	res := mara.post("/settings/add-schedule", form)
	require.Equal(t, http.StatusOK, res.status)
	shown := text(all(res.page(), "ol", "class", "runs")[0])
	require.Contains(t, shown, "Sun 7 Mar 2027, 02:30 EST Sun 14")
	require.Contains(t, shown, "Sun 14 Mar 2027, 03:00 EDT")
	require.Contains(t, shown, "the clock jumps over its time that day")
	require.Contains(t, text(res.page()), "at 02:30 on Sundays, in March, on the clock of America/Toronto")
	require.Equal(t, "30 2 * 3 SUN", res.typed("cron"))
	list, err := w.db.Schedules(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 2)
}

func TestChangePauseAndRemoveASchedule(t *testing.T) {
	w, mara := newPostWorld(t)
	form := mara.get("/settings/schedules/1")
	require.Equal(t, []string{"weekly"}, form.chosen("when"))
	require.Equal(t, "06:00", form.typed("at"))
	require.Equal(t, []string{"role:reader"}, form.chosen("to-role"))
	require.Equal(t, "gone@fleet.example", text(all(form.page(), "textarea", "id", "to-address")[0]))

	changed := goodSchedule()
	changed.Set("when", "monthly")
	changed.Set("monthday", "15")
	_, said := mara.follow(mara.post("/settings/schedules/1", changed))
	require.Equal(t, "Schedule 1 is saved.", said)
	require.Equal(t, "15 6 15 * *", w.schedule(1).Cron)
	changed.Set("at", "25:00")
	require.Contains(t, mara.post("/settings/schedules/1", changed).refused()["at"], "like 06:00")

	page, said := mara.follow(mara.post("/settings/schedules/1/pause", nil))
	require.Contains(t, said, "Schedule 1 is paused")
	require.Contains(t, text(page.page()), "Paused: it sends nothing.")
	require.False(t, w.schedule(1).Enabled)
	w.now = w.now.AddDate(0, 0, 40)
	_, said = mara.follow(mara.post("/settings/schedules/1/resume", nil))
	require.Equal(t, "Schedule 1 goes on.", said)
	require.WithinDuration(t, w.now, w.schedule(1).LastSlot, time.Second, "what fell due meanwhile is not caught up")

	require.Contains(t, text(mara.get("/settings/schedules/1/remove").page()), "Letters that it has queued still go out")
	_, said = mara.follow(mara.post("/settings/schedules/1/remove", nil))
	require.Equal(t, "Schedule 1 is removed.", said)
	require.Equal(t, http.StatusNotFound, mara.get("/settings/schedules/1").status)
	require.Equal(t, http.StatusNotFound, mara.post("/settings/schedules/1/remove", nil).status)
}

func TestSendMeThisNow(t *testing.T) {
	w, mara := newPostWorld(t)
	res := mara.post("/settings/schedules/1/send-now", nil)
	require.Equal(t, http.StatusUnprocessableEntity, res.status)
	require.Contains(t, text(all(res.page(), "p", "role", "alert")[0]), "write one down under My account")

	_, err := w.db.SetContact(t.Context(), "mara", "Mara", "mara@fleet.example")
	require.NoError(t, err)
	before, err := w.db.Letters(t.Context(), false)
	require.NoError(t, err)
	page, said := mara.follow(mara.post("/settings/schedules/1/send-now", nil))
	require.Equal(t, "The winter list of NOR is on its way to mara@fleet.example. Nobody else gets it.", said)
	require.Contains(t, text(page.page()), "“Send me this now” goes to mara@fleet.example")
	after, err := w.db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Len(t, after, len(before)+1)
	letter := after[len(after)-1]
	require.Equal(t, "mara@fleet.example", letter.To)
	require.Zero(t, w.schedule(1).LastSlot.Compare(w.now.Truncate(time.Microsecond)), "the schedule itself is untouched")

	_, err = w.db.Pool().Exec(t.Context(), `TRUNCATE issue CASCADE`)
	require.NoError(t, err)
	res = mara.post("/settings/schedules/1/send-now", nil)
	require.Equal(t, http.StatusUnprocessableEntity, res.status, "%s", res.body)
	require.Contains(t, text(all(res.page(), "p", "role", "alert")[0]), sentence(fleet.ErrNoIssue))
}

func TestWhoUnsubscribedCanBePutBack(t *testing.T) {
	w, mara := newPostWorld(t)
	require.Contains(t, text(mara.get("/settings/schedules").page()), "Unsubscribed gone@fleet.example, on ")
	require.Contains(t, text(all(mara.post("/settings/schedules/1/put-back", url.Values{"address": {"<b>"}}).page(), "p", "role", "alert")[0]), `"<b>" has not left schedule 1`)
	require.Equal(t, http.StatusNotFound, mara.post("/settings/schedules/99/put-back", url.Values{"address": {"gone@fleet.example"}}).status)
	_, said := mara.follow(mara.post("/settings/schedules/1/put-back", url.Values{"address": {"gone@fleet.example"}}))
	require.Equal(t, "gone@fleet.example gets schedule 1 again.", said)
	left, err := w.db.Unsubscribed(t.Context())
	require.NoError(t, err)
	require.Empty(t, left)
}

func TestReportsThatComeToMe(t *testing.T) {
	w, _ := newPostWorld(t)
	una := w.as("una")
	mine := text(una.get("/settings").page())
	require.Contains(t, mine, "Winter list of NOR at 06:00 on Mondays Mon 30 Nov 2026, 06:00 EST comes")
	require.NotContains(t, mine, "What does not reach its reader", "that is for whoever handles schedules")

	_, err := w.db.SetContact(t.Context(), "una", "", "gone@fleet.example")
	require.NoError(t, err)
	require.Contains(t, text(una.get("/settings").page()), "you unsubscribed on ")
	require.Equal(t, http.StatusBadRequest, una.post("/settings/account/put-back", url.Values{"schedule": {"2"}}).status, "only one's own")
	_, said := una.follow(una.post("/settings/account/put-back", url.Values{"schedule": {"1"}}))
	require.Equal(t, "You get the winter list of NOR again.", said)
}

func TestLettersGivenUpAreShownAndTriedAgain(t *testing.T) {
	w, mara := newPostWorld(t)
	overview := text(mara.get("/settings").page())
	require.Contains(t, overview, "Letter 1 to ada@fleet.example was given up 550 5.1.1 no <such> mailbox")
	require.Contains(t, overview, "Letter 2 to bo@fleet.example waits: it was tried once reach mail server: connection refused")
	letters := mara.get("/settings/letters")
	require.Contains(t, text(letters.page()), "Fleet <b>2 units</b>")
	require.NotContains(t, letters.body, "<b>")
	require.Contains(t, text(letters.page()), "550 5.1.1 no <such> mailbox")

	page, said := mara.follow(mara.post("/settings/letters/1/retry", nil))
	require.Equal(t, "Letter 1 is due now, and is tried again within a minute.", said)
	require.Contains(t, text(page.page()), "No letter was given up.")
	unsent, err := w.db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.True(t, unsent[0].GivenUpAt.IsZero())
	require.WithinDuration(t, w.now, unsent[0].DueAt, time.Second)
	for _, number := range []string{"3", "99", "x"} {
		_, said = mara.follow(mara.post("/settings/letters/"+number+"/retry", nil))
		require.Contains(t, said, "There is no unsent letter")
	}
	require.NoError(t, w.db.NoteScheduleError(t.Context(), 2, "no list <yet>"))
	require.Contains(t, text(mara.get("/settings").page()), "Schedule 2, winter list of the whole fleet, cannot send no list <yet>")
}

// A manager of one depot handles what is about it, and sees nothing of the rest.
func TestSchedulesAreKeptToTheirDepots(t *testing.T) {
	w, _ := newPostWorld(t)
	w.addPerson("nora", fleet.Manager, "NOR")
	w.addPerson("suse", fleet.Reader, "SUD")
	_, err := w.db.SetContact(t.Context(), "suse", "", "suse@fleet.example")
	require.NoError(t, err)
	nora := w.as("nora")
	list := text(nora.get("/settings/schedules").page())
	require.Contains(t, list, "Winter list of NOR")
	require.NotContains(t, list, "whole fleet")
	for _, path := range []string{"", "/remove"} {
		require.Equal(t, http.StatusNotFound, nora.get("/settings/schedules/2"+path).status, path)
	}
	for _, path := range []string{"", "/pause", "/resume", "/send-now", "/put-back", "/remove"} {
		require.Equal(t, http.StatusNotFound, nora.post("/settings/schedules/2"+path, goodSchedule()).status, path)
	}
	letters := text(nora.get("/settings/letters").page())
	require.Contains(t, letters, "ada@fleet.example")
	require.NotContains(t, letters, "bo@fleet.example")
	_, said := nora.follow(nora.post("/settings/letters/2/retry", nil))
	require.Contains(t, said, "There is no unsent letter 2")
	overview := text(nora.get("/settings").page())
	require.Contains(t, overview, "Letter 1 to ada@fleet.example")
	require.NotContains(t, overview, "Letter 2")

	form := nora.get("/settings/add-schedule")
	require.NotContains(t, form.body, "SUD")
	require.NotContains(t, form.body, "suse")
	for _, change := range []map[string]string{{"depot": ""}, {"depot": "SUD"}, {"to-person": "person:suse"}} {
		bad := goodSchedule()
		for k, v := range change {
			bad.Set(k, v)
		}
		for _, path := range []string{"/settings/add-schedule", "/settings/schedules/1"} {
			require.NotEmpty(t, nora.post(path, bad).refused(), "%v", change)
		}
	}
	_, said = nora.follow(nora.post("/settings/add-schedule", goodSchedule()))
	require.Contains(t, said, "is added")
}
