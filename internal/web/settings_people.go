package web

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// PeopleSettings is who may sign in, to be changed. Found and added are false where there is no such person, or one already.
type PeopleSettings interface {
	People(ctx context.Context) ([]fleet.Person, error)
	AddPerson(ctx context.Context, p fleet.Person) (added bool, err error)
	EditPerson(ctx context.Context, p fleet.Person) (found bool, err error)
	SetContact(ctx context.Context, name, fullName, email string) (found bool, err error)
	SetPassword(ctx context.Context, name, hash string) (found bool, err error)
	SetDisabled(ctx context.Context, name string, disabled bool) (found bool, err error)
	EndSessions(ctx context.Context, name string) (found bool, err error)
}

// peoplePage is all that settings-people.tmpl prints.
type peoplePage struct {
	settingsFrame
	People []personRow
}

type personRow struct {
	Name, FullName, Email, Role, Depots, State string
	Href                                       string // of the page to change them at
	Disabled                                   bool
	Self                                       bool // who looks
}

func (s *Server) peoplePage(c echo.Context) error {
	people, err := s.store.People(c.Request().Context())
	if err != nil {
		return err
	}
	page := peoplePage{settingsFrame: s.settingsFrame(c, "People")}
	for _, p := range people {
		row := personRow{
			Name: p.Name, FullName: p.FullName, Email: p.Email, Role: string(p.Role), Depots: p.DepotsSeen(), State: "enabled",
			Href: personHref(p.Name), Disabled: p.Disabled, Self: p.Name == viewerOf(c).person.Name,
		}
		if p.Disabled {
			row.State = "disabled"
		}
		page.People = append(page.People, row)
	}
	return s.render(c, http.StatusOK, "settings-people.tmpl", page)
}

func personHref(name string) string { return "/settings/people/" + url.PathEscape(name) }

// personPage is all that settings-person.tmpl prints: a person to be added or changed.
type personPage struct {
	settingsFrame
	New                   bool
	Action, Wrong, Button string
	Name                  formField
	FullName, Email       formField
	Roles                 formField
	Whole                 formField // whether they see all depots
	Depots                formField // or which
	Made, Password        formField // of a new person: whether the password is made up, or which
	Of                    personRow // who is changed
}

// The answers of the radio buttons.
const (
	allDepots  = "all"
	someDepots = "some"
	madeUp     = "made-up"
	typedIn    = "typed"
)

func (s *Server) addPersonForm(c echo.Context) error {
	blank := url.Values{"role": {string(fleet.Mechanic)}, "whole": {someDepots}, "made": {madeUp}}
	return s.showPersonForm(c, http.StatusOK, blankForm(blank), nil)
}

// showPersonForm shows the form for a person who is there, or for a new one.
func (s *Server) showPersonForm(c echo.Context, status int, f *form, of *fleet.Person) error {
	depots, err := s.store.Depots(c.Request().Context())
	if err != nil {
		return err
	}
	page := personPage{New: of == nil, Action: "/settings/add-person", Button: "Let them sign in", Wrong: f.summary()}
	title := "Add a person"
	if of != nil {
		title, page.Action, page.Button = of.Name, personHref(of.Name), "Save"
		page.Of = personRow{
			Name: of.Name, Href: personHref(of.Name), Disabled: of.Disabled, Self: of.Name == viewerOf(c).person.Name,
		}
	}
	page.settingsFrame = s.settingsFrame(c, title)
	page.Name = f.field(formField{ID: "name", Label: "Name to sign in with", Hint: "Up to 64 letters a to z, digits, and . _ @ + -", Kind: "text", Complete: "username"})
	page.FullName, page.Email = f.field(fullNameField), f.field(emailField)
	page.Roles = f.field(formField{ID: "role", Label: "Role", Kind: "radio", Choices: roleChoices()})
	page.Whole = f.field(formField{ID: "whole", Label: "Whose units they may see", Kind: "radio", Choices: []choice{
		{Value: allDepots, Text: "Those of all depots, also of depots to come"}, {Value: someDepots, Text: "Those of the depots chosen below"},
	}})
	page.Depots = f.field(formField{ID: "depot", Label: "Depots", Kind: "checkbox", Choices: depotChoices(depots)})
	page.Made = f.field(formField{ID: "made", Label: "Their password", Kind: "radio", Choices: madeChoices()})
	page.Password = f.field(newPasswordField("password", "Password, if you type one"))
	return s.render(c, status, "settings-person.tmpl", page)
}

func roleChoices() []choice {
	may := map[fleet.Role]string{
		fleet.Manager: "all pages; schedules and letters", fleet.Mechanic: "lists, units, intake", fleet.Accountant: "lists, units, figures",
		fleet.Reader: "looks only", fleet.Administrator: "everything; people and tokens too",
	}
	var choices []choice
	for _, r := range fleet.Roles() {
		choices = append(choices, choice{Value: string(r), Text: fmt.Sprintf("%s: %s", r, may[r])})
	}
	return choices
}

func madeChoices() []choice {
	return []choice{{Value: madeUp, Text: "Make one up, and show it once"}, {Value: typedIn, Text: "I type one"}}
}

