package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// passwordPage is all that settings-password.tmpl prints.
type passwordPage struct {
	settingsFrame
	Action, Wrong, Name string
	Made, Password      formField
}

func (s *Server) passwordForm(c echo.Context) error {
	p, err := s.personAsked(c)
	if err != nil {
		return err
	}
	return s.showPasswordForm(c, http.StatusOK, blankForm(url.Values{"made": {madeUp}}), p.Name)
}

func (s *Server) showPasswordForm(c echo.Context, status int, f *form, name string) error {
	page := passwordPage{
		settingsFrame: s.settingsFrame(c, "New password for "+name), Action: personHref(name) + "/password", Wrong: f.summary(), Name: name,
		Made:     f.field(formField{ID: "made", Label: "The new password", Kind: "radio", Choices: madeChoices()}),
		Password: f.field(newPasswordField("password", "Password, if you type one")),
	}
	return s.render(c, status, "settings-password.tmpl", page)
}

// givePassword gives a person a new password, which ends what sessions they have.
func (s *Server) givePassword(c echo.Context) error {
	p, err := s.personAsked(c)
	if err != nil {
		return err
	}
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	if p.Name == viewerOf(c).person.Name {
		f.blame("made", errors.New("this is you: choose your new password under My account"))
	}
	password, made := readPassword(f)
	if !f.sound() {
		return s.showPasswordForm(c, http.StatusUnprocessableEntity, f, p.Name)
	}
	if _, err := s.store.SetPassword(c.Request().Context(), p.Name, HashPassword(password)); err != nil {
		return err
	}
	return s.tellPassword(c, p.Name+" has a new password, and is signed out everywhere.", p.Name, password, made)
}

func (s *Server) disableForm(c echo.Context) error {
	p, err := s.personAsked(c)
	if err != nil {
		return err
	}
	return s.confirmDisable(c, http.StatusOK, p.Name, nil)
}

func (s *Server) confirmDisable(c echo.Context, status int, name string, wrong error) error {
	page := confirmPage{
		Means: []string{
			fmt.Sprintf("%s is shut out: open pages stop working at once.", name),
			"Reports that go to them by name stop. What they have done stays on record.", "You can let them in again at any time, with the same password.",
		},
		Action: personHref(name) + "/disable", Button: "Shut " + name + " out", Back: menuItem{Text: "Leave it as it is", Href: "/settings/people"},
	}
	page.Title = "Shut " + name + " out?"
	if wrong != nil {
		page.Wrong = sentence(wrong)
	}
	return s.confirm(c, status, page)
}

func (s *Server) disablePerson(c echo.Context) error {
	p, err := s.personAsked(c)
	if err != nil {
		return err
	}
	if p.Name == viewerOf(c).person.Name {
		return s.confirmDisable(c, http.StatusUnprocessableEntity, p.Name, errOwnRights)
	}
	_, err = s.store.SetDisabled(c.Request().Context(), p.Name, true)
	if errors.Is(err, fleet.ErrLastAdministrator) {
		return s.confirmDisable(c, http.StatusUnprocessableEntity, p.Name, fleet.ErrLastAdministrator)
	}
	if err != nil {
		return err
	}
	return s.done(c, "/settings/people", p.Name+" is disabled.")
}

func (s *Server) enablePerson(c echo.Context) error {
	p, err := s.personAsked(c)
	if err != nil {
		return err
	}
	if _, err := s.store.SetDisabled(c.Request().Context(), p.Name, false); err != nil {
		return err
	}
	return s.done(c, "/settings/people", p.Name+" is enabled.")
}
