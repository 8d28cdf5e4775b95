package web

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// rowPage is a row kept apart as a form.
type rowPage struct {
	pageFrame
	Tabs     []choice
	File     string
	Line     string
	Kind     string
	Wrong    string // why it is kept apart, or why it was not taken now
	Action   string
	Bad      *mendField
	Fields   []mendField // those that the file has
	Others   []mendField // those that the file does not have
	Passed   []fact      // columns that have no meaning for the kind
	Beyond   []string    // fields beyond the last column
	MayAmend bool        // the kind changes over the years, and the person sees all depots
	Amend    bool
	Note     string
	NoNote   bool // it was to be set aside without a note
}

type mendField struct {
	Name, ID, Label string
	Value           string
	Lines           bool // the value has several lines
	Want            string
	Words           []string
	Needed          bool
}

const fieldPrefix = "f." // of the form's fields, before the column

// keptRowPage shows a row as a form; one that waits no more, with what became of it.
func (s *Server) keptRowPage(c echo.Context) error {
	row, waits, err := s.askedRow(c)
	if err != nil {
		return err
	}
	if !waits {
		return s.settledRowPage(c, http.StatusOK, "")
	}
	return s.showMendForm(c, http.StatusOK, row, asItCame(row), ingest.MendOutcome{Column: row.Column, Value: row.Value, Reason: row.Reason}, rowPage{})
}

// askedRow is the row in the path, if it waits.
func (s *Server) askedRow(c echo.Context) (row fleet.KeptRow, waits bool, err error) {
	key, err := rowKey(c)
	if err != nil {
		return row, false, err
	}
	return s.store.KeptRow(c.Request().Context(), key, viewerOf(c).depots())
}

// asItCame gives a row's fields by column; what lies beyond the header has none.
func asItCame(row fleet.KeptRow) map[string]string {
	values := map[string]string{}
	for i, h := range row.Header {
		if i < len(row.Fields) {
			values[ingest.ColumnName(h)] = row.Fields[i]
		}
	}
	return values
}

func (s *Server) showMendForm(c echo.Context, status int, row fleet.KeptRow, values map[string]string, bad ingest.MendOutcome, page rowPage) error {
	page.pageFrame, page.Tabs = s.frame(c, "Mend a row"), intakeTabs(c)
	page.File, page.Line, page.Kind = row.File, strconv.FormatInt(row.Line, 10), kindWords(row.Kind)
	page.Wrong, page.Action = bad.Reason, rowHref(row.Key)
	page.MayAmend = viewerOf(c).depots() == nil && changesOverTheYears(row.Kind)
	known := map[string]bool{}
	for column := range ingest.Columns(row.Kind) {
		known[column.Name], known[column.Twin] = true, true
		for _, name := range []string{column.Name, column.Twin} {
			inFile := name != "" && hasColumn(row.Header, name)
			if name == "" || name == column.Twin && !inFile {
				continue
			}
			f := newMendField(column, name, values[name])
			switch {
			case name == bad.Column:
				page.Bad = &f
			case inFile:
				page.Fields = append(page.Fields, f)
			default:
				page.Others = append(page.Others, f)
			}
		}
	}
	for i, h := range row.Header {
		if !known[ingest.ColumnName(h)] && i < len(row.Fields) {
			page.Passed = append(page.Passed, fact{h, row.Fields[i]})
		}
	}
	if len(row.Fields) > len(row.Header) {
		page.Beyond = row.Fields[len(row.Header):]
	}
	return s.render(c, status, "intake_row.tmpl", page)
}

func newMendField(c ingest.Column, name, value string) mendField {
	f := mendField{
		Name: fieldPrefix + name, ID: "f-" + name, Label: name, Value: value, Lines: strings.ContainsAny(value, "\r\n"), Want: c.Want, Words: c.Words,
		Needed: c.Required,
	}
	if name == c.Twin {
		f.Want = "the same in degrees Fahrenheit"
	}
	return f
}

func hasColumn(header []string, name string) bool {
	return slices.ContainsFunc(header, func(h string) bool { return ingest.ColumnName(h) == name })
}

func changesOverTheYears(kind fleet.Kind) bool {
	switch kind {
	case fleet.DepotsKind, fleet.VehiclesKind, fleet.BatteriesKind, fleet.StartersKind, fleet.TemperaturesKind:
		return true
	}
	return false
}

