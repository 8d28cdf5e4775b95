package store_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

var postNow = time.Date(2025, 10, 13, 4, 0, 0, 0, time.UTC)

func letterOf(key string) fleet.Letter {
	return fleet.Letter{
		DedupeKey: key, MessageID: key + "@example.org", From: "rime@example.org", To: "ada@example.org", Subject: "s",
		Message: []byte("From: x\r\n\r\nä\x00\xff"), QueuedAt: postNow, DueAt: postNow,
	}
}

func addMonday(t *testing.T, db *store.DB) fleet.Schedule {
	t.Helper()
	s := fleet.Schedule{
		Report: "winter-list", Recipients: []string{"ada@example.org", "role:manager"}, Cron: "0 6 * * MON", Timezone: "Europe/Oslo",
		WhenQuiet: fleet.QuietLine, Attach: []fleet.Attachment{fleet.AttachXLSX, fleet.AttachPDF}, Said: map[string]fleet.Said{},
		LastSlot: postNow.AddDate(0, 0, -7), Enabled: true,
	}
	id, err := db.AddSchedule(t.Context(), s, "by the test")
	require.NoError(t, err)
	s.ID = id
	return s
}

func oneSchedule(t *testing.T, db *store.DB) fleet.Schedule {
	t.Helper()
	list, err := db.Schedules(t.Context())
	require.NoError(t, err)
	require.Len(t, list, 1)
	list[0].LastSlot = list[0].LastSlot.UTC()
	return list[0]
}

func TestSchedulesAreKept(t *testing.T) {
	db := store.New(pgtest.New(t))
	s := addMonday(t, db)
	require.Equal(t, s, oneSchedule(t, db))
	removed, err := db.RemoveSchedule(t.Context(), s.ID, "by the test")
	require.NoError(t, err)
	require.True(t, removed)
	removed, err = db.RemoveSchedule(t.Context(), s.ID, "by the test")
	require.NoError(t, err)
	require.False(t, removed)
	_, err = db.AddSchedule(t.Context(), fleet.Schedule{Report: "winter-list", Depot: "NIX", Recipients: []string{"a@b"}}, "by the test")
	require.ErrorContains(t, err, "add a schedule of winter-list")
	require.ErrorContains(t, err, "there is no such depot")
}

func TestSchedulesAreChanged(t *testing.T) {
	db := store.New(pgtest.New(t))
	s := addMonday(t, db)
	said := map[string]fleet.Said{"": {Mark: "31", At: postNow}}
	_, err := db.AdvanceSchedule(t.Context(), s.ID, fleet.Run{Slot: postNow, Note: "somebody was left out", Said: said})
	require.NoError(t, err)
	s.Recipients, s.Attach, s.WhenQuiet, s.Enabled = []string{"person:ada"}, nil, "", false
	s.LastSlot = postNow.AddDate(0, 0, -30)
	found, err := db.ChangeSchedule(t.Context(), s, "by the test")
	require.NoError(t, err)
	require.True(t, found)
	s.WhenQuiet, s.Attach, s.Said, s.LastSlot = fleet.QuietSend, []fleet.Attachment{}, said, postNow
	require.Equal(t, s, oneSchedule(t, db), "what is dealt with stays so, and what was said is still the last word")
	s.Report = "audit"
	_, err = db.ChangeSchedule(t.Context(), s, "by the test")
	require.NoError(t, err)
	require.Empty(t, oneSchedule(t, db).Said, "of another report nothing was said yet")
	s.ID++
	found, err = db.ChangeSchedule(t.Context(), s, "by the test")
	require.NoError(t, err)
	require.False(t, found)
}

