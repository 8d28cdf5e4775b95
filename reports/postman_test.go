package reports

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/net/html"

	"rimeyard/alerts"
	"rimeyard/internal/fleet"
)

func quietLog() *slog.Logger { return slog.New(slog.DiscardHandler) }

func TestFolderKeepsLettersThatOpenInABrowser(t *testing.T) {
	f := Folder{Dir: filepath.Join(t.TempDir(), "outbox")}
	l := someLetter(t, "folder")
	for range 2 { // sent twice, kept once
		require.NoError(t, f.Send(t.Context(), l))
	}
	names, err := filepath.Glob(filepath.Join(f.Dir, "*"))
	require.NoError(t, err)
	eml, page := f.Paths(l)
	require.ElementsMatch(t, []string{eml, page}, names)
	kept, err := os.ReadFile(eml)
	require.NoError(t, err)
	require.Equal(t, string(l.Message), string(kept))
	b, err := os.ReadFile(page)
	require.NoError(t, err)
	doc, err := html.Parse(strings.NewReader(string(b)))
	require.NoError(t, err)
	pictures := 0
	for n := range doc.Descendants() {
		if n.Type == html.ElementNode && n.Data == "img" {
			for _, a := range n.Attr {
				if a.Key == "src" {
					require.True(t, strings.HasPrefix(a.Val, "data:image/png;base64,iVBOR"), a.Val[:40])
					pictures++
				}
			}
		}
	}
	require.Equal(t, 3, pictures)
}

func TestFolderRefusesWhatIsNoMessageAndRetriesAFullDisk(t *testing.T) {
	dir := t.TempDir()
	require.ErrorIs(t, Folder{Dir: dir}.Send(t.Context(), fleet.Letter{Message: []byte("no message")}), ErrRefused)
	blocked := filepath.Join(dir, "file")
	require.NoError(t, os.WriteFile(blocked, nil, 0o600))
	err := Folder{Dir: blocked}.Send(t.Context(), someLetter(t, "x"))
	require.Error(t, err)
	require.NotErrorIs(t, err, ErrRefused)
}

func TestFate(t *testing.T) {
	queued := time.Date(2025, 10, 8, 4, 0, 0, 0, time.UTC)
	temporary, refused := errors.New("451 later\r\nplease"), fmt.Errorf("550: %w", ErrRefused)
	sent := fate(fleet.Letter{QueuedAt: queued, LastError: "x"}, nil, queued)
	require.Equal(t, fleet.Letter{QueuedAt: queued, Attempts: 1, SentAt: queued}, sent)
	require.Equal(t, queued, fate(fleet.Letter{QueuedAt: queued}, refused, queued).GivenUpAt)

	l, now := fleet.Letter{QueuedAt: queued}, queued
	var waits []time.Duration
	for l.GivenUpAt.IsZero() {
		l = fate(l, temporary, now)
		require.Equal(t, "451 later please", l.LastError)
		if l.GivenUpAt.IsZero() {
			waits = append(waits, l.DueAt.Sub(now))
			now = l.DueAt
		}
	}
	require.Equal(t, []time.Duration{1, 2, 4, 8, 16, 32, 64, 120, 120}, minutes(waits[:9]))
	require.GreaterOrEqual(t, l.GivenUpAt.Sub(queued), giveUpAfter)
	require.Less(t, l.GivenUpAt.Sub(queued), giveUpAfter+longestWait)
}

func minutes(waits []time.Duration) []time.Duration {
	out := slices.Clone(waits)
	for i := range out {
		out[i] /= time.Minute
	}
	return out
}

// tray is an outbox in memory, for the postman's clock alone; what a database adds is tested with one.
type tray struct{ letters []fleet.Letter }

func (tr *tray) DeliverNext(ctx context.Context, now time.Time, deliver func(context.Context, fleet.Letter) fleet.Letter) (bool, error) {
	for i, l := range tr.letters {
		if l.SentAt.IsZero() && l.GivenUpAt.IsZero() && !l.DueAt.After(now) {
			tr.letters[i] = deliver(ctx, l)
			return true, nil
		}
	}
	return false, nil
}

type senderFunc func(fleet.Letter) error

func (f senderFunc) Send(_ context.Context, l fleet.Letter) error { return f(l) }

func TestPostmanTriesAgainUntilTheServerIsBack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		start := time.Now()
		tr := &tray{letters: []fleet.Letter{{ID: 1, QueuedAt: start, DueAt: start}}}
		p := Postman{Outbox: tr, Now: time.Now, Log: quietLog(), Sender: senderFunc(func(fleet.Letter) error {
			if time.Since(start) < 10*time.Minute {
				return errors.New("connection refused")
			}
			return nil
		})}
		ctx, cancel := context.WithTimeout(t.Context(), time.Hour)
		defer cancel()
		require.NoError(t, p.Run(ctx))
		require.Equal(t, 5, tr.letters[0].Attempts) // after 0, 1, 3, 7 and 15 minutes
		require.WithinDuration(t, start.Add(15*time.Minute), tr.letters[0].SentAt, 30*time.Second)
	})
}