// takeRow takes a row as it was mended. Where that fails, the form comes back with what was typed and the new reason.
func (s *Server) takeRow(c echo.Context) error {
	if err := readForm(c); err != nil {
		return err
	}
	row, waits, err := s.askedRow(c)
	if err != nil {
		return err
	}
	if !waits {
		return s.settledRowPage(c, http.StatusConflict, "Nothing was taken now: this row waits no more.")
	}
	v, form := viewerOf(c), c.Request().PostForm
	typed := typedFields(row, form)
	amend := form.Get("amend") != "" && v.depots() == nil
	done, err := s.mend(c.Request().Context(), []fleet.Mend{mendOf(row, typed)}, ingest.MendOptions{
		Person: v.person.Name, Now: s.now(), Depots: v.depots(), Amend: amend,
	})
	if err != nil {
		return err
	}
	switch out := done.Outcomes[0]; out.State {
	case ingest.MendTaken:
		return c.Redirect(http.StatusSeeOther, rowHref(row.Key))
	case ingest.MendGone:
		return s.settledRowPage(c, http.StatusConflict, "Nothing was taken now: somebody was faster.")
	default:
		return s.showMendForm(c, http.StatusUnprocessableEntity, row, typed, out, rowPage{Amend: amend})
	}
}

// typedFields are a row's fields by column as the form has them; what the form does not have stays as it came. Browsers send lines
// with the ends that files of old have; rows have the others.
func typedFields(row fleet.KeptRow, form url.Values) map[string]string {
	values := asItCame(row)
	for column := range ingest.Columns(row.Kind) {
		for _, name := range []string{column.Name, column.Twin} {
			if name != "" && form.Has(fieldPrefix+name) {
				values[name] = strings.ReplaceAll(form.Get(fieldPrefix+name), "\r\n", "\n")
			}
		}
	}
	return values
}

// mendOf puts values by column into the order of the row's header; columns that it lacks come last.
func mendOf(row fleet.KeptRow, values map[string]string) fleet.Mend {
	m := fleet.Mend{Row: row, Header: slices.Clone(row.Header)}
	for column := range ingest.Columns(row.Kind) {
		for _, name := range []string{column.Name, column.Twin} {
			if values[name] != "" && !hasColumn(m.Header, name) {
				m.Header = append(m.Header, name)
			}
		}
	}
	for i, h := range m.Header {
		value := values[ingest.ColumnName(h)]
		if i < len(row.Fields) && i < len(row.Header) && !knownColumn(row.Kind, h) { // two columns without meaning may have one name
			value = row.Fields[i]
		}
		m.Fields = append(m.Fields, value)
	}
	return m
}

func knownColumn(kind fleet.Kind, header string) bool {
	name := ingest.ColumnName(header)
	for column := range ingest.Columns(kind) {
		if name == column.Name || name == column.Twin && name != "" {
			return true
		}
	}
	return false
}

// setRowAside takes a row off the list for good, with a note.
func (s *Server) setRowAside(c echo.Context) error {
	if err := readForm(c); err != nil {
		return err
	}
	row, waits, err := s.askedRow(c)
	if err != nil {
		return err
	}
	if !waits {
		return s.settledRowPage(c, http.StatusConflict, "Nothing was set aside now: this row waits no more.")
	}
	v, note := viewerOf(c), strings.TrimSpace(c.Request().PostForm.Get("note"))
	if note == "" || !plainText(note) {
		bad := ingest.MendOutcome{Column: row.Column, Value: row.Value, Reason: row.Reason}
		return s.showMendForm(c, http.StatusUnprocessableEntity, row, asItCame(row), bad, rowPage{NoNote: true})
	}
	done, err := s.store.SetAside(c.Request().Context(), row.Key, v.depots(), v.person.Name, note)
	if err != nil {
		return err
	}
	if !done {
		return s.settledRowPage(c, http.StatusConflict, "Nothing was set aside now: somebody was faster.")
	}
	return c.Redirect(http.StatusSeeOther, rowHref(row.Key))
}

// putRowBack lets a row that was set aside wait again.
func (s *Server) putRowBack(c echo.Context) error {
	key, err := rowKey(c)
	if err != nil {
		return err
	}
	if _, err := s.store.PutBack(c.Request().Context(), key, viewerOf(c).depots()); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, rowHref(key)) // which shows it wherever it is now
}
