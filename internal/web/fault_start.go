package web

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/labstack/echo/v4"

	"rimeyard/faults"
	"rimeyard/internal/fleet"
	"rimeyard/reports"
)

// startPage is all that fault_start.tmpl prints.
type startPage struct {
	pageFrame
	Wrong       string
	Action      string
	UnitHref    string // empty: a vehicle that is not recorded
	Known       []fact
	Evidence    []string
	Open        *openRow // the search of the unit that is open; nil: none
	Heard       formField
	Temperature formField
	Facts       []formField // of a vehicle that is not recorded
	Choices     []formField
}

// notTried is the choice of whoever has not turned the key yet.
const notTried = "not_tried"

// heardField asks what happens when the key is turned, in the words of the check.
func heardField(f *form, facts faults.Facts) (formField, error) {
	s := faults.Session{Facts: facts}
	key, err := s.Look(faults.Key)
	if err != nil {
		return formField{}, err
	}
	choices := []choice{{Value: notTried, Text: "Nobody has tried yet, or it is not known"}}
	for _, o := range key.Outcomes {
		choices = append(choices, choice{Value: o.ID, Text: o.Text})
	}
	return f.field(formField{ID: "heard", Label: "What happens when the key is turned?", Kind: "radio", Choices: choices}), nil
}

func temperatureField(f *form, hint string) formField {
	return f.field(formField{ID: "temperature", Label: "How cold is it where the vehicle stands, in °C?", Hint: hint, Kind: "text", Complete: "off"})
}

// unitFaultForm begins a search of a recorded unit with what is known of it.
func (s *Server) unitFaultForm(c echo.Context) error {
	return s.showUnitStart(c, http.StatusOK, blankForm(url.Values{"heard": {notTried}}))
}

func (s *Server) showUnitStart(c echo.Context, status int, f *form) error {
	unit, err := unitParam(c)
	if err != nil {
		return err
	}
	ctx := c.Request().Context()
	facts, prior, depot, err := s.recordedFacts(ctx, unit)
	if err != nil {
		return err
	}
	page := startPage{
		pageFrame: s.frame(c, "What is wrong with unit "+string(unit)+"?"), Wrong: f.summary(), Action: unitHref(unit) + "/fault", UnitHref: unitHref(unit),
		Known: knownFacts(facts, prior), Evidence: prior.Evidence,
	}
	hint := "No low of today or yesterday is known at " + depotName(depot) + ". Leave it empty if you do not know; then ice is looked for before a charge."
	if t, known := facts.TemperatureC.Get(); known {
		hint = "Filled in from the newest low at " + depotName(depot) + ". Put in what it is where the vehicle stood overnight."
		if !f.typed.Has("temperature") {
			f.typed.Set("temperature", strconv.FormatFloat(t, 'f', -1, 64))
		}
	}
	if page.Heard, err = heardField(f, facts); err != nil {
		return err
	}
	page.Temperature = temperatureField(f, hint)
	open, err := s.store.Faults(ctx, fleet.FaultFilter{Unit: unit, Open: fleet.Known(true), Of: viewerOf(c).depots()})
	if err != nil {
		return err
	}
	if len(open) > 0 {
		row, err := newOpenRow(open[0], depot.Zone())
		if err != nil {
			return err
		}
		page.Open = &row
	}
	return s.render(c, status, "fault_start.tmpl", page)
}

// knownFacts says what the search begins with.
func knownFacts(f faults.Facts, p faults.Prior) []fact {
	facts := []fact{{"System", fmt.Sprintf("%d\u00a0V", f.SystemVolts)}}
	add := func(name string, known bool, value string) {
		if known && value != "" {
			facts = append(facts, fact{name, value})
		}
	}
	add("Class", true, f.Class)
	add("Fuel", true, string(f.Fuel))
	add("Gearbox", true, string(f.Gearbox))
	add("Battery", f.RatedCCAA.IsKnown(), strings.TrimSpace(fmt.Sprintf("%.0f\u00a0A %s %s", f.RatedCCAA.Or(0), strings.ToUpper(string(f.CCAStandard)), chemistryWord(f.Chemistry))))
	add("Its age", p.BatteryYears.IsKnown(), fmt.Sprintf("%.1f years", p.BatteryYears.Or(0)))
	add("Last read at rest", p.RestV.IsKnown(), fmt.Sprintf("%.2f\u00a0V", p.RestV.Or(0)))
	add("Foreseen to fail this season", p.NoStart.IsKnown(), reports.Chance(p.NoStart.Or(0)))
	return facts
}

