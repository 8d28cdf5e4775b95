package reports_test

import (
	"bytes"
	"context"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
	"rimeyard/reports"
)

// planStore is a fleet in memory that counts how often its list is read, and for which depots.
type planStore struct {
	anew    map[fleet.DepotID]fleet.AnewCount
	issue   fleet.Issue
	depots  []fleet.Depot
	listed  []fleet.Listed
	weeks   []fleet.DepotWeek
	choices []fleet.PlanChoice
	shelves []fleet.Shelf
	people  []fleet.Person
	revised map[fleet.DepotID]time.Time
	kept    []fleet.KeptPlan
	read    []fleet.DepotID
}

func among[T any](all []T, of []fleet.DepotID, depot func(T) fleet.DepotID) []T {
	return slices.DeleteFunc(slices.Clone(all), func(v T) bool { return of != nil && !slices.Contains(of, depot(v)) })
}

func (s *planStore) LatestIssue(context.Context) (fleet.Issue, error) {
	if s.issue.ID == 0 {
		return fleet.Issue{}, fleet.ErrNoIssue
	}
	return s.issue, nil
}

func (s *planStore) Listed(_ context.Context, _ int64, f fleet.ListFilter) ([]fleet.Listed, error) {
	s.read = append(s.read, f.Depots...)
	return among(s.listed, f.Depots, func(l fleet.Listed) fleet.DepotID { return l.Forecast.Depot }), nil
}

func (s *planStore) Depots(context.Context) ([]fleet.Depot, error) {
	return slices.Clone(s.depots), nil
}
func (s *planStore) People(context.Context) ([]fleet.Person, error) { return s.people, nil }

func (s *planStore) OwnFigures(context.Context) (fleet.OwnFigures, error) {
	return fleet.OwnFigures{}, nil
}

func (s *planStore) AnewCounts(context.Context, int64, []fleet.DepotID) (map[fleet.DepotID]fleet.AnewCount, error) {
	return s.anew, nil
}

func (s *planStore) DepotWeeks(_ context.Context, of []fleet.DepotID, from fleet.Date) ([]fleet.DepotWeek, error) {
	return slices.DeleteFunc(among(s.weeks, of, func(w fleet.DepotWeek) fleet.DepotID { return w.Depot }), func(w fleet.DepotWeek) bool { return w.Monday < from }), nil
}

func (s *planStore) PlanChoices(_ context.Context, of []fleet.DepotID) ([]fleet.PlanChoice, error) {
	return among(s.choices, of, func(c fleet.PlanChoice) fleet.DepotID { return c.Depot }), nil
}

func (s *planStore) Shelves(_ context.Context, of []fleet.DepotID) ([]fleet.Shelf, error) {
	return among(s.shelves, of, func(s fleet.Shelf) fleet.DepotID { return s.Depot }), nil
}

func (s *planStore) KeepPlan(_ context.Context, k fleet.KeptPlan) error {
	k.MadeAt = s.issue.IssuedAt.Add(time.Hour)
	s.kept = append(s.kept, k)
	return nil
}

func (s *planStore) KeptPlans(_ context.Context, of []fleet.DepotID, before time.Time) ([]fleet.KeptPlan, error) {
	return slices.DeleteFunc(among(s.kept, of, func(k fleet.KeptPlan) fleet.DepotID { return k.Depot }), func(k fleet.KeptPlan) bool { return !before.IsZero() && !k.MadeAt.Before(before) }), nil
}

func (s *planStore) HasPlans(_ context.Context, issue int64) (bool, error) {
	return slices.ContainsFunc(s.kept, func(k fleet.KeptPlan) bool { return k.Issue == issue }), nil
}

func (s *planStore) PlanRevised(context.Context, []fleet.DepotID) (map[fleet.DepotID]time.Time, error) {
	revised := map[fleet.DepotID]time.Time{}
	for d, at := range s.revised {
		revised[d] = at
	}
	return revised, nil
}

// planDay is a Wednesday: the plan begins with 23 November.
var planDay = fleet.NewDate(2026, 11, 25)

