package web

import (
	"net/http"
	"strings"
	"time"

	"github.com/alexedwards/scs/v2"
	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// A sign-in lasts one shift at most, and a coffee break's multiple when nobody looks. Common practice, no source.
const (
	SessionIdle     = 4 * time.Hour
	sessionLifetime = 14 * time.Hour
)

const (
	sessionPerson      = "person"
	sessionFingerprint = "fingerprint"
)

// newSessions leaves the idle time to the store: were it kept here, each request would write the session anew, and a
// picture still on its way could bring back a session that its person has just ended.
func newSessions(kept scs.Store, secure bool) *scs.SessionManager {
	m := scs.New()
	m.Store = kept
	m.Lifetime = sessionLifetime
	m.Cookie.Name = "rimeyard"
	if secure {
		m.Cookie.Name = "__Host-rimeyard" // browsers take it by TLS from this very host only
	}
	m.Cookie.HttpOnly = true
	m.Cookie.SameSite = http.SameSiteLaxMode
	m.Cookie.Secure = secure
	m.Cookie.Persist = false
	return m
}

// whoAsks finds the person of the session, or the holder of the token, as far as the rule has a use for them. A session
// whose person is gone, disabled or has a new password is nobody's.
func (s *Server) whoAsks(c echo.Context, r rule) (viewer, error) {
	req := c.Request()
	ctx := req.Context()
	if bearer, ok := strings.CutPrefix(req.Header.Get(echo.HeaderAuthorization), "Bearer "); ok && r.token != "" {
		t, found, err := s.store.UseToken(ctx, hashToken(strings.TrimSpace(bearer)))
		if err != nil {
			return viewer{}, err
		}
		if !found {
			return viewer{}, errToken
		}
		return viewer{token: t}, nil
	}
	if r.blind {
		return viewer{}, nil
	}
	var token string
	if cookie, err := req.Cookie(s.sessions.Cookie.Name); err == nil {
		token = cookie.Value
	}
	ctx, err := s.sessions.Load(ctx, token)
	if err != nil {
		return viewer{}, err
	}
	c.SetRequest(req.WithContext(ctx))
	name := s.sessions.GetString(ctx, sessionPerson)
	if name == "" {
		return s.phoneAsks(c, r)
	}
	p, found, err := s.store.Person(ctx, name)
	if err != nil {
		return viewer{}, err
	}
	if !found || p.Disabled || s.sessions.GetString(ctx, sessionFingerprint) != fingerprint(p) {
		return s.phoneAsks(c, r)
	}
	c.SetRequest(c.Request().WithContext(fleet.Acting(ctx, p.Name)))
	return viewer{person: p}, nil
}