func depotChoices(depots []fleet.Depot) []choice {
	var choices []choice
	for _, d := range depots {
		text := string(d.ID)
		if d.Name != "" {
			text += ", " + d.Name
		}
		choices = append(choices, choice{Value: string(d.ID), Text: text})
	}
	return choices
}

// readPerson reads what the form says of a person besides name and password; what is wrong is put down in the form.
func (s *Server) readPerson(c echo.Context, f *form, p *fleet.Person) error {
	readContact(f, p)
	var err error
	p.Role, err = fleet.ParseRole(f.get("role"))
	f.blame("role", err)
	p.AllDepots, p.Depots = f.get("whole") == allDepots, nil
	if p.AllDepots {
		return nil
	}
	if f.get("whole") != someDepots {
		f.blame("whole", errors.New("say which units they may see: those of all depots, or of some"))
		return nil
	}
	depots, err := s.store.Depots(c.Request().Context())
	if err != nil {
		return err
	}
	for _, key := range f.typed["depot"] {
		if !slices.ContainsFunc(depots, func(d fleet.Depot) bool { return string(d.ID) == key }) {
			f.blame("depot", fmt.Errorf("there is no depot %q", key))
		}
		if !slices.Contains(p.Depots, fleet.DepotID(key)) {
			p.Depots = append(p.Depots, fleet.DepotID(key))
		}
	}
	slices.Sort(p.Depots)
	if len(p.Depots) == 0 {
		f.blame("depot", errors.New("choose a depot, or all of them above"))
	}
	return nil
}

// readPassword gives the password typed, or one made up.
func readPassword(f *form) (password string, made bool) {
	if f.get("made") == madeUp {
		return NewPassword(), true
	}
	if f.get("made") != typedIn {
		f.blame("made", errors.New("say where the password comes from"))
		return "", false
	}
	f.blame("password", CheckPassword(f.get("password")))
	return f.get("password"), false
}

func (s *Server) addPerson(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	var p fleet.Person
	p.Name, err = fleet.ParseName(f.get("name"))
	f.blame("name", err)
	if err := s.readPerson(c, f, &p); err != nil {
		return err
	}
	password, made := readPassword(f)
	if f.sound() {
		p.PasswordHash = HashPassword(password)
		added, err := s.store.AddPerson(c.Request().Context(), p)
		if err != nil {
			return err
		}
		if !added {
			f.blame("name", fmt.Errorf("there is a %q already: choose another name, or give this one a new password", p.Name))
		}
	}
	if !f.sound() {
		return s.showPersonForm(c, http.StatusUnprocessableEntity, f, nil)
	}
	return s.tellPassword(c, fmt.Sprintf("%s may sign in now, as %s.", p.Name, p.Role), p.Name, password, made)
}

// tellPassword says that a password is set, and where it was made up, shows it this once.
func (s *Server) tellPassword(c echo.Context, done, name, password string, made bool) error {
	if !made {
		return s.done(c, "/settings/people", done)
	}
	return s.render(c, http.StatusOK, "settings-secret.tmpl", secretPage{
		settingsFrame: s.settingsFrame(c, "Password of "+name), Done: done, What: "The password of " + name, Secret: password,
		Advice: "Hand it over yourself, not by mail. They can choose their own under Settings, My account.", Back: menuItem{Text: "To the people", Href: "/settings/people"},
	})
}

func noSuchPerson(name string) error {
	return notFoundError{fmt.Errorf("nobody is called %q", name)}
}

// personAsked is the person whom the address names.
func (s *Server) personAsked(c echo.Context) (fleet.Person, error) {
	name := pathName(c, "person")
	p, found, err := s.store.Person(c.Request().Context(), name)
	if err == nil && !found {
		err = noSuchPerson(name)
	}
	return p, err
}

func (s *Server) personForm(c echo.Context) error {
	p, err := s.personAsked(c)
	if err != nil {
		return err
	}
	values := contactOf(p)
	values.Set("role", string(p.Role))
	values.Set("whole", someDepots)
	if p.AllDepots {
		values.Set("whole", allDepots)
	}
	values["depot"] = p.DepotKeys()
	return s.showPersonForm(c, http.StatusOK, blankForm(values), &p)
}

var errOwnRights = errors.New("these are your own rights: another administrator can change them")

func (s *Server) editPerson(c echo.Context) error {
	before, err := s.personAsked(c)
	if err != nil {
		return err
	}
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	after := before
	if err := s.readPerson(c, f, &after); err != nil {
		return err
	}
	if f.sound() && before.Name == viewerOf(c).person.Name && after.Role != before.Role {
		f.blame("role", errOwnRights)
	}
	if f.sound() {
		_, err = s.store.EditPerson(c.Request().Context(), after)
		if errors.Is(err, fleet.ErrLastAdministrator) {
			f.blame("role", fleet.ErrLastAdministrator)
		} else if err != nil {
			return err
		}
	}
	if !f.sound() {
		return s.showPersonForm(c, http.StatusUnprocessableEntity, f, &before)
	}
	said := fmt.Sprintf("Saved: %s is %s of %s.", after.Name, after.Role, after.DepotsSeen())
	return s.done(c, "/settings/people", said)
}
