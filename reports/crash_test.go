package reports

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"os/exec"
	"slices"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgxpool"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// The test binary is also the program that dies: with this set it queues and delivers once, and kills itself with
// SIGKILL at the named point, so that nothing of it gets a chance to tidy up.
const (
	crashAt       = "RIMEYARD_TEST_CRASH_AT"
	crashDatabase = "RIMEYARD_TEST_DATABASE"
	crashMail     = "RIMEYARD_TEST_MAIL"
)

func TestMain(m *testing.M) {
	switch point := os.Getenv(crashAt); point {
	case "":
	case crashAnywhere:
		err := workUntilKilled(context.Background(), os.Getenv(crashDatabase), os.Getenv(crashMail), os.Getenv(crashClock))
		fmt.Fprintln(os.Stderr, "stopped by itself:", err)
		os.Exit(1)
	default:
		err := queueAndDeliver(context.Background(), os.Getenv(crashDatabase), os.Getenv(crashMail), point)
		fmt.Fprintln(os.Stderr, "came through alive:", err)
		os.Exit(1)
	}
	os.Exit(m.Run())
}

func dieAt(here, point string) {
	if here == point {
		_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		select {}
	}
}

// slot is a Monday, six in the morning at the depot; now is a little later.
var (
	crashSlot = time.Date(2025, 10, 13, 4, 0, 0, 0, time.UTC)
	crashNow  = crashSlot.Add(90 * time.Second)
)

// fragileStore dies before it asks the database, and before a transaction that has queued or marked is committed.
type fragileStore struct {
	*store.DB
	point string
}

func (f fragileStore) AdvanceSchedule(ctx context.Context, id int64, run fleet.Run) (bool, error) {
	dieAt("before queueing", f.point)
	ok, err := f.DB.AdvanceSchedule(ctx, id, run)
	dieAt("after queueing", f.point)
	return ok, err
}

type commitTracer struct{ point string }

func (c commitTracer) TraceQueryStart(ctx context.Context, _ *pgx.Conn, q pgx.TraceQueryStartData) context.Context {
	if strings.EqualFold(q.SQL, "commit") {
		dieAt("before the queueing is committed", c.point)
	}
	if strings.HasPrefix(q.SQL, "UPDATE outbox") {
		dieAt("before the mark", c.point)
	}
	return ctx
}

func (commitTracer) TraceQueryEnd(context.Context, *pgx.Conn, pgx.TraceQueryEndData) {}

type fragileSender struct {
	Sender
	point string
}

func (f fragileSender) Send(ctx context.Context, l fleet.Letter) error {
	dieAt("before sending", f.point)
	err := f.Sender.Send(ctx, l)
	dieAt("after acceptance", f.point)
	return err
}

func queueAndDeliver(ctx context.Context, database, mailURL, point string) error {
	config, err := pgxpool.ParseConfig(database)
	if err != nil {
		return err
	}
	config.ConnConfig.Tracer = commitTracer{point}
	pool, err := pgxpool.NewWithConfig(ctx, config)
	if err != nil {
		return err
	}
	defer pool.Close()
	sender, err := ParseSMTP(mailURL)
	if err != nil {
		return err
	}
	db := fragileStore{store.New(pool), point}
	log := slog.New(slog.NewTextHandler(io.Discard, nil))
	now := func() time.Time { return crashNow }
	s := Scheduler{Schedules: db, Desk: deskOf(db.DB, sender.From()), Now: now, Log: log}
	_, err = s.QueueDue(ctx)
	_, drained := Postman{Outbox: db, Sender: fragileSender{sender, point}, Now: now, Log: log}.Drain(ctx)
	return errors.Join(err, drained)
}

func gatherSome(_ context.Context, a Asked) (WinterListData, error) {
	d := someData()
	d.Today, d.Mark = a.Today, "1"
	return d, nil
}

// deskOf writes winter lists for the people and subscriptions of a database. Everybody may see all kinds.
func deskOf(db *store.DB, from string) Desk {
	return Desk{
		Kinds: Kinds{WinterListKind(gatherSome, 0)}, People: db, Subscriptions: db, From: from,
		May: func(fleet.Role, string) bool { return true },
	}
}

// newSchedule makes a database with a depot and a schedule that has a letter to each of two people due at crashSlot.
func newSchedule(t *testing.T, database string) *store.DB {
	t.Helper()
	db, err := store.Open(t.Context(), database)
	require.NoError(t, err)
	t.Cleanup(db.Close)
	_, err = db.Pool().Exec(t.Context(), `INSERT INTO depot (depot, name, timezone) VALUES ('NOR', 'Nørdlund yard', 'Europe/Oslo')`)
	require.NoError(t, err)
	_, err = db.AddSchedule(t.Context(), fleet.Schedule{
		Report: WinterListName, Depot: "NOR", Recipients: []string{"ada@example.org", "bo@example.org"},
		Cron: "0 6 * * MON", Timezone: "Europe/Oslo", LastSlot: crashSlot.AddDate(0, 0, -7), Enabled: true,
	}, "by the test")
	require.NoError(t, err)
	return db
}