// plannedYard has two depots: NOR counts its shelf and has room for two visits a week, SUD for one.
func plannedYard() *planStore {
	s := &planStore{
		issue: fleet.Issue{
			ID: 7, AsOf: planDay, IssuedAt: time.Date(2026, 11, 25, 5, 30, 0, 0, time.UTC),
			Season: fleet.Season{From: fleet.NewDate(2026, 10, 1), To: fleet.NewDate(2027, 3, 31)},
		},
		depots:  []fleet.Depot{{ID: "NOR", Name: "North yard; gate 2, Ümlautstraße", Timezone: "America/Toronto", SwapsPerWeek: fleet.Known(2)}, {ID: "SUD", Timezone: "Europe/Paris", SwapsPerWeek: fleet.Known(1)}},
		people:  []fleet.Person{{Name: "jo", Role: fleet.Mechanic, Depots: []fleet.DepotID{"NOR"}}, {Name: "mara", Role: fleet.Manager, AllDepots: true}},
		shelves: []fleet.Shelf{{Depot: "NOR", Part: "B-100", Kind: fleet.BatteryPart, OnHand: 3}, {Depot: "NOR", Part: "S-7", Kind: fleet.StarterPart, OnHand: 1}},
	}
	for i := range 9 {
		depot, part, number := fleet.DepotID("NOR"), fleet.BatteryPart, "B-100"
		if i%3 == 2 {
			depot, part, number = "SUD", fleet.StarterPart, "S-7"
		}
		unit, p := fleet.UnitID(fmt.Sprintf("%s-%d", depot[:1], i)), 0.9-0.1*float64(i)
		o := fleet.Outlook{
			Unit: unit, ChanceIf: [5]float64{p / 9, p / 2, p, (1 + p) / 2, (2 + p) / 3}, NoStartCost: fleet.Known(fleet.Money(62000)),
			SwapCosts: map[fleet.Part]fleet.Money{part: 21000}, AgeYears: map[fleet.Part]float64{part: 5}, Fitted: map[fleet.Part][]string{part: {number, number}},
		}
		for week := range 19 {
			o.ChanceByWeek = append(o.ChanceByWeek, p*min(1, float64(week+1)/8))
		}
		s.listed = append(s.listed, fleet.Listed{
			Unit:     fleet.Unit{ID: unit, Depot: depot},
			Forecast: fleet.Forecast{Unit: unit, Depot: depot, Rank: i + 1, SuspectProbabilities: map[fleet.Part]float64{part: 0.8, fleet.CablePart: 0.2}, Suspect: part},
			Outlook:  &o,
		})
	}
	return s
}

func plannedOf(t *testing.T, s *planStore, of ...fleet.DepotID) reports.Planned {
	t.Helper()
	p, err := reports.NewPlans(s).Of(t.Context(), of, planDay)
	require.NoError(t, err)
	return p
}

// Depots share nothing, so what is planned depot by depot is what would be planned for all at once.
func TestDepotsPlannedApartAreThePlanOfAll(t *testing.T) {
	s := plannedYard()
	whole, err := reports.PlanUnder(t.Context(), s, nil, planDay, fleet.Opt[fleet.Money]{})
	require.NoError(t, err)
	apart := plannedOf(t, s).Plan
	require.Equal(t, whole.Depots, apart.Depots)
	require.ElementsMatch(t, whole.Left, apart.Left)
	require.Equal(t, whole.Retests, apart.Retests)
	require.Equal(t, whole.MissingParts, apart.MissingParts)
	require.True(t, apart.Exact)
	for _, sums := range [][2]fleet.Opt[fleet.Money]{{whole.Saved, apart.Saved}, {whole.Avoided, apart.Avoided}, {whole.Costs, apart.Costs}, {whole.Bound, apart.Bound}} {
		require.Equal(t, sums[0], sums[1])
	}
	require.NotEmpty(t, apart.Depots[0].Weeks[0].Visits)
}

