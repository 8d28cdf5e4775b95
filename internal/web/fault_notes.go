package web

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
)

// notesPage is all that fault_notes.tmpl prints.
type notesPage struct {
	pageFrame
	Said    string
	Wrong   string
	Class   string // empty: none is chosen yet
	Classes []choice
	By      string // who changed the notes last, and when; empty: nobody
	Torques []formField
	Cables  formField
	Bolts   formField
	Weight  formField
	Reach   formField
}

func notesHref(class string) string {
	return "/faults/notes?" + url.Values{"class": {class}}.Encode()
}

// torqueID is the field of a fastener's torque.
func torqueID(fastener string) string { return "t-" + strings.ReplaceAll(fastener, " ", "-") }

// classNoteForm shows the notes of a class to be changed, or the classes to choose from.
func (s *Server) classNoteForm(c echo.Context) error {
	class := c.QueryParam("class")
	values := url.Values{"class": {class}, "reach": {""}}
	if class != "" {
		n, err := s.notesOf(c.Request().Context(), class)
		if err != nil {
			return err
		}
		for _, t := range n.Torques {
			values.Set(torqueID(t.Fastener), strconv.FormatFloat(t.NewtonMetres, 'f', -1, 64))
		}
		values.Set("cables", strings.Join(n.CableOrder, "\n"))
		values.Set("bolts", strings.Join(n.Fasteners, "\n"))
		values.Set("reach", n.Reach)
		if kg, known := n.StarterKg.Get(); known {
			values.Set("kg", strconv.FormatFloat(kg, 'f', -1, 64))
		}
	}
	return s.showNotes(c, http.StatusOK, class, blankForm(values))
}

func (s *Server) showNotes(c echo.Context, status int, class string, f *form) error {
	ctx := c.Request().Context()
	classes, err := s.store.Classes(ctx, viewerOf(c).depots())
	if err != nil {
		return err
	}
	page := notesPage{pageFrame: s.frame(c, "Notes for job sheets"), Said: s.takeSaid(c), Wrong: f.summary()}
	known := false
	for _, name := range classes {
		known = known || name == class
		page.Classes = append(page.Classes, choice{notesHref(name), name, name == class})
	}
	if class == "" {
		return s.render(c, status, "fault_notes.tmpl", page)
	}
	if !known {
		return notFoundError{fmt.Errorf("there is no class %q in the depots that you may see", class)}
	}
	page.Class = class
	kept, found, err := s.store.ClassNote(ctx, class)
	if err != nil {
		return err
	}
	if found {
		zone, err := s.viewersZone(c)
		if err != nil {
			return err
		}
		page.By = fmt.Sprintf("Last changed by %s, %s.", kept.ChangedBy, whenIn(kept.ChangedAt, zone))
	}
	for _, name := range faults.Fasteners() {
		page.Torques = append(page.Torques, f.field(formField{ID: torqueID(name), Label: upperFirst(name) + ", N·m", Kind: "text", Complete: "off"}))
	}
	page.Cables = f.field(formField{ID: "cables", Label: "Cables, in the order they come off", Hint: "One a line, such as: small brown wire to the small terminal"})
	page.Bolts = f.field(formField{ID: "bolts", Label: "Fasteners to mind", Hint: "One a line, such as: the upper bolt is 15 mm longer"})
	page.Weight = f.field(formField{ID: "kg", Label: "Weight of the starter, kg", Kind: "text", Complete: "off"})
	page.Reach = f.field(formField{ID: "reach", Label: "The starter is reached from", Kind: "radio", Choices: []choice{{Value: "below", Text: "below"}, {Value: "above", Text: "above"}, {Text: "not said"}}})
	return s.render(c, status, "fault_notes.tmpl", page)
}

// Bounds of what is believed of the fleet's own notes (common practice, no source).
const (
	mostNewtonMetres = 1500
	mostStarterKg    = 100
	mostNoteLines    = 30
	mostNoteLetters  = 200
)

func (s *Server) keepClassNote(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	class := f.get("class")
	n := readNotes(f)
	if !f.sound() {
		return s.showNotes(c, http.StatusUnprocessableEntity, class, f)
	}
	classes, err := s.store.Classes(c.Request().Context(), viewerOf(c).depots())
	if err != nil {
		return err
	}
	if !slices.Contains(classes, class) {
		return notFoundError{fmt.Errorf("there is no class %q in the depots that you may see", class)}
	}
	kept := fleet.ClassNote{Class: class, ChangedAt: s.now(), ChangedBy: viewerOf(c).changedBy()}
	if kept.Notes, err = json.Marshal(n); err != nil {
		return err
	}
	if err := s.store.KeepClassNote(c.Request().Context(), kept); err != nil {
		return err
	}
	return s.done(c, notesHref(class), "Kept: job sheets of this class show it from now on.")
}

// readNotes reads the form of the notes and blames what cannot be.
func readNotes(f *form) (n faults.ClassNotes) {
	within := func(most float64, unit string) func(fleet.Opt[float64]) error {
		return func(v fleet.Opt[float64]) error {
			if x := v.Or(0); !(x > 0 && x <= most) {
				return fmt.Errorf("%v %s cannot be: want more than 0 and at most %v, or nothing", x, unit, most)
			}
			return nil
		}
	}
	for _, name := range faults.Fasteners() {
		if nm, known := f.figure(torqueID(name), within(mostNewtonMetres, "N·m")).Get(); known {
			n.Torques = append(n.Torques, faults.Torque{Fastener: name, NewtonMetres: nm})
		}
	}
	n.StarterKg = f.figure("kg", within(mostStarterKg, "kg"))
	n.CableOrder, n.Fasteners = f.lines("cables"), f.lines("bolts")
	switch n.Reach = f.get("reach"); n.Reach {
	case "", "below", "above":
	default:
		f.blame("reach", fmt.Errorf("%q is neither below nor above", n.Reach))
	}
	return n
}

// lines are those of a field, without empty ones.
func (f *form) lines(name string) (lines []string) {
	for line := range strings.Lines(f.get(name)) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		if !plainText(line) || len([]rune(line)) > mostNoteLetters {
			f.blame(name, fmt.Errorf("a line is longer than %d letters, or no text", mostNoteLetters))
		}
		lines = append(lines, line)
	}
	if len(lines) > mostNoteLines {
		f.blame(name, fmt.Errorf("want at most %d lines", mostNoteLines))
	}
	return lines
}
