package web

import (
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

type signInPage struct {
	pageFrame
	Name  string // as typed at the last try
	Next  string // where to go after; a path of ours
	Wrong string // why the last try failed
}

func (s *Server) signInForm(c echo.Context) error {
	next := ownPath(c.QueryParam("next"))
	if viewerOf(c).person.Name != "" {
		return c.Redirect(http.StatusSeeOther, next)
	}
	return s.render(c, http.StatusOK, "signin.tmpl", signInPage{pageFrame: s.frame(c, "Sign in"), Next: next})
}

// signIn takes as long for a name that nobody has as for one that somebody has, and says the same.
func (s *Server) signIn(c echo.Context) error {
	if err := readForm(c); err != nil {
		return err
	}
	name, password := strings.ToLower(strings.TrimSpace(c.FormValue("name"))), c.FormValue("password")
	next := ownPath(c.FormValue("next"))
	ctx, address := c.Request().Context(), c.RealIP()
	again := func(status int, why string) error {
		page := signInPage{pageFrame: s.frame(c, "Sign in"), Name: name, Next: next, Wrong: why}
		return s.render(c, status, "signin.tmpl", page)
	}
	if name == "" || password == "" || len(password) > maxPasswordLength || len(name) > maxPasswordLength {
		return again(http.StatusUnprocessableEntity, "Enter your name and your password.")
	}
	allowed, err := s.store.BeginSignIn(ctx, name, address, tryLimit)
	if err != nil {
		return err
	}
	if !allowed {
		return tooManyError{triesWindow}
	}
	p, found, err := s.store.Person(ctx, name)
	if err != nil {
		return err
	}
	right, err := s.passwords.matches(ctx, password, p.PasswordHash)
	if err != nil {
		return fmt.Errorf("check a password: %w", err)
	}
	if !right || !found || p.Disabled {
		s.log.InfoContext(ctx, "sign-in refused", "address", address, "person_known", found, "person_disabled", p.Disabled)
		return again(http.StatusUnauthorized, "Name and password do not match. Try again, or ask an administrator for a new password.")
	}
	if err := s.store.SignedIn(ctx, name, address); err != nil {
		return err
	}
	if err := s.beginSession(c, p); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, next)
}

// beginSession puts the person under a new token, so that one planted in the browser before is worth nothing.
func (s *Server) beginSession(c echo.Context, p fleet.Person) error {
	ctx := c.Request().Context()
	if err := s.sessions.RenewToken(ctx); err != nil {
		return fmt.Errorf("begin a session: %w", err)
	}
	s.sessions.Put(ctx, sessionPerson, p.Name)
	s.sessions.Put(ctx, sessionFingerprint, fingerprint(p))
	token, expiry, err := s.sessions.Commit(ctx)
	if err != nil {
		return fmt.Errorf("begin a session: %w", err)
	}
	s.sessions.WriteSessionCookie(ctx, c.Response(), token, expiry)
	return nil
}

func (s *Server) signOut(c echo.Context) error {
	ctx := c.Request().Context()
	if err := s.sessions.Destroy(ctx); err != nil {
		return fmt.Errorf("end a session: %w", err)
	}
	s.sessions.WriteSessionCookie(ctx, c.Response(), "", time.Time{})
	return c.Redirect(http.StatusSeeOther, "/sign-in")
}

func readForm(c echo.Context) error {
	const form = "application/x-www-form-urlencoded"
	got := c.Request().Header.Get(echo.HeaderContentType)
	if kind, _, _ := strings.Cut(got, ";"); strings.TrimSpace(kind) != form {
		return wrongMediaError{form, got}
	}
	if err := c.Request().ParseForm(); err != nil {
		return badRequestError{fmt.Errorf("read the form: %w", err)}
	}
	return nil
}

func signInURL(next string) string {
	return "/sign-in?" + url.Values{"next": {next}}.Encode()
}

// ownPath keeps next to a path of this site: a link must not send people elsewhere once they have signed in.
func ownPath(next string) string {
	u, err := url.Parse(next)
	if err != nil || u.IsAbs() || u.Host != "" || u.User != nil || !strings.HasPrefix(next, "/") ||
		strings.HasPrefix(next, "//") || strings.ContainsAny(next, "\\\r\n\t") {
		return "/"
	}
	return next
}