// heardSession is a session with what the form says was heard.
func (s *Server) heardSession(f *form, facts faults.Facts, prior faults.Prior, by string) (faults.Session, error) {
	session, err := faults.New(facts, prior)
	if err != nil {
		return session, err
	}
	heard := f.get("heard")
	if heard == "" || heard == notTried {
		return session, nil
	}
	after, err := session.Answer(faults.Key, heard, by, s.now())
	if err != nil {
		f.blame("heard", err)
	}
	return after, nil
}

func (s *Server) startUnitFault(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	unit, err := unitParam(c)
	if err != nil {
		return err
	}
	ctx, by := c.Request().Context(), viewerOf(c).changedBy()
	facts, prior, _, err := s.recordedFacts(ctx, unit)
	if err != nil {
		return err
	}
	facts.TemperatureC = f.figure("temperature", func(v fleet.Opt[float64]) error {
		_, err := faults.New(faults.Facts{SystemVolts: facts.SystemVolts, TemperatureC: v}, faults.Prior{})
		return err
	})
	var session faults.Session
	if f.sound() {
		if session, err = s.heardSession(f, facts, prior, by); err != nil {
			return badRequestError{err}
		}
	}
	if !f.sound() {
		return s.showUnitStart(c, http.StatusUnprocessableEntity, f)
	}
	id, started, err := s.startSearch(ctx, session, unit, "", by)
	if err != nil {
		return err
	}
	if !started {
		return s.backToSearch(c, id, "A search of this unit is open already: this is it. What you have just said was not taken; answer it here.")
	}
	return s.backToSearch(c, id, "")
}

// figure reads a number that may be left out, and blames the field for what check says of it.
func (f *form) figure(name string, check func(fleet.Opt[float64]) error) (v fleet.Opt[float64]) {
	typed := strings.TrimSpace(f.get(name))
	if typed == "" {
		return v
	}
	plain := strings.NewReplacer("−", "-", "–", "-", ",", ".", "°C", "", "\u00a0", "", " ", "").Replace(typed)
	n, err := strconv.ParseFloat(plain, 64)
	if err != nil {
		f.blame(name, fmt.Errorf("“%s” is no number: type it plainly, like −7 or 12.4, or leave it empty", typed))
		return v
	}
	v = fleet.Known(n)
	f.blame(name, check(v))
	return v
}

// anyFaultForm begins a search of a vehicle that nobody has recorded.
func (s *Server) anyFaultForm(c echo.Context) error {
	return s.showAnyStart(c, http.StatusOK, blankForm(url.Values{"heard": {notTried}, "volts": {"12"}, "fuel": {""}, "gearbox": {""}}))
}

func (s *Server) showAnyStart(c echo.Context, status int, f *form) error {
	own, err := s.visibleDepots(c.Request().Context(), viewerOf(c))
	if err != nil {
		return err
	}
	page := startPage{pageFrame: s.frame(c, "What is wrong with it?"), Wrong: f.summary(), Action: "/fault-any"}
	if page.Heard, err = heardField(f, faults.Facts{SystemVolts: 12}); err != nil {
		return err
	}
	const unknown = "not known"
	page.Choices = []formField{
		f.field(formField{ID: "volts", Label: "System", Kind: "radio", Choices: []choice{{Value: "12", Text: "12 V"}, {Value: "24", Text: "24 V"}}}),
		f.field(formField{ID: "fuel", Label: "Fuel", Kind: "radio", Choices: []choice{{Value: string(fleet.Petrol), Text: "petrol"}, {Value: string(fleet.Diesel), Text: "diesel"}, {Text: unknown}}}),
		f.field(formField{ID: "gearbox", Label: "Gearbox", Kind: "radio", Choices: []choice{{Value: string(fleet.Automatic), Text: "automatic"}, {Value: string(fleet.Manual), Text: "manual"}, {Text: unknown}}}),
	}
	page.Facts = []formField{
		f.field(formField{ID: "name", Label: "What you call it", Hint: "Such as a number plate; it stands on the job sheet.", Kind: "text", Complete: "off"}),
		temperatureField(f, "Leave it empty if you do not know; then ice is looked for before a charge."),
		f.field(formField{ID: "cca", Label: "The figure in A on the battery's label", Hint: "Its current for cold starts, such as 640; of one battery.", Kind: "text", Complete: "off"}),
		f.field(formField{ID: "standard", Label: "The letters beside that figure", Choices: []choice{{Text: unknown}, {Value: string(fleet.SAE), Text: "SAE, or CCA alone"}, {Value: string(fleet.EN), Text: "EN"}, {Value: string(fleet.DIN), Text: "DIN"}, {Value: string(fleet.IEC), Text: "IEC"}, {Value: string(fleet.JIS), Text: "JIS"}}}),
		f.field(formField{ID: "ah", Label: "The figure in Ah on the label", Hint: "Such as 70; of one battery.", Kind: "text", Complete: "off"}),
		f.field(formField{ID: "chemistry", Label: "Does the label say AGM, EFB or gel?", Choices: []choice{{Text: unknown}, {Value: string(fleet.Flooded), Text: "none of them"}, {Value: string(fleet.EFB), Text: "EFB"}, {Value: string(fleet.AGM), Text: "AGM"}, {Value: string(fleet.Gel), Text: "gel"}}}),
		f.field(formField{ID: "years", Label: "How many years old is the battery, about?", Kind: "text", Complete: "off"}),
		f.field(formField{ID: "litres", Label: "Size of the engine in litres", Hint: "Such as 1.6: for what its starter may draw.", Kind: "text", Complete: "off"}),
	}
	if len(own) > 1 || len(own) == 1 && viewerOf(c).depots() == nil {
		choices := depotChoices(own)
		if viewerOf(c).depots() == nil {
			choices = append([]choice{{Text: "only those who see all depots"}}, choices...)
		}
		page.Facts = append(page.Facts, f.field(formField{ID: "depot", Label: "Who else may go on with the search", Choices: choices}))
	}
	return s.render(c, status, "fault_start.tmpl", page)
}