func TestPlansAreRememberedUntilSomethingChanges(t *testing.T) {
	s := plannedYard()
	plans := reports.NewPlans(s)
	first, err := plans.Of(t.Context(), nil, planDay)
	require.NoError(t, err)
	require.ElementsMatch(t, []fleet.DepotID{"NOR", "SUD"}, s.read)
	again, err := plans.Of(t.Context(), nil, planDay)
	require.NoError(t, err)
	require.Equal(t, first, again)
	require.Len(t, s.read, 2, "nothing was read again")

	for name, change := range map[string]func(){
		"a choice": func() {
			s.choices = append(s.choices, fleet.PlanChoice{Unit: "N-7", Depot: "NOR", Monday: fleet.Known(planDay.Monday()), Who: "nora", By: "mara", At: s.issue.IssuedAt})
		},
		"a week":  func() { s.weeks = append(s.weeks, fleet.DepotWeek{Depot: "NOR", Monday: planDay.Monday(), Visits: 1}) },
		"a shelf": func() { s.shelves[0].OnHand = 1 },
		"a mechanic": func() {
			s.people = append(s.people, fleet.Person{Name: "kim", Role: fleet.Mechanic, Depots: []fleet.DepotID{"NOR"}})
		},
	} {
		s.read = nil
		change()
		_, err = plans.Of(t.Context(), []fleet.DepotID{"NOR"}, planDay)
		require.NoError(t, err)
		_, err = plans.Of(t.Context(), nil, planDay)
		require.NoError(t, err)
		require.Equal(t, []fleet.DepotID{"NOR"}, s.read, "%s is NOR's alone", name)
	}
	now, err := plans.Of(t.Context(), nil, planDay)
	require.NoError(t, err)
	i := slices.IndexFunc(now.Plan.Depots[0].Weeks[0].Visits, func(v plan.Visit) bool { return v.Unit == "N-7" })
	require.GreaterOrEqual(t, i, 0)
	require.Equal(t, "nora", now.Plan.Depots[0].Weeks[0].Visits[i].Who, "whom the manager named")
	s.issue.ID++
	s.read = nil
	_, err = plans.Of(t.Context(), nil, planDay)
	require.NoError(t, err)
	require.Len(t, s.read, 2, "a new list is planned anew")
}

func TestKeptPlansAnswerWithoutPlanning(t *testing.T) {
	s := plannedYard()
	want := plannedOf(t, s)
	kept, err := reports.NewPlans(s).Keep(t.Context(), planDay)
	require.NoError(t, err)
	require.Equal(t, 2, kept)
	kept, err = reports.NewPlans(s).Keep(t.Context(), planDay)
	require.NoError(t, err)
	require.Zero(t, kept, "once for a list is enough")
	s.read = nil
	require.Equal(t, asJSON(t, want.Plan), asJSON(t, plannedOf(t, s).Plan))
	require.Empty(t, s.read)

	before, at, found, err := reports.NewPlans(s).Before(t.Context(), nil, s.issue.IssuedAt.Add(24*time.Hour))
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, s.issue.IssuedAt.Add(time.Hour), at)
	require.Empty(t, reports.PlanChanges(before, want.Plan))
	_, _, found, err = reports.NewPlans(s).Before(t.Context(), nil, s.issue.IssuedAt)
	require.NoError(t, err)
	require.False(t, found)
}

func asJSON(t *testing.T, v any) string {
	t.Helper()
	b, err := json.Marshal(v)
	require.NoError(t, err)
	return string(b)
}

// Choices of weeks that are over lapse; only last week's is told of. To leave a unit is meant for one season.
func TestChoicesLapse(t *testing.T) {
	s := plannedYard()
	chosen := func(unit fleet.UnitID, monday fleet.Opt[fleet.Date], at time.Time) fleet.PlanChoice {
		return fleet.PlanChoice{Unit: unit, Depot: "NOR", Monday: monday, By: "mara", At: at}
	}
	monday := planDay.Monday()
	s.choices = []fleet.PlanChoice{
		chosen("N-0", fleet.Known(monday-14), s.issue.IssuedAt), chosen("N-1", fleet.Known(monday-7), s.issue.IssuedAt),
		chosen("N-3", fleet.Opt[fleet.Date]{}, s.issue.IssuedAt.AddDate(-1, 0, 0)), chosen("N-4", fleet.Opt[fleet.Date]{}, s.issue.IssuedAt),
	}
	p := plannedOf(t, s)
	require.Len(t, p.Plan.Notes, 1)
	require.Contains(t, p.Plan.Notes[0], "N-1")
	for unit, want := range map[fleet.UnitID]bool{"N-0": false, "N-3": false, "N-4": true} {
		require.Equal(t, want, slices.ContainsFunc(p.Plan.Left, func(l plan.Left) bool { return l.Unit == unit && l.Reason == plan.LeftLocked }), unit)
	}
}