func TestSubscriptionsAreLeftByTokenAndBegunAgain(t *testing.T) {
	db := store.New(pgtest.New(t))
	s := addMonday(t, db)
	var wg sync.WaitGroup
	tokens := make([]map[string]string, 4) // two servers must write the same link
	for i := range tokens {
		wg.Go(func() {
			subs, err := db.Subscriptions(t.Context(), s.ID, []string{"Bo@example.org", "ada@example.org"})
			if err != nil {
				return
			}
			tokens[i] = map[string]string{}
			for _, sub := range subs {
				tokens[i][sub.Address] = sub.Token
			}
		})
	}
	wg.Wait()
	for _, got := range tokens {
		require.Len(t, got, 2)
		require.Equal(t, tokens[0], got)
	}
	token := tokens[0]["bo@example.org"]
	require.GreaterOrEqual(t, len(token), 26) // of 32 letters: 130 bits
	require.NotEqual(t, token, tokens[0]["ada@example.org"])

	sub, found, err := db.Subscription(t.Context(), token)
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, fleet.Subscription{Schedule: s.ID, Report: "winter-list", Address: "bo@example.org", Token: token}, sub)
	for range 2 { // mail programs may ask twice
		found, err = db.Unsubscribe(t.Context(), token)
		require.NoError(t, err)
		require.True(t, found)
	}
	left, err := db.Unsubscribed(t.Context())
	require.NoError(t, err)
	require.Len(t, left, 1)
	require.Equal(t, "bo@example.org", left[0].Address)
	require.False(t, left[0].EndedAt.IsZero())
	found, err = db.Unsubscribe(t.Context(), token+"x")
	require.NoError(t, err)
	require.False(t, found)

	for _, want := range []bool{true, false} {
		found, err = db.Resubscribe(t.Context(), s.ID, "BO@example.org")
		require.NoError(t, err)
		require.Equal(t, want, found)
	}
	_, err = db.RemoveSchedule(t.Context(), s.ID, "by the test")
	require.NoError(t, err)
	_, found, err = db.Subscription(t.Context(), token)
	require.NoError(t, err)
	require.False(t, found, "the schedule is gone, and its links with it")
}

func TestLettersTellWhyTheyWait(t *testing.T) {
	db := store.New(pgtest.New(t))
	_, err := db.QueueLetters(t.Context(), []fleet.Letter{letterOf("a"), letterOf("b"), letterOf("c"), letterOf("d")})
	require.NoError(t, err)
	fates := []func(*fleet.Letter){
		func(l *fleet.Letter) { l.Attempts, l.GivenUpAt, l.LastError = 1, postNow, "no such user" },
		func(l *fleet.Letter) { l.Attempts, l.DueAt, l.LastError = 1, postNow.Add(time.Minute), "busy" },
		func(l *fleet.Letter) { l.Attempts, l.SentAt = 1, postNow },
	}
	for _, change := range fates { // the fourth is not tried
		_, err := db.DeliverNext(t.Context(), postNow, func(_ context.Context, l fleet.Letter) fleet.Letter {
			change(&l)
			return l
		})
		require.NoError(t, err)
	}
	letters, err := db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Len(t, letters, 3)
	require.Equal(t, []string{"no such user", "busy", ""}, []string{letters[0].LastError, letters[1].LastError, letters[2].LastError})
}

func TestScheduleAdvancesOnceWithItsLetters(t *testing.T) {
	db := store.New(pgtest.New(t))
	s := addMonday(t, db)
	require.NoError(t, db.NoteScheduleError(t.Context(), s.ID, "no list yet"))
	require.Equal(t, "no list yet", oneSchedule(t, db).LastError)
	var wg sync.WaitGroup
	var mu sync.Mutex
	won := 0
	for range 6 {
		wg.Go(func() {
			ok, err := db.AdvanceSchedule(t.Context(), s.ID, fleet.Run{
				Slot: postNow, Note: "jo: is disabled", Said: map[string]fleet.Said{"NOR\nSUD": {Mark: "31", At: postNow}},
				Letters: []fleet.Letter{letterOf("1/a"), letterOf("1/b")},
			})
			mu.Lock()
			defer mu.Unlock()
			if err == nil && ok {
				won++
			}
		})
	}
	wg.Wait()
	require.Equal(t, 1, won)
	letters, err := db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Len(t, letters, 2)
	after := oneSchedule(t, db)
	require.Equal(t, postNow, after.LastSlot)
	require.Empty(t, after.LastError)
	require.Equal(t, "jo: is disabled", after.LastNote)
	require.Equal(t, map[string]fleet.Said{"NOR\nSUD": {Mark: "31", At: postNow}}, after.Said)

	was := s
	was.Recipients = append([]string{"gone@example.org"}, s.Recipients...)
	ok, err := db.AdvanceSchedule(t.Context(), s.ID, fleet.Run{Of: was, Slot: postNow.AddDate(0, 0, 7), Letters: []fleet.Letter{letterOf("3/gone")}})
	require.NoError(t, err)
	require.False(t, ok, "it was changed while its letters were written")
	ok, err = db.AdvanceSchedule(t.Context(), s.ID, fleet.Run{Slot: postNow.AddDate(0, 0, -1)})
	require.NoError(t, err)
	require.False(t, ok, "an earlier slot is behind")
	broken := letterOf("2/b")
	broken.MessageID = "1/a@example.org" // taken: the statement fails
	_, err = db.AdvanceSchedule(t.Context(), s.ID, fleet.Run{Slot: postNow.AddDate(0, 0, 7), Letters: []fleet.Letter{letterOf("2/a"), broken}})
	require.Error(t, err)
	require.Equal(t, postNow, oneSchedule(t, db).LastSlot, "neither the slot nor a letter was kept")
	letters, err = db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Len(t, letters, 2)
}