// anyFacts reads what is known of a vehicle that nobody has recorded.
func anyFacts(f *form) (facts faults.Facts, prior faults.Prior) {
	volts, _ := strconv.Atoi(f.get("volts"))
	facts = faults.Facts{
		Unit: fleet.UnitID(strings.TrimSpace(f.get("name"))), SystemVolts: volts, Fuel: fleet.Fuel(f.get("fuel")), Gearbox: fleet.Gearbox(f.get("gearbox")),
		Chemistry: fleet.Chemistry(f.get("chemistry")), CCAStandard: fleet.CCAStandard(f.get("standard")),
	}
	judged := func(fill func(*faults.Facts, *faults.Prior, fleet.Opt[float64])) func(fleet.Opt[float64]) error {
		return func(v fleet.Opt[float64]) error {
			alone, before := faults.Facts{SystemVolts: 12}, faults.Prior{}
			fill(&alone, &before, v)
			_, err := faults.New(alone, before)
			return err
		}
	}
	for name, fill := range map[string]func(*faults.Facts, *faults.Prior, fleet.Opt[float64]){
		"temperature": func(f *faults.Facts, _ *faults.Prior, v fleet.Opt[float64]) { f.TemperatureC = v },
		"cca":         func(f *faults.Facts, _ *faults.Prior, v fleet.Opt[float64]) { f.RatedCCAA = v },
		"ah":          func(f *faults.Facts, _ *faults.Prior, v fleet.Opt[float64]) { f.RatedAh = v },
		"litres":      func(f *faults.Facts, _ *faults.Prior, v fleet.Opt[float64]) { f.EngineLitres = v },
		"years":       func(_ *faults.Facts, p *faults.Prior, v fleet.Opt[float64]) { p.BatteryYears = v },
	} {
		fill(&facts, &prior, f.figure(name, judged(fill)))
	}
	return facts, prior
}

func (s *Server) startAnyFault(c echo.Context) error {
	f, err := typedForm(c)
	if err != nil {
		return err
	}
	ctx, v := c.Request().Context(), viewerOf(c)
	own, err := s.visibleDepots(ctx, v)
	if err != nil {
		return err
	}
	const longestName = 60
	facts, prior := anyFacts(f)
	if name := string(facts.Unit); !plainText(name) || len([]rune(name)) > longestName {
		f.blame("name", fmt.Errorf("want at most %d letters", longestName))
	}
	if _, recorded, err := s.typedUnit(c, string(facts.Unit)); err != nil {
		return err
	} else if recorded {
		f.blame("name", errors.New("that is a recorded unit: start with its number on the page Faults, where all that is known of it counts"))
	}
	depot := fleet.DepotID(f.get("depot"))
	if depot == "" && v.depots() != nil && len(own) > 0 {
		depot = own[0].ID
	}
	if depot != "" && !slices.ContainsFunc(own, func(d fleet.Depot) bool { return d.ID == depot }) || depot == "" && v.depots() != nil {
		f.blame("depot", errors.New("no such depot is yours to see: ask an administrator to give you one"))
	}
	var session faults.Session
	if f.sound() {
		if session, err = s.heardSession(f, facts, prior, v.changedBy()); err != nil {
			return badRequestError{err}
		}
	}
	if !f.sound() {
		return s.showAnyStart(c, http.StatusUnprocessableEntity, f)
	}
	id, _, err := s.startSearch(ctx, session, "", depot, v.changedBy())
	if err != nil {
		return err
	}
	return s.backToSearch(c, id, "")
}
