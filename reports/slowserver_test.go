package reports

import (
	"bufio"
	"context"
	"net"
	"net/textproto"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
	"rimeyard/internal/store"
)

// slowServer speaks SMTP on a loopback port and falls silent at a step, the connection left open.
type slowServer struct {
	addr string

	mu     sync.Mutex
	silent string // the step; empty: none
	taken  int
	silted int // how often it fell silent
}

// steps of a delivery, in their order. At "greeting" nothing is ever said.
var steps = []string{"greeting", "EHLO", "MAIL", "RCPT", "DATA", "dot", "QUIT"}

func newSlowServer(t *testing.T, silent string) *slowServer {
	t.Helper()
	l, err := (&net.ListenConfig{}).Listen(t.Context(), "tcp", "127.0.0.1:0")
	require.NoError(t, err)
	s := &slowServer{addr: l.Addr().String(), silent: silent}
	var served sync.WaitGroup
	served.Go(func() {
		for {
			conn, err := l.Accept()
			if err != nil {
				return
			}
			served.Go(func() { s.serve(conn) })
		}
	})
	t.Cleanup(func() {
		require.NoError(t, l.Close())
		served.Wait() // each connection ends when the client hangs up
	})
	return s
}

func (s *slowServer) serve(conn net.Conn) {
	defer conn.Close()
	text := textproto.NewReader(bufio.NewReader(conn))
	say := func(step, line string) {
		s.mu.Lock()
		defer s.mu.Unlock()
		if s.silent == step {
			s.silted++
			return
		}
		_, _ = conn.Write([]byte(line + "\r\n"))
	}
	say("greeting", "220 slow.example.org")
	for {
		line, err := text.ReadLine()
		if err != nil {
			return
		}
		verb, _, _ := strings.Cut(strings.ToUpper(line), " ")
		switch verb {
		case "DATA":
			say("DATA", "354 go on")
			if _, err := text.ReadDotBytes(); err != nil {
				return
			}
			s.mu.Lock()
			s.taken++
			s.mu.Unlock()
			say("dot", "250 taken")
		case "QUIT":
			say("QUIT", "221 bye")
			return
		default:
			say(verb, "250 yes")
		}
	}
}

func (s *slowServer) heal() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.silent = ""
}

func (s *slowServer) sender(t *testing.T) *SMTP {
	t.Helper()
	sender, err := ParseSMTP("smtp://" + s.addr + "?from=rime@example.org")
	require.NoError(t, err)
	sender.patience = patience{connect: time.Minute, reply: time.Minute, message: time.Minute, accept: time.Minute, stop: time.Second}
	return sender
}

// hurryAt has little patience at a step, and at those that share it.
func (s *SMTP) hurryAt(step string) {
	const little = time.Second // a busy machine takes some of it for steps that are answered
	switch step {
	case "greeting", "EHLO":
		s.patience.connect = little
	case "MAIL", "RCPT", "DATA":
		s.patience.reply = little
	case "dot":
		s.patience.accept = little
	}
}

// A server that falls silent, at whatever step, costs a try and no letter. Only silence after the message may bring it twice.
func TestASilentServerLosesNoLetter(t *testing.T) {
	l := someLetter(t, "slow")
	for _, step := range steps {
		t.Run(step, func(t *testing.T) {
			t.Parallel()
			db := store.New(pgtest.New(t))
			s := newSlowServer(t, step)
			_, err := db.QueueLetters(t.Context(), []fleet.Letter{l})
			require.NoError(t, err)
			clock := l.DueAt
			sender := s.sender(t)
			sender.hurryAt(step)
			p := Postman{Outbox: db, Sender: sender, Now: func() time.Time { return clock }, Log: quietLog()}
			_, err = p.Drain(t.Context())
			require.NoError(t, err)
			stuck, err := db.Letters(t.Context(), false)
			require.NoError(t, err)
			s.mu.Lock()
			require.Equal(t, 1, s.silted)
			s.mu.Unlock()
			if step == "QUIT" { // what is said to a goodbye changes nothing
				require.Empty(t, stuck)
				require.Equal(t, 1, s.taken)
				return
			}
			require.Len(t, stuck, 1)
			require.Contains(t, stuck[0].LastError, "timeout")
			require.True(t, stuck[0].GivenUpAt.IsZero())
			require.True(t, stuck[0].DueAt.Equal(clock.Add(firstWait)))

			s.heal()
			p.Sender = s.sender(t)
			clock = clock.Add(firstWait)
			tried, err := p.Drain(t.Context())
			require.NoError(t, err)
			require.Equal(t, 1, tried)
			stuck, err = db.Letters(t.Context(), false)
			require.NoError(t, err)
			require.Empty(t, stuck)
			s.mu.Lock()
			defer s.mu.Unlock()
			want := 1
			if step == "dot" {
				want = 2
			}
			require.Equal(t, want, s.taken)
		})
	}
}

