package web

import (
	"context"
	"encoding/base64"
	"net/http"
	"net/url"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// Settings is what the pages of the settings read and change. Whoever is acting in the context is put down as who changed it.
type Settings interface {
	PeopleSettings
	TokenSettings
	ScheduleSettings
	LetterSettings
	// Changes lists who changed what, newest first.
	Changes(ctx context.Context, limit int) ([]fleet.Change, error)
}

// settingsFrame is what is round every page of the settings.
type settingsFrame struct {
	pageFrame
	Parts []menuItem
	Said  string // what was just done; shown once
}

// settingsParts are the parts of the settings, in the order in which they are shown.
var settingsParts = []menuItem{
	{Text: "Overview", Href: "/settings"},
	{Text: "My account", Href: "/settings/account"},
	{Text: "Schedules", Href: "/settings/schedules"},
	{Text: "Letters", Href: "/settings/letters"},
	{Text: "People", Href: "/settings/people"},
	{Text: "Tokens", Href: "/settings/tokens"},
}

func (s *Server) settingsFrame(c echo.Context, title string) settingsFrame {
	f := settingsFrame{pageFrame: s.frame(c, title)}
	for _, part := range settingsParts {
		if mayOpen(viewerOf(c).person.Role, part.Href) {
			part.Here = c.Path() == part.Href
			f.Parts = append(f.Parts, part)
		}
	}
	if isRead(c.Request().Method) {
		f.Said = s.takeSaid(c)
	}
	return f
}

// viewersZone is the zone of the depots that the asker may see, or UTC where they have several.
func (s *Server) viewersZone(c echo.Context) (*time.Location, error) {
	depots, err := s.visibleDepots(c.Request().Context(), viewerOf(c))
	return commonZone(depots), err
}

// saidCookie carries a sentence about what was done over the redirect that follows it. It is no part of the session: that is
// written at sign-in and sign-out only.
func (s *Server) saidCookie(value string, maxAge int) *http.Cookie {
	name := "rimeyard-said"
	if s.secure {
		name = "__Host-rimeyard-said"
	}
	return &http.Cookie{
		Name: name, Value: value, Path: "/", MaxAge: maxAge, HttpOnly: true, Secure: s.secure, SameSite: http.SameSiteLaxMode,
	}
}

// done redirects to a page after a change and lets it say what was done.
func (s *Server) done(c echo.Context, to, said string) error {
	const patience = 60 // seconds until the next page is asked for
	c.SetCookie(s.saidCookie(base64.RawURLEncoding.EncodeToString([]byte(said)), patience))
	return c.Redirect(http.StatusSeeOther, to)
}

// takeSaid reads the sentence of the page before, once.
func (s *Server) takeSaid(c echo.Context) string {
	const longest = 400 // bytes; ours are shorter
	cookie, err := c.Request().Cookie(s.saidCookie("", 0).Name)
	if err != nil {
		return ""
	}
	c.SetCookie(s.saidCookie("", -1))
	said, err := base64.RawURLEncoding.DecodeString(cookie.Value)
	if err != nil || len(said) > longest || !utf8.Valid(said) {
		return ""
	}
	return string(said)
}

// sentence writes an error as one: a capital first, a full stop last.
func sentence(err error) string {
	text := err.Error()
	first, n := utf8.DecodeRuneInString(text)
	text = string(unicode.ToUpper(first)) + text[n:]
	if !strings.HasSuffix(text, ".") {
		text += "."
	}
	return text
}

// secretPage is all that settings-secret.tmpl prints: something that is shown this once. The answer is never kept by a browser.
type secretPage struct {
	settingsFrame
	Done   string // what was done
	What   string // what the secret is
	Secret string
	Advice string
	Back   menuItem
}

// confirmPage is all that settings-confirm.tmpl prints: the question before something is ended.
type confirmPage struct {
	settingsFrame
	Means  []string // what will happen, in sentences
	Action string   // where to send the yes
	Button string
	Back   menuItem
	Wrong  string // why it cannot be done
}

func (s *Server) confirm(c echo.Context, status int, page confirmPage) error {
	page.settingsFrame = s.settingsFrame(c, page.Title)
	return s.render(c, status, "settings-confirm.tmpl", page)
}

// pathName is a name that stands in the path; names have nothing in them that need be escaped, but browsers may.
func pathName(c echo.Context, param string) string {
	name, err := url.PathUnescape(c.Param(param))
	if err != nil {
		return c.Param(param)
	}
	return name
}
