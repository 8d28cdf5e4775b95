package web

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"github.com/labstack/echo/v4"
)

// form is what was typed and what is wrong with it, by field.
type form struct {
	typed   url.Values
	wrong   map[string]string
	focused bool // the first wrong field has the focus
}

// typedForm reads a form that was sent.
func typedForm(c echo.Context) (*form, error) {
	if err := readForm(c); err != nil {
		return nil, err
	}
	return &form{typed: c.Request().PostForm, wrong: map[string]string{}}, nil
}

// blankForm is a form before anybody typed; values are what its fields begin with.
func blankForm(values url.Values) *form { return &form{typed: values, wrong: map[string]string{}} }

func (f *form) get(name string) string { return f.typed.Get(name) }

// blame notes what is wrong with a field; nil: nothing. The first reason stays.
func (f *form) blame(name string, err error) {
	if _, known := f.wrong[name]; err != nil && !known {
		f.wrong[name] = sentence(err)
	}
}

func (f *form) sound() bool { return len(f.wrong) == 0 }

// summary says on top of a form that something below is wrong; empty: nothing is.
func (f *form) summary() string {
	switch n := len(f.wrong); n {
	case 0:
		return ""
	case 1:
		return "Nothing was changed yet: one answer below needs another look."
	default:
		return fmt.Sprintf("Nothing was changed yet: %d answers below need another look.", n)
	}
}

// formField is one question of a form, ready to show.
type formField struct {
	ID, Label, Hint string
	Kind            string // type of an input; of choices, radio or checkbox
	Complete        string // what browsers may fill in
	Value           string
	Choices         []choice
	Wrong           string
	Focus           bool
}

// Describes names the elements that belong to the field.
func (f formField) Describes() string {
	var ids []string
	if f.Hint != "" {
		ids = append(ids, f.ID+"-hint")
	}
	if f.Wrong != "" {
		ids = append(ids, f.ID+"-wrong")
	}
	return strings.Join(ids, " ")
}

// field completes what the caller says of a field by what was typed and what is wrong with it.
func (f *form) field(of formField) formField {
	of.Wrong = f.wrong[of.ID]
	of.Focus = of.Wrong != "" && !f.focused
	f.focused = f.focused || of.Focus
	if of.Kind != "password" { // what was typed as a password is not sent back
		of.Value = f.get(of.ID)
	}
	for i := range of.Choices {
		of.Choices[i].Chosen = slices.Contains(f.typed[of.ID], of.Choices[i].Value)
	}
	return of
}