// The steps together must end before the store gives a held letter to somebody else.
func TestPatienceStaysBelowTheStoresLimit(t *testing.T) {
	p := usualPatience
	const storeHolds = 20 * time.Minute
	require.Less(t, 3*p.connect+3*p.reply+p.message+p.accept+p.stop, storeHolds)
	require.GreaterOrEqual(t, p.accept, 10*time.Minute, "RFC 5321 §4.5.3.2.6")
}

func TestWhoIsAskedToStopWaitsNoLonger(t *testing.T) {
	for _, step := range []string{"RCPT", "dot"} {
		t.Run(step, func(t *testing.T) {
			s := newSlowServer(t, step)
			sender := s.sender(t)
			sender.patience.reply, sender.patience.accept = time.Hour, time.Hour
			ctx, cancel := context.WithCancel(t.Context())
			sent, l := make(chan error, 1), someLetter(t, "stop")
			go func() { sent <- sender.Send(ctx, l) }()
			require.Eventually(t, func() bool {
				s.mu.Lock()
				defer s.mu.Unlock()
				return s.silted == 1
			}, 10*time.Second, time.Millisecond)
			cancel()
			select {
			case err := <-sent:
				require.ErrorContains(t, err, "timeout")
			case <-time.After(10 * time.Second):
				t.Fatal("it still waits")
			}
		})
	}
}

func TestOneRefusedRecipientHoldsUpNobody(t *testing.T) {
	db := store.New(pgtest.New(t))
	m := newMailServer(t, withSTARTTLS)
	m.onRcpt = func(to string) error {
		if to == "bo@example.org" {
			return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such user"}
		}
		return nil
	}
	c, err := someContent()
	require.NoError(t, err)
	letters, err := c.Letters("rime@example.org", []string{"ada@example.org", "bo@example.org", "cy@example.org"}, "9/slot", crashNow)
	require.NoError(t, err)
	_, err = db.QueueLetters(t.Context(), letters)
	require.NoError(t, err)
	p := Postman{Outbox: db, Sender: m.sender(t, "smtp+starttls", goodLogin), Now: func() time.Time { return crashNow }, Log: quietLog()}
	tried, err := p.Drain(t.Context())
	require.NoError(t, err)
	require.Equal(t, 3, tried)
	require.ElementsMatch(t, []string{letters[0].MessageID, letters[2].MessageID}, m.ids())
	stuck, err := db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Len(t, stuck, 1)
	require.Equal(t, "bo@example.org", stuck[0].To)
	require.False(t, stuck[0].GivenUpAt.IsZero())
	require.Contains(t, stuck[0].LastError, "no such user")

	m.onRcpt = nil // the mailbox was made meanwhile, and somebody asks for another try
	found, err := db.RetryLetter(t.Context(), stuck[0].ID, crashNow)
	require.NoError(t, err)
	require.True(t, found)
	_, err = p.Drain(t.Context())
	require.NoError(t, err)
	require.Contains(t, m.ids(), letters[1].MessageID)
	stuck, err = db.Letters(t.Context(), false)
	require.NoError(t, err)
	require.Empty(t, stuck)
}