func TestTheWeekendPlansTheComingWeek(t *testing.T) {
	for day, want := range map[fleet.Date]fleet.Date{fleet.NewDate(2026, 11, 27): fleet.NewDate(2026, 11, 23), fleet.NewDate(2026, 11, 28): fleet.NewDate(2026, 11, 30), fleet.NewDate(2026, 11, 30): fleet.NewDate(2026, 11, 30)} {
		require.Equal(t, want, reports.PlanMonday(day), day)
	}
}

// The letter's two parts say the same: the news first, then what changed, then each depot.
func TestThePlansLetter(t *testing.T) {
	s := plannedYard()
	first, err := reports.ComposePlan(plannedOf(t, s, "NOR"), fleet.Said{})
	require.NoError(t, err)
	require.Regexp(t, `^Week of 23.November: \d visits at NOR avoid [\d,]+\.\d\d of expected loss$`, first.Subject)
	require.Empty(t, first.Since)

	s.choices = []fleet.PlanChoice{{Unit: "N-7", Depot: "NOR", Monday: fleet.Known(planDay.Monday()), By: "mara", At: s.issue.IssuedAt}}
	later, err := reports.ComposePlan(plannedOf(t, s), fleet.Said{Mark: first.Mark, At: s.issue.IssuedAt})
	require.NoError(t, err)
	c, err := later.Render([]fleet.Attachment{fleet.AttachPDF, fleet.AttachXLSX, fleet.AttachCSV})
	require.NoError(t, err)
	require.NotEqual(t, first.Mark, c.Mark)
	for _, part := range []string{c.Text, c.HTML} {
		words := strings.Join(strings.Fields(plainSpaces(part)), " ")
		for _, want := range []string{"Changed since 25 Nov", "New in this week: ", "N-7", "locked by mara", "North yard; gate 2", "of 2 visits", "It is proven that", "The week after: ", "Negative lead off first"} {
			require.Contains(t, words, want)
		}
	}
	_, err = reports.ComposePlan(plannedOf(t, s), fleet.Said{Mark: "not ours"})
	require.Error(t, err)

	kind := reports.PlanKind(s)
	said := fleet.Said{}
	for _, changed := range []bool{true, false} {
		c, err := kind.Make(t.Context(), reports.Asked{Depots: []fleet.DepotID{"SUD"}, Now: s.issue.IssuedAt, Today: planDay, Zone: time.UTC, Last: said})
		require.NoError(t, err)
		require.Equal(t, changed, c.Changed)
		require.NotContains(t, c.Text, "N-", "nothing of another depot")
		said = fleet.Said{Mark: c.Mark, At: s.issue.IssuedAt}
	}
}

func TestChangesAgainstAnEarlierPlan(t *testing.T) {
	monday := planDay.Monday()
	at := func(weeks ...[]fleet.UnitID) plan.Plan {
		d := plan.DepotPlan{Depot: "NOR"}
		for i, units := range weeks {
			w := plan.Week{Monday: monday + fleet.Date(7*i)}
			for _, u := range units {
				w.Visits = append(w.Visits, plan.Visit{Unit: u})
			}
			d.Weeks = append(d.Weeks, w)
		}
		return plan.Plan{Monday: monday, WeekCount: len(weeks), Depots: []plan.DepotPlan{d}}
	}
	before := at([]fleet.UnitID{"gone", "stays", "later"}, []fleet.UnitID{"sooner", "z"})
	now := at([]fleet.UnitID{"stays", "sooner", "new"}, []fleet.UnitID{"later", "z", "unasked"})
	var said []string
	for _, line := range reports.PlanChanges(before, now) {
		said = append(said, plainSpaces(line))
	}
	require.Equal(t, []string{"New in this week: new.", "Brought forward: sooner, now 23 November.", "Put off: later, now 30 November.", "No longer planned: gone."}, said)
}

