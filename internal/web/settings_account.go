package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// accountPage is all that settings-account.tmpl prints.
type accountPage struct {
	settingsFrame
	SignIn               string // the name, which password keepers file the new password under
	Facts                []fact
	Wrong                string
	FullName, Email      formField
	Current, Next, Again formField
}

func accountFacts(p fleet.Person) []fact {
	facts := []fact{{"Sign-in name", p.Name}, {"Role", string(p.Role)}, {"May see", p.DepotsSeen()}}
	if p.Email == "" {
		return append(facts, fact{"Mail", "none: reports for you go nowhere"})
	}
	return append(facts, fact{"Mail", p.Email})
}

func contactOf(p fleet.Person) url.Values {
	return url.Values{"full-name": {p.FullName}, "email": {p.Email}}
}

func (s *Server) accountPage(c echo.Context) error {
	return s.showAccount(c, http.StatusOK, blankForm(contactOf(viewerOf(c).person)), blankForm(nil))
}

func (s *Server) showAccount(c echo.Context, status int, contact, password *form) error {
	p := viewerOf(c).person
	page := accountPage{
		settingsFrame: s.settingsFrame(c, "My account"), SignIn: p.Name, Facts: accountFacts(p), Wrong: contact.summary() + password.summary(),
		FullName: contact.field(fullNameField), Email: contact.field(emailField),
		Current: password.field(formField{ID: "current", Label: "Password of today", Kind: "password", Complete: "current-password"}),
		Next:    password.field(newPasswordField("password", "New password")),
		Again:   password.field(formField{ID: "again", Label: "Once more", Kind: "password", Complete: "new-password"}),
	}
	return s.render(c, status, "settings-account.tmpl", page)
}

var (
	fullNameField = formField{ID: "full-name", Label: "Full name", Hint: "As shown on pages.", Kind: "text", Complete: "name"}
	emailField    = formField{ID: "email", Label: "Mail address", Hint: "Where reports for this person go. May be empty.", Kind: "email", Complete: "email"}
)

func newPasswordField(id, label string) formField {
	hint := fmt.Sprintf("At least %d characters; a few unrelated words do well.", MinPasswordLength)
	return formField{ID: id, Label: label, Hint: hint, Kind: "password", Complete: "new-password"}
}

// readContact reads full name and mail address; what is wrong is put down in the form.
func readContact(f *form, p *fleet.Person) {
	var err error
	p.FullName, err = fleet.ParseFullName(f.get("full-name"))
	f.blame("full-name", err)
	p.Email, err = readAddress(f.get("email"))
	f.blame("email", err)
}

// readAddress reads a mail address without a name; empty: none.
func readAddress(typed string) (string, error) {
	if typed = strings.TrimSpace(typed); typed == "" {
		return "", nil
	}
	address, err := reports.CheckAddress(typed)
	if err != nil {
		return "", err
	}
	return address.Address, nil
}

func (s *Server) setContact(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	p := viewerOf(c).person
	readContact(f, &p)
	if !f.sound() {
		return s.showAccount(c, http.StatusUnprocessableEntity, f, blankForm(nil))
	}
	if _, err := s.store.SetContact(c.Request().Context(), p.Name, p.FullName, p.Email); err != nil {
		return err
	}
	return s.done(c, "/settings/account", "Your name and mail address are as you wrote them.")
}

// setOwnPassword asks for the password of today, so that whoever finds a browser open cannot take the account over; wrong ones count
// as tries to sign in.
func (s *Server) setOwnPassword(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	ctx, address, p := c.Request().Context(), c.RealIP(), viewerOf(c).person
	next := f.get("password")
	f.blame("password", CheckPassword(next))
	if f.get("again") != next {
		f.blame("again", errors.New("the two passwords differ: nothing was changed"))
	}
	if f.sound() {
		right, err := s.knows(c, p, f.get("current"))
		if err != nil {
			return err
		}
		if !right {
			f.blame("current", errors.New("this is not your password of today"))
		}
	}
	if !f.sound() {
		return s.showAccount(c, http.StatusUnprocessableEntity, blankForm(contactOf(p)), f)
	}
	if err := s.store.SignedIn(ctx, p.Name, address); err != nil {
		return err
	}
	if _, err := s.store.SetPassword(ctx, p.Name, HashPassword(next)); err != nil {
		return err
	}
	if err := s.stayIn(c, p.Name); err != nil {
		return err
	}
	return s.done(c, "/settings/account", "You have a new password. Wherever else you were signed in, you are signed out.")
}

// knows tells whether the person gave their password, unless they tried too often.
func (s *Server) knows(c echo.Context, p fleet.Person, password string) (bool, error) {
	ctx := c.Request().Context()
	if password == "" || len(password) > maxPasswordLength {
		return false, nil
	}
	allowed, err := s.store.BeginSignIn(ctx, p.Name, c.RealIP(), tryLimit)
	if err != nil {
		return false, err
	}
	if !allowed {
		return false, tooManyError{triesWindow}
	}
	right, err := s.passwords.matches(ctx, password, p.PasswordHash)
	if err != nil {
		return false, fmt.Errorf("check a password: %w", err)
	}
	return right, nil
}

// stayIn begins a new session here after all those that the person had have ended.
func (s *Server) stayIn(c echo.Context, name string) error {
	p, found, err := s.store.Person(c.Request().Context(), name)
	if err != nil {
		return err
	}
	if !found {
		return noSuchPerson(name)
	}
	return s.beginSession(c, p)
}

func (s *Server) signOutElsewhere(c echo.Context) error {
	name := viewerOf(c).person.Name
	if _, err := s.store.EndSessions(c.Request().Context(), name); err != nil {
		return err
	}
	if err := s.stayIn(c, name); err != nil {
		return err
	}
	return s.done(c, "/settings/account", "Wherever else you were signed in, you are signed out.")
}
