package reports

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// With crashAt set to this, the test binary queues and delivers without end, a minute of its own clock after the other, from the
// time given on.
const (
	crashAnywhere = "anywhere"
	crashClock    = "RIMEYARD_TEST_CLOCK"
	doomed        = "doomed" // what the database knows its connections by
	atWork        = "at work"
	roundDone     = "all that was due is sent"
)

// gatherPlain is a list without pictures: they take long to draw, and most kills would fall there.
func gatherPlain(ctx context.Context, a Asked) (WinterListData, error) {
	d, err := gatherSome(ctx, a)
	d.PastMinimaC = nil
	return d, err
}

func plainDesk(db *store.DB, from string) Desk {
	d := deskOf(db, from)
	d.Kinds = Kinds{WinterListKind(gatherPlain, 3)}
	d.Site = &url.URL{Scheme: "https", Host: "rime.example.org"}
	return d
}

func workUntilKilled(ctx context.Context, database, mailURL, clock string) error {
	db, err := store.Open(ctx, database)
	if err != nil {
		return err
	}
	sender, err := ParseSMTP(mailURL)
	if err != nil {
		return err
	}
	now, err := time.Parse(time.RFC3339, clock)
	if err != nil {
		return err
	}
	fmt.Println(atWork)
	for ; ; now = now.Add(time.Minute) {
		at := func() time.Time { return now }
		if _, err := (Scheduler{Schedules: db, Desk: plainDesk(db, sender.From()), Now: at, Log: quietLog()}).QueueDue(ctx); err != nil {
			return err
		}
		if _, err := (Postman{Outbox: db, Sender: sender, Now: at, Log: quietLog()}).Drain(ctx); err != nil {
			return err
		}
		fmt.Println(roundDone)
	}
}

// shooting is the ground on which programs are killed, with what has been counted so far.
type shooting struct {
	t        *testing.T
	db       *store.DB
	mail     *mailServer
	database string // as the doomed reach it
	arrived  map[string]int
	repeats  map[string]int // letters taken by the mail server when a kill kept us from noting it: each will come once more
}

// begin lets a program begin its work and returns once it has.
func (s *shooting) begin(now time.Time) (*exec.Cmd, *bufio.Reader) {
	s.t.Helper()
	child := exec.CommandContext(s.t.Context(), os.Args[0])
	child.Env = append(os.Environ(), crashAt+"="+crashAnywhere, crashDatabase+"="+s.database, crashMail+"=smtp://"+s.mail.Addr+"?from=rime@example.org",
		crashClock+"="+now.Format(time.RFC3339))
	child.Stderr = os.Stderr
	out, err := child.StdoutPipe()
	require.NoError(s.t, err)
	require.NoError(s.t, child.Start())
	said := bufio.NewReader(out)
	line, err := said.ReadString('\n')
	require.NoError(s.t, err)
	require.Equal(s.t, atWork+"\n", line)
	return child, said
}

// round is how long a program takes here to queue and deliver once.
func (s *shooting) round(now time.Time) time.Duration {
	s.t.Helper()
	child, said := s.begin(now)
	began := time.Now()
	line, err := said.ReadString('\n')
	require.NoError(s.t, err)
	require.Equal(s.t, roundDone+"\n", line)
	took := time.Since(began)
	require.NoError(s.t, child.Process.Kill())
	require.ErrorContains(s.t, child.Wait(), "signal: killed")
	return took
}

// kill lets a program begin its work and kills it after that time.
func (s *shooting) kill(now time.Time, after time.Duration) {
	s.t.Helper()
	child, _ := s.begin(now)
	time.AfterFunc(after, func() { _ = child.Process.Kill() })
	require.ErrorContains(s.t, child.Wait(), "signal: killed")
}

// settle waits until database and mail server have noticed the death, and counts which letters must come again: those that the mail
// server took from the dead and of which we do not know it.
func (s *shooting) settle() {
	s.t.Helper()
	const living = `SELECT count(*) FROM pg_stat_activity WHERE datname = current_database() AND application_name = '` + doomed + `'`
	require.Eventually(s.t, func() bool {
		n := 0
		require.NoError(s.t, s.db.Pool().QueryRow(s.t.Context(), living).Scan(&n))
		return n == 0 && s.mail.quiet()
	}, 30*time.Second, 2*time.Millisecond)
	arrivals := s.mail.arrivals()
	unsent, err := s.db.Letters(s.t.Context(), false)
	require.NoError(s.t, err)
	unnoted := 0
	for _, l := range unsent {
		if len(arrivals[l.MessageID]) > s.arrived[l.MessageID] {
			s.repeats[l.MessageID]++
			unnoted++
		}
	}
	require.LessOrEqual(s.t, unnoted, 1, "one program holds one letter at a time")
	s.arrived = map[string]int{}
	for id, copies := range arrivals {
		s.arrived[id] = len(copies)
	}
}