// Parts are counted against what the weeks before have taken from the shelf.
func TestThePickingList(t *testing.T) {
	s := plannedYard()
	monday := planDay.Monday()
	s.choices = []fleet.PlanChoice{
		{Unit: "N-0", Depot: "NOR", Monday: fleet.Known(monday), Parts: []fleet.Part{fleet.BatteryPart}, Who: "jo", Note: "with the inspection", By: "mara", At: s.issue.IssuedAt},
		{Unit: "N-1", Depot: "NOR", Monday: fleet.Known(monday + 7), Parts: []fleet.Part{fleet.BatteryPart, fleet.CablePart}, By: "mara", At: s.issue.IssuedAt},
		{Unit: "N-3", Depot: "NOR", Monday: fleet.Known(monday + 7), Parts: []fleet.Part{fleet.BatteryPart}, By: "mara", At: s.issue.IssuedAt},
	}
	s.weeks = []fleet.DepotWeek{{Depot: "NOR", Monday: monday, Visits: 1}}
	p := plannedOf(t, s)
	first, err := p.Picking("NOR", monday)
	require.NoError(t, err)
	require.Equal(t, []reports.Take{{Number: "B-100", Kind: fleet.BatteryPart, Pieces: 2, Units: []fleet.UnitID{"N-0"}, OnHand: "3"}}, first.Takes)
	require.Equal(t, "jo", first.Units[0].Who)
	require.Equal(t, []string{"Swap the battery: 2 × B-100"}, first.Units[0].Works)
	require.Equal(t, "with the inspection", first.Units[0].Note)
	second, err := p.Picking("NOR", monday+7)
	require.NoError(t, err)
	require.Equal(t, []reports.Take{{Number: "B-100", Kind: fleet.BatteryPart, Pieces: 4, Units: []fleet.UnitID{"N-1", "N-3"}, OnHand: "1", Short: 3}}, second.Takes)
	require.Equal(t, []string{"B-100: 4 needed, 1 on the shelf"}, second.Missing)
	require.Contains(t, strings.Join(second.Cautions, " "), "Negative lead off first and on last")
	sud, err := p.Picking("SUD", monday)
	require.NoError(t, err)
	require.Empty(t, sud.Takes[0].OnHand, "it does not count its shelf")

	table, err := reports.PickingTable([]reports.PickingList{second})
	require.NoError(t, err)
	rows, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, []string{"2026-11-30", "NOR", "N-1", "jo", "swap the battery", "B-100", "2", "1", "3"}, rows[1])
	require.Equal(t, "clean and tighten the cables", rows[2][4])
	pages, err := reports.PickingPDF([]reports.PickingList{first, second})
	require.NoError(t, err)
	again, err := reports.PickingPDF([]reports.PickingList{first, second})
	require.NoError(t, err)
	require.Equal(t, pages, again, "same input, same bytes")
	for _, bad := range []fleet.Date{monday - 7, monday + 1, monday + 7*52} {
		_, err = p.Picking("NOR", bad)
		require.ErrorIs(t, err, reports.ErrNoWeek)
	}
	_, err = p.Picking("NIX", monday)
	require.ErrorIs(t, err, reports.ErrNoWeek)
}

func TestThePlanAsTableAndWorkbook(t *testing.T) {
	p := plannedOf(t, plannedYard())
	table, err := p.Table()
	require.NoError(t, err)
	rows, err := csv.NewReader(bytes.NewReader(table)).ReadAll()
	require.NoError(t, err)
	require.Equal(t, reports.PlanHeader(), rows[0])
	saved := fleet.Money(0)
	for _, row := range rows[1:] {
		if row[3] != "test again" {
			m, err := fleet.ParseMoney(row[5])
			require.NoError(t, err)
			saved += m
		}
	}
	require.Equal(t, p.Plan.Saved, fleet.Known(saved))
	first, err := p.Workbook()
	require.NoError(t, err)
	second, err := p.Workbook()
	require.NoError(t, err)
	require.Equal(t, first, second)
}
