package web

import (
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"slices"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/alerts"
	"rimeyard/ingest"
	"rimeyard/internal/fleet"
)

// benchFacts is what a phone keeps of a depot to do its work without a signal, and what a form is checked by while typing.
type benchFactsJSON struct {
	Format    int                `json:"format"` // raised when its shape changes
	MadeAt    time.Time          `json:"made_at"`
	Depot     fleet.DepotID      `json:"depot"`
	DepotName string             `json:"depot_name"`
	Zone      string             `json:"zone"`
	Person    string             `json:"person"` // who is signed in
	People    []benchPerson      `json:"people"` // who may have tested
	Round     *benchRoundView    `json:"round"`  // null beside a single unit
	LowC      fleet.Opt[float64] `json:"low_c"`
	Units     []benchUnitFacts   `json:"units"`
	Limits    []ingest.Limit     `json:"limits"`
	Odd       []alerts.OddRule   `json:"odd"`
	Rules     alerts.BenchRules  `json:"rules"`
}

const benchFactsFormat = 1

type benchPerson struct {
	Name string `json:"name"`
	Says string `json:"says"` // the full name, if there is one
}

type benchUnitFacts struct {
	Unit        string          `json:"unit"`
	SystemVolts int             `json:"system_volts"`
	Positions   int             `json:"positions"`
	Parked      fleet.Parked    `json:"parked"`
	Batteries   []benchBattery  `json:"batteries"`
	Tests       []benchTestFact `json:"tests"`
}

type benchBattery struct {
	Position    int                   `json:"position"`
	Battery     string                `json:"battery"`
	RatedCCAA   float64               `json:"rated_cca_a"`
	CCAStandard fleet.CCAStandard     `json:"cca_standard"`
	FittedOn    fleet.Opt[fleet.Date] `json:"fitted_on"`
}

type benchTestFact struct {
	Position    int                `json:"position"`
	At          time.Time          `json:"at"`
	On          string             `json:"on"` // the day, in words
	Day         fleet.Date         `json:"day"`
	RestV       fleet.Opt[float64] `json:"rest_v"`
	CCAA        fleet.Opt[float64] `json:"cca_a"`
	CCAStandard fleet.CCAStandard  `json:"cca_standard"`
}

func newBenchUnitFacts(u fleet.BenchUnit, zone *time.Location) benchUnitFacts {
	f := benchUnitFacts{
		Unit: string(u.Unit.ID), SystemVolts: u.Unit.SystemVolts, Positions: max(1, u.Unit.Batteries), Parked: u.Unit.Parked,
		Batteries: []benchBattery{}, Tests: []benchTestFact{},
	}
	for _, b := range u.Batteries {
		f.Batteries = append(f.Batteries, benchBattery{b.Position, b.Battery, b.RatedCCAA, b.CCAStandard, b.FittedOn})
	}
	for _, t := range u.Tests {
		day := fleet.DateOf(t.At, zone)
		y, m, d := day.YMD()
		f.Tests = append(f.Tests, benchTestFact{t.Position, t.At, fmt.Sprintf("%d %s %d", d, m, y), day, t.RestV, t.CCAA, t.CCAStandard})
	}
	return f
}

// benchRulesOf are the facts that do not depend on units.
func (s *Server) benchRulesOf(ctx context.Context, depot fleet.Depot, v viewer) (benchFactsJSON, error) {
	facts := benchFactsJSON{
		Format: benchFactsFormat, MadeAt: s.now().UTC(), Depot: depot.ID, DepotName: depotName(depot), Zone: depot.Timezone, Person: v.person.Name,
		Limits: ingest.Limits(fleet.TestsKind), Odd: alerts.OddRules(), Rules: alerts.TheBenchRules(), Units: []benchUnitFacts{},
	}
	people, err := s.testersOf(ctx, depot.ID)
	for _, p := range people {
		facts.People = append(facts.People, benchPerson{p.Name, p.FullName})
	}
	return facts, err
}

// testersOf are those who may have tested at a depot.
func (s *Server) testersOf(ctx context.Context, depot fleet.DepotID) ([]fleet.Person, error) {
	people, err := s.store.People(ctx)
	return slices.DeleteFunc(people, func(p fleet.Person) bool {
		return p.Disabled || !p.MaySee(depot) || !slices.Contains(intakers, p.Role)
	}), err
}

// benchFacts answers a phone with all that it keeps of its depot.
func (s *Server) benchFacts(c echo.Context) error {
	depot, _, found, err := s.benchDepot(c)
	if err != nil {
		return err
	}
	if !found {
		return errForbidden
	}
	ctx := c.Request().Context()
	facts, err := s.benchRulesOf(ctx, depot, viewerOf(c))
	if err != nil {
		return err
	}
	day, err := s.benchDayOf(ctx, depot)
	if err != nil {
		return err
	}
	facts.Round, facts.LowC = &day.round, day.low
	for _, u := range day.units {
		facts.Units = append(facts.Units, newBenchUnitFacts(u, depot.Zone()))
	}
	return c.JSON(http.StatusOK, facts)
}

// factsText is what a form carries of its unit.
func factsText(facts benchFactsJSON) (string, error) {
	b, err := json.Marshal(facts)
	if err != nil {
		return "", fmt.Errorf("write the facts of a unit: %w", err)
	}
	return string(b), nil
}