func TestKilledAtAnyPointNoLetterIsLostAndNoneQueuedTwice(t *testing.T) {
	for point, want := range map[string]struct {
		queued   int // letters in the outbox after the kill
		accepted int // letters that the mail server has by then
		twice    int // letters that arrive a second time, recognisable by their Message-ID
	}{
		"before queueing":                  {0, 0, 0},
		"before the queueing is committed": {0, 0, 0},
		"after queueing":                   {2, 0, 0},
		"before sending":                   {2, 0, 0},
		"after acceptance":                 {2, 1, 1},
		"before the mark":                  {2, 1, 1},
	} {
		t.Run(point, func(t *testing.T) {
			database, m := pgtest.URL(t), newMailServer(t, withoutTLS)
			db := newSchedule(t, database)
			mailURL := "smtp://" + m.Addr + "?from=rime@example.org"

			child := exec.CommandContext(t.Context(), os.Args[0])
			child.Env = append(os.Environ(), crashAt+"="+point, crashDatabase+"="+database, crashMail+"="+mailURL)
			out, err := child.CombinedOutput()
			exit, died := errors.AsType[*exec.ExitError](err)
			require.True(t, died && exit.Sys().(syscall.WaitStatus).Signal() == syscall.SIGKILL, "%v: %s", err, out)

			letters, err := db.Letters(t.Context(), true)
			require.NoError(t, err)
			require.Len(t, letters, want.queued)
			require.Len(t, m.ids(), want.accepted)

			// Another server takes over, then a third finds nothing left to do. The server may still be tearing down the
			// dead connection, so what it held may have to be waited for.
			require.Eventually(t, func() bool {
				require.NoError(t, queueAndDeliver(t.Context(), database, mailURL, "nowhere"))
				letters, err = db.Letters(t.Context(), true)
				require.NoError(t, err)
				return len(letters) == 2 && !letters[0].SentAt.IsZero() && !letters[1].SentAt.IsZero()
			}, 30*time.Second, 20*time.Millisecond)
			require.NoError(t, queueAndDeliver(t.Context(), database, mailURL, "nowhere"))

			arrivals := map[string]int{}
			for _, id := range m.ids() {
				arrivals[id]++
			}
			require.Len(t, arrivals, 2, "each letter arrived")
			require.Len(t, m.ids(), 2+want.twice)
			for _, l := range letters {
				require.Contains(t, arrivals, l.MessageID)
			}
		})
	}
}

func TestServersSideBySideSendEachLetterOnce(t *testing.T) {
	database, m := pgtest.URL(t), newMailServer(t, withoutTLS)
	db := newSchedule(t, database)
	mailURL := "smtp://" + m.Addr + "?from=rime@example.org"
	var wg sync.WaitGroup
	errs := make([]error, 4)
	for i := range errs {
		wg.Go(func() { errs[i] = queueAndDeliver(t.Context(), database, mailURL, "nowhere") })
	}
	wg.Wait()
	require.NoError(t, errors.Join(errs...))
	require.NoError(t, queueAndDeliver(t.Context(), database, mailURL, "nowhere"))
	letters, err := db.Letters(t.Context(), true)
	require.NoError(t, err)
	require.Len(t, letters, 2)
	require.ElementsMatch(t, []string{letters[0].MessageID, letters[1].MessageID}, m.ids())
}

// Where the server took the letter but its answer was lost, the same Message-ID goes out again.
func TestUnheardAcceptanceBringsTheSameLetterAgain(t *testing.T) {
	database, m := pgtest.URL(t), newMailServer(t, withoutTLS)
	db := newSchedule(t, database)
	drops := 0
	m.onData = func(c *smtp.Conn) error {
		if drops++; drops == 1 {
			return dropConnection(c)
		}
		return nil
	}
	sender, err := ParseSMTP("smtp://" + m.Addr + "?from=rime@example.org")
	require.NoError(t, err)
	clock := crashNow
	now := func() time.Time { return clock }
	s := Scheduler{Schedules: db, Desk: deskOf(db, sender.From()), Now: now, Log: quietLog()}
	p := Postman{Outbox: db, Sender: sender, Now: now, Log: quietLog()}
	queued, err := s.QueueDue(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, queued)
	tried, err := p.Drain(t.Context())
	require.NoError(t, err)
	require.Equal(t, 2, tried)
	waiting, err := db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Len(t, waiting, 1)
	require.Contains(t, waiting[0].LastError, "after the message")
	require.True(t, waiting[0].DueAt.Equal(crashNow.Add(firstWait)))
	clock = clock.Add(firstWait)
	tried, err = p.Drain(t.Context())
	require.NoError(t, err)
	require.Equal(t, 1, tried)
	ids := m.ids()
	require.Len(t, ids, 3)
	require.Equal(t, waiting[0].MessageID, ids[2])
	first := slices.Index(ids, ids[2]) // the server may note the letter of the lost connection after the other one
	require.Less(t, first, 2)
	require.NotEqual(t, ids[0], ids[1])
	require.Equal(t, string(m.bodies[first]), string(m.bodies[2]))
}