// Whenever a program is killed while it schedules and delivers, every letter arrives. One arrives again only where the kill fell after
// the mail server had taken it and before we had noted so, with the same Message-ID and the same bytes.
func TestTwoHundredKillsLoseNoLetter(t *testing.T) {
	const kills = 200
	seed := uint64(time.Now().UnixNano())
	random := rand.New(rand.NewPCG(seed, 1))
	database := pgtest.URL(t)
	reach, err := url.Parse(database)
	require.NoError(t, err)
	query := reach.Query()
	query.Set("application_name", doomed)
	reach.RawQuery = query.Encode()
	s := &shooting{t: t, db: newSchedule(t, database), mail: newMailServer(t, withoutTLS), database: reach.String(), arrived: map[string]int{}, repeats: map[string]int{}}
	_, err = s.db.AddPerson(t.Context(), fleet.Person{Name: "mara", Email: "mara@example.org", Role: fleet.Manager, AllDepots: true})
	require.NoError(t, err)
	for _, depot := range []fleet.DepotID{"", "NOR"} {
		_, err = s.db.AddSchedule(t.Context(), fleet.Schedule{
			Report: WinterListName, Depot: depot, Recipients: []string{"role:manager", "cy@example.org"}, Cron: "* * * * *", Timezone: "Europe/Oslo",
			Attach: []fleet.Attachment{fleet.AttachCSV}, LastSlot: crashSlot.AddDate(0, 0, -1), Enabled: true,
		}, "by the test")
		require.NoError(t, err)
	}
	now := crashNow
	const mostRounds = 1.5 // at random within one round and the next
	most := min(mostRounds*s.round(now).Seconds(), 0.6)
	s.settle()
	for range kills {
		now = now.Add(time.Hour)
		s.kill(now, time.Duration(most*random.Float64()*float64(time.Second)))
		s.settle()
	}
	now = now.Add(time.Hour)
	s.finish(now)
	repeated := s.judge()
	t.Logf("seed %d: %d kills, %d letters, %d of them came again", seed, kills, len(s.arrived), repeated)
}

// finish delivers what the last of the killed has left.
func (s *shooting) finish(now time.Time) {
	s.t.Helper()
	sender, err := ParseSMTP("smtp://" + s.mail.Addr + "?from=rime@example.org")
	require.NoError(s.t, err)
	at := func() time.Time { return now }
	_, err = Scheduler{Schedules: s.db, Desk: plainDesk(s.db, sender.From()), Now: at, Log: quietLog()}.QueueDue(s.t.Context())
	require.NoError(s.t, err)
	_, err = Postman{Outbox: s.db, Sender: sender, Now: at, Log: quietLog()}.Drain(s.t.Context())
	require.NoError(s.t, err)
}

// judge holds what arrived against what was queued, and counts the letters that came more than once.
func (s *shooting) judge() (repeated int) {
	s.t.Helper()
	letters, err := s.db.Letters(s.t.Context(), true)
	require.NoError(s.t, err)
	arrivals := s.mail.arrivals()
	require.Len(s.t, arrivals, len(letters), "what arrived was queued, and what was queued arrived")
	slots := map[string]int{}
	for _, l := range letters {
		require.False(s.t, l.SentAt.IsZero(), "%s waits", l.DedupeKey)
		copies := arrivals[l.MessageID]
		require.Len(s.t, copies, 1+s.repeats[l.MessageID], "%s", l.DedupeKey)
		for _, again := range copies[1:] {
			require.Equal(s.t, copies[0], again)
			repeated++
		}
		slots[l.DedupeKey[:strings.LastIndexByte(l.DedupeKey, '/')]]++
		s.arrived[l.MessageID] = len(copies)
	}
	for slot, n := range slots {
		require.Equal(s.t, 2, n, "a slot's letters are queued together: %s", slot)
	}
	schedules, err := s.db.Schedules(s.t.Context())
	require.NoError(s.t, err)
	for _, sc := range schedules {
		require.Empty(s.t, sc.LastError)
		require.Contains(s.t, slots, fmt.Sprintf("%d/%s", sc.ID, sc.LastSlot.UTC().Format(time.RFC3339)), "what is dealt with has its letters")
	}
	return repeated
}
