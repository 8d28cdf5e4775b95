package reports

import (
	"bytes"
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"errors"
	"io"
	"log"
	"math/big"
	"net"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-sasl"
	"github.com/emersion/go-smtp"
	"github.com/stretchr/testify/require"
)

// mailServer is a real SMTP server on a loopback port, which can be made to misbehave.
type mailServer struct {
	Addr  string
	Trust *tls.Config // what a client must trust

	mu       sync.Mutex
	accepted []string // Message-IDs, in the order of acceptance
	bodies   [][]byte
	onRcpt   func(to string) error
	onData   func(c *smtp.Conn) error // after the message was read and, where nil is returned, taken
	logins   []string
	open     int // sessions
}

const (
	mailUser = "rime"
	mailPass = "p@ss/word"
)

// mode says how the server speaks TLS.
type mode int

const (
	withSTARTTLS mode = iota
	withoutTLS
	withTLS
)

func newMailServer(t *testing.T, how mode) *mailServer {
	t.Helper()
	own, trust := certificate(t)
	m := &mailServer{Trust: trust}
	s := smtp.NewServer(smtp.BackendFunc(func(c *smtp.Conn) (smtp.Session, error) {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.open++
		return &mailSession{server: m, conn: c}, nil
	}))
	s.Domain, s.MaxMessageBytes, s.ErrorLog = "mail.example.org", 10<<20, log.New(io.Discard, "", 0)
	if how != withoutTLS {
		s.TLSConfig = own
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	require.NoError(t, err)
	m.Addr = l.Addr().String()
	if how == withTLS {
		l = tls.NewListener(l, own)
	}
	served := make(chan error, 1)
	go func() { served <- s.Serve(l) }()
	t.Cleanup(func() {
		require.NoError(t, s.Close())
		require.NoError(t, <-served)
	})
	return m
}

func certificate(t *testing.T) (own, trust *tls.Config) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	require.NoError(t, err)
	template := x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "mail.example.org"}, NotBefore: time.Now().Add(-time.Hour),
		NotAfter: time.Now().Add(time.Hour), IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
	}
	der, err := x509.CreateCertificate(rand.Reader, &template, &template, key.Public(), key)
	require.NoError(t, err)
	parsed, err := x509.ParseCertificate(der)
	require.NoError(t, err)
	pool := x509.NewCertPool()
	pool.AddCert(parsed)
	return &tls.Config{Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}, MinVersion: tls.VersionTLS12},
		&tls.Config{RootCAs: pool, ServerName: "127.0.0.1", MinVersion: tls.VersionTLS12}
}

func (m *mailServer) ids() []string {
	m.mu.Lock()
	defer m.mu.Unlock()
	return slices.Clone(m.accepted)
}

// quiet tells that no session is open, so that nothing more will be taken of what was sent so far.
func (m *mailServer) quiet() bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.open == 0
}

// arrivals are the messages taken, by Message-ID.
func (m *mailServer) arrivals() map[string][]string {
	m.mu.Lock()
	defer m.mu.Unlock()
	byID := map[string][]string{}
	for i, id := range m.accepted {
		byID[id] = append(byID[id], string(m.bodies[i]))
	}
	return byID
}

type mailSession struct {
	server *mailServer
	conn   *smtp.Conn
}

func (*mailSession) AuthMechanisms() []string { return []string{sasl.Plain} }

func (s *mailSession) Auth(string) (sasl.Server, error) {
	return sasl.NewPlainServer(func(_, user, pass string) error {
		if user != mailUser || pass != mailPass {
			return smtp.ErrAuthFailed
		}
		s.server.mu.Lock()
		defer s.server.mu.Unlock()
		s.server.logins = append(s.server.logins, user)
		return nil
	}), nil
}

func (*mailSession) Reset()                               {}
func (*mailSession) Mail(string, *smtp.MailOptions) error { return nil }

func (s *mailSession) Logout() error {
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	s.server.open--
	return nil
}

func (s *mailSession) Rcpt(to string, _ *smtp.RcptOptions) error {
	if s.server.onRcpt == nil {
		return nil
	}
	return s.server.onRcpt(to)
}

func (s *mailSession) Data(r io.Reader) error {
	b, err := io.ReadAll(r)
	if err != nil {
		return err
	}
	msg, err := mail.ReadMessage(bytes.NewReader(b))
	if err != nil {
		return err
	}
	if s.server.onData != nil {
		if err := s.server.onData(s.conn); err != nil && !errors.Is(err, errTakenButUnheard) {
			return err
		}
	}
	s.server.mu.Lock()
	defer s.server.mu.Unlock()
	s.server.accepted = append(s.server.accepted, strings.Trim(msg.Header.Get("Message-ID"), "<>"))
	s.server.bodies = append(s.server.bodies, b)
	return nil
}

// errTakenButUnheard has the server take a message though its connection is gone.
var errTakenButUnheard = errors.New("taken, but nobody heard it")

func dropConnection(c *smtp.Conn) error {
	return errors.Join(errTakenButUnheard, c.Conn().Close())
}