func TestQueueingTwiceQueuesOnce(t *testing.T) {
	db := store.New(pgtest.New(t))
	for _, want := range []int{2, 0} {
		n, err := db.QueueLetters(t.Context(), []fleet.Letter{letterOf("a"), letterOf("b")})
		require.NoError(t, err)
		require.Equal(t, want, n)
	}
}

func TestDeliverNextKeepsTheFate(t *testing.T) {
	db := store.New(pgtest.New(t))
	l := letterOf("a")
	late := letterOf("later")
	late.DueAt = postNow.Add(time.Hour)
	_, err := db.QueueLetters(t.Context(), []fleet.Letter{late, l})
	require.NoError(t, err)

	deliver := func(change func(*fleet.Letter)) (taken []fleet.Letter) {
		for {
			found, err := db.DeliverNext(t.Context(), postNow, func(_ context.Context, l fleet.Letter) fleet.Letter {
				taken = append(taken, l)
				change(&l)
				return l
			})
			require.NoError(t, err)
			if !found {
				return taken
			}
		}
	}
	taken := deliver(func(l *fleet.Letter) { l.Attempts, l.LastError, l.DueAt = 1, "later", postNow.Add(time.Minute) })
	require.Len(t, taken, 1)
	require.Equal(t, string(l.Message), string(taken[0].Message))
	require.Equal(t, l.MessageID, taken[0].MessageID)
	require.Empty(t, deliver(func(*fleet.Letter) {}), "not due before its pause is over")

	ok, err := db.RetryLetter(t.Context(), taken[0].ID, postNow)
	require.NoError(t, err)
	require.True(t, ok)
	require.Len(t, deliver(func(l *fleet.Letter) { l.LastError, l.GivenUpAt = "no such user", postNow }), 1)
	letters, err := db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Len(t, letters, 2)
	require.Equal(t, "no such user", letters[1].LastError)
	require.True(t, letters[1].GivenUpAt.Equal(postNow))
	require.Empty(t, deliver(func(*fleet.Letter) {}), "given up is given up")

	ok, err = db.RetryLetter(t.Context(), taken[0].ID, postNow)
	require.NoError(t, err)
	require.True(t, ok)
	require.Len(t, deliver(func(l *fleet.Letter) { l.SentAt = postNow }), 1)
	ok, err = db.RetryLetter(t.Context(), taken[0].ID, postNow)
	require.NoError(t, err)
	require.False(t, ok, "what is sent is not sent again")
}

func TestFateIsKeptThoughTheProgramIsAskedToStop(t *testing.T) {
	db := store.New(pgtest.New(t))
	_, err := db.QueueLetters(t.Context(), []fleet.Letter{letterOf("a")})
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	found, err := db.DeliverNext(ctx, postNow, func(_ context.Context, l fleet.Letter) fleet.Letter {
		cancel() // while the mail server is saying yes
		l.SentAt = postNow
		return l
	})
	require.NoError(t, err)
	require.True(t, found)
	waiting, err := db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Empty(t, waiting)
}

func TestTwoPostmenNeverHoldTheSameLetter(t *testing.T) {
	db := store.New(pgtest.New(t))
	const letters = 40
	var all []fleet.Letter
	for i := range letters {
		all = append(all, letterOf(fmt.Sprint(i)))
	}
	_, err := db.QueueLetters(t.Context(), all)
	require.NoError(t, err)
	var mu sync.Mutex
	times := map[string]int{}
	var wg sync.WaitGroup
	for range 4 {
		wg.Go(func() {
			for found := true; found; {
				found, _ = db.DeliverNext(t.Context(), postNow, func(_ context.Context, l fleet.Letter) fleet.Letter {
					mu.Lock()
					defer mu.Unlock()
					times[l.DedupeKey]++
					l.SentAt = postNow
					return l
				})
			}
		})
	}
	wg.Wait()
	require.Len(t, times, letters)
	for key, n := range times {
		require.Equal(t, 1, n, key)
	}
}