// calendar is a set of schedules in memory, for the scheduler's clock alone.
type calendar struct {
	mu      sync.Mutex
	list    []fleet.Schedule
	letters []fleet.Letter
}

func (c *calendar) Schedules(context.Context) ([]fleet.Schedule, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	return slices.Clone(c.list), nil
}

func (c *calendar) AdvanceSchedule(_ context.Context, id int64, run fleet.Run) (bool, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.list[id-1].LastSlot, c.list[id-1].LastError, c.list[id-1].LastNote, c.list[id-1].Said = run.Slot, "", run.Note, run.Said
	c.letters = append(c.letters, run.Letters...)
	return true, nil
}

func (c *calendar) NoteScheduleError(_ context.Context, id int64, why string) error {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.list[id-1].LastError = why
	return nil
}

func (*calendar) People(context.Context) ([]fleet.Person, error) { return nil, nil }

func (*calendar) Subscriptions(context.Context, int64, []string) ([]fleet.Subscription, error) {
	return nil, nil
}

func TestSchedulerQueuesAtTheDepotsOwnTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) { // the bubble's clock begins at 2000-01-01T00:00:00Z, a Saturday
		start := time.Now()
		c := &calendar{list: []fleet.Schedule{
			{ID: 1, Report: WinterListName, Depot: "NOR", Recipients: []string{"a@example.org", "b@example.org"}, Cron: "0 6 * * MON", Timezone: "Europe/Oslo", LastSlot: start, Enabled: true},
			{ID: 2, Report: WinterListName, Recipients: []string{"c@example.org"}, Cron: "30 5 * * *", Timezone: "America/New_York", LastSlot: start, Enabled: true},
			{ID: 3, Report: WinterListName, Recipients: []string{"d@example.org"}, Cron: "* * * * *", Timezone: "UTC", LastSlot: start},
			{ID: 4, Report: "horoscope", Recipients: []string{"d@example.org"}, Cron: "* * * * *", Timezone: "UTC", LastSlot: start, Enabled: true},
			{ID: 5, Report: WinterListName, Depot: "NIX", Recipients: []string{"d@example.org"}, Cron: "0 1 * * *", Timezone: "UTC", LastSlot: start, Enabled: true},
			{ID: 6, Report: AuditName, Depot: "NOR", Recipients: []string{"e@example.org"}, Cron: "0 1 2 * *", Timezone: "UTC", LastSlot: start, Enabled: true},
			{ID: 7, Report: AuditName, Recipients: []string{"e@example.org"}, Cron: "0 1 2 * *", Timezone: "UTC", LastSlot: start, Enabled: true},
		}}
		audit := someAudit(t, 40)
		audit.Bands, audit.Forecast.AUC = nil, fleet.Opt[float64]{} // no pictures either
		s := Scheduler{
			Schedules: c, Now: time.Now, Log: quietLog(),
			Desk: Desk{From: "rime@example.org", People: c, Subscriptions: c, Kinds: Kinds{WinterListKind(func(_ context.Context, a Asked) (WinterListData, error) {
				d := someData()
				d.Today, d.PastMinimaC = a.Today, nil // no winters, no pictures: they take real time
				d.List.Units = slices.Clone(d.List.Units)
				for i := range d.List.Units {
					d.List.Units[i].ColdLimitC = fleet.Opt[float64]{}
				}
				return d, nil
			}, 0), AuditKind(func(_ context.Context, a Asked) (AuditData, error) {
				if a.Depots == nil {
					return AuditData{}, ErrNoAudit
				}
				return AuditData{Seasons: []alerts.AuditResult{audit}, Depot: a.Only(), Today: a.Today, KnownTo: a.Today - 1}, nil
			})}},
		}
		ctx, cancel := context.WithTimeout(t.Context(), 3*24*time.Hour)
		defer cancel()
		require.NoError(t, s.Run(ctx))
		var got []string
		for _, l := range c.letters {
			got = append(got, l.To+" "+l.QueuedAt.UTC().Format(time.RFC3339))
		}
		require.Equal(t, []string{
			"c@example.org 2000-01-01T10:30:00Z", "e@example.org 2000-01-02T01:00:00Z", "c@example.org 2000-01-02T10:30:00Z",
			"a@example.org 2000-01-03T05:00:00Z", "b@example.org 2000-01-03T05:00:00Z", "c@example.org 2000-01-03T10:30:00Z",
		}, got)
		require.Equal(t, "1/2000-01-03T05:00:00Z/a@example.org", c.letters[3].DedupeKey)
		require.Contains(t, c.list[3].LastError, `no report is called "horoscope"`)
		require.Contains(t, c.list[4].LastError, "there is no unit on it")
		require.Contains(t, c.letters[1].Subject, "NOR: audit of the season 2024–25")
		require.Contains(t, c.list[6].LastError, "rimeyard audit --keep")
		require.True(t, c.list[4].LastSlot.Equal(start), "what could not be made stays due")
	})
}
