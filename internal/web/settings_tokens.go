package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// TokenSettings is what loggers and programs come in with, to be changed. Found and added are false where there is no such token, or
// one already.
type TokenSettings interface {
	Tokens(ctx context.Context) ([]fleet.Token, error)
	AddToken(ctx context.Context, t fleet.Token, sha256 [32]byte) (added bool, err error)
	RevokeToken(ctx context.Context, name string) (found bool, err error)
}

// tokensPage is all that settings-tokens.tmpl prints.
type tokensPage struct {
	settingsFrame
	Tokens           []tokenRow
	Zone             string // in which times are
	Wrong            string
	Name, Use, Depot formField
}

type tokenRow struct {
	Name, Use, Depot, Created, Used, State string
	Revoke                                 string // address of the question; empty: it is revoked
}

func (s *Server) tokensPage(c echo.Context) error {
	return s.showTokens(c, http.StatusOK, blankForm(url.Values{"use": {string(fleet.BringReadings)}, "depot": {""}}))
}

func (s *Server) showTokens(c echo.Context, status int, f *form) error {
	ctx := c.Request().Context()
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	tokens, err := s.store.Tokens(ctx)
	if err != nil {
		return err
	}
	depots, err := s.store.Depots(ctx)
	if err != nil {
		return err
	}
	page := tokensPage{
		settingsFrame: s.settingsFrame(c, "Tokens"), Zone: zone.String(), Wrong: f.summary(),
		Name: f.field(formField{ID: "name", Label: "Name", Hint: "Such as the logger that carries it. Up to 64 letters a to z, digits, and . _ @ + -", Kind: "text", Complete: "off"}),
		Use: f.field(formField{ID: "use", Label: "What it is good for", Kind: "radio", Choices: []choice{
			{Value: string(fleet.BringReadings), Text: "Bring readings, and nothing else"},
			{Value: string(fleet.ReadList), Text: "Read the winter list, tonight and the jobs, and change nothing"},
			{Value: string(fleet.FindFaults), Text: "Look for faults of units, and nothing else"},
		}}),
		Depot: f.field(formField{ID: "depot", Label: "Hold it to the units of", Choices: append([]choice{{Text: "all depots"}}, depotChoices(depots)...)}),
	}
	for _, t := range tokens {
		page.Tokens = append(page.Tokens, newTokenRow(t, zone))
	}
	slices.SortStableFunc(page.Tokens, func(a, b tokenRow) int { // revoked ones last
		return boolOrder(a.Revoke == "", b.Revoke == "")
	})
	return s.render(c, status, "settings-tokens.tmpl", page)
}

// boolOrder puts false before true.
func boolOrder(a, b bool) int {
	switch {
	case a == b:
		return 0
	case b:
		return -1
	}
	return 1
}

func newTokenRow(t fleet.Token, zone *time.Location) tokenRow {
	row := tokenRow{
		Name: t.Name, Use: "bring readings", Depot: "all", Created: when(t.CreatedAt, zone), Used: "never", State: "valid", Revoke: tokenHref(t.Name) + "/revoke",
	}
	switch t.Use {
	case fleet.ReadList:
		row.Use = "read list and jobs"
	case fleet.FindFaults:
		row.Use = "look for faults"
	}
	if t.Depot != "" {
		row.Depot = string(t.Depot)
	}
	if !t.LastUsedAt.IsZero() {
		row.Used = when(t.LastUsedAt, zone)
	}
	if t.Revoked {
		row.State, row.Revoke = "revoked", ""
	}
	return row
}

func tokenHref(name string) string { return "/settings/tokens/" + url.PathEscape(name) }

func (s *Server) addToken(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	t := fleet.Token{Depot: fleet.DepotID(f.get("depot"))}
	t.Name, err = fleet.ParseTokenName(f.get("name"))
	f.blame("name", err)
	t.Use, err = fleet.ParseTokenUse(f.get("use"))
	f.blame("use", err)
	depots, err := s.store.Depots(ctx)
	if err != nil {
		return err
	}
	if t.Depot != "" && !slices.ContainsFunc(depots, func(d fleet.Depot) bool { return d.ID == t.Depot }) {
		f.blame("depot", fmt.Errorf("there is no depot %q", t.Depot))
	}
	secret, hash := NewToken()
	if f.sound() {
		added, err := s.store.AddToken(ctx, t, hash)
		if err != nil {
			return err
		}
		if !added {
			f.blame("name", fmt.Errorf("there is, or was, a token %q: choose another name", t.Name))
		}
	}
	if !f.sound() {
		return s.showTokens(c, http.StatusUnprocessableEntity, f)
	}
	return s.render(c, http.StatusOK, "settings-secret.tmpl", secretPage{
		settingsFrame: s.settingsFrame(c, "Token "+t.Name), Done: "The token " + t.Name + " is valid from now on.", What: "The token " + t.Name, Secret: secret,
		Advice: "Put it into the logger or program now: only its hash is kept. It goes with each request as “Authorization: Bearer …”.",
		Back:   menuItem{Text: "To the tokens", Href: "/settings/tokens"},
	})
}

// tokenAsked is the token that the address names.
func (s *Server) tokenAsked(c echo.Context) (fleet.Token, error) {
	name := pathName(c, "token")
	tokens, err := s.store.Tokens(c.Request().Context())
	if err != nil {
		return fleet.Token{}, err
	}
	i := slices.IndexFunc(tokens, func(t fleet.Token) bool { return t.Name == name })
	if i < 0 {
		return fleet.Token{}, notFoundError{fmt.Errorf("no token is called %q", name)}
	}
	return tokens[i], nil
}

func (s *Server) revokeForm(c echo.Context) error {
	t, err := s.tokenAsked(c)
	if err != nil {
		return err
	}
	page := confirmPage{
		Means: []string{
			"It is ended for good, at once: what carries it is turned away from the next request on.",
			"Its name cannot be used again. To replace it, add a new one first.",
		},
		Action: tokenHref(t.Name) + "/revoke", Button: "Revoke " + t.Name, Back: menuItem{Text: "Leave it as it is", Href: "/settings/tokens"},
	}
	page.Title = "Revoke the token " + t.Name + "?"
	return s.confirm(c, http.StatusOK, page)
}

func (s *Server) revokeToken(c echo.Context) error {
	t, err := s.tokenAsked(c)
	if err != nil {
		return err
	}
	if _, err := s.store.RevokeToken(c.Request().Context(), t.Name); err != nil {
		return err
	}
	return s.done(c, "/settings/tokens", t.Name+" is revoked.")
}
