package reports

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"

	"rimeyard/internal/fleet"
	"rimeyard/plan"
)

// PlanName is the report's name in commands, schedules and file names.
const PlanName = "plan"

// PlanReport is the first week of a plan in words, with what it saves: letter and page print it.
type PlanReport struct {
	Subject  string
	Headline string // "Week of 30 November: 9 visits at NOR avoid 1,240.00"
	Season   string // what the whole plan comes to
	Sure     string // how sure it is that no plan saves more
	Since    string // day of the plan that Changes are against; empty: there was none
	Changes  []string
	Depots   []PlanDepot
	Notes    []string
	Mark     string // the weeks of the visits told, for the next letter
	planned  Planned
}

// PlanDepot is one depot's week in words.
type PlanDepot struct {
	Depot   fleet.DepotID
	Name    string
	Slots   string // "4 of 5 visits"
	Visits  []PlanVisit
	Tests   []PlanTest
	Order   []string // parts to order, most urgent first
	Next    string   // the week after
	OneMore string   // what one more visit a week would save; empty: nothing, or visits are not limited
}

// PlanVisit is one visit in words.
type PlanVisit struct {
	Unit   fleet.UnitID
	Do     string
	Worth  string // "saves 233.83"
	Who    string // empty: nobody is named
	Locked string // who chose it; empty: the planner
	Why    string
}

// PlanTest is a test proposed in words.
type PlanTest struct {
	Unit fleet.UnitID
	Why  string
}

// planMark is what a letter spoke of: the weeks of its visits.
type planMark struct {
	Monday fleet.Date                  `json:"monday"`
	Weeks  map[fleet.UnitID]fleet.Date `json:"weeks"`
}

// weeksOf tells when units are visited, in the weeks before one.
func weeksOf(p plan.Plan, before fleet.Date) map[fleet.UnitID]fleet.Date {
	at := map[fleet.UnitID]fleet.Date{}
	for _, d := range p.Depots {
		for _, w := range d.Weeks {
			for _, v := range w.Visits {
				if w.Monday < before {
					at[v.Unit] = w.Monday
				}
			}
		}
	}
	return at
}

// ComposePlan puts the plan's first week into words, and what is new against what was said before.
func ComposePlan(p Planned, before fleet.Said) (PlanReport, error) {
	r := PlanReport{planned: p, Notes: p.Plan.Notes, Season: PlanSeason(p), Sure: PlanSureness(p.Plan.Worth)}
	monday := p.Plan.Monday
	told := planMark{monday, weeksOf(p.Plan, monday+2*7)}
	mark, err := json.Marshal(told)
	if err != nil {
		return r, err
	}
	r.Mark = string(mark)
	if before.Mark != "" {
		var last planMark
		if err := json.Unmarshal([]byte(before.Mark), &last); err != nil {
			return r, fmt.Errorf("read what the last letter told: %w", err)
		}
		r.Since = DayMonth(fleet.DateOf(before.At, p.zone()), p.Today)
		r.Changes = planChanges(last.Weeks, p.Plan)
	}
	visits, avoided, tests := 0, fleet.Opt[fleet.Money]{}, 0
	falls := 0.0
	for _, d := range p.Plan.Depots {
		at := p.planDepot(d)
		for _, v := range d.Weeks[0].Visits {
			avoided, falls = plus(avoided, v.Avoids), falls+v.ChanceFalls
		}
		visits, tests = visits+len(at.Visits), tests+len(at.Tests)
		r.Depots = append(r.Depots, at)
	}
	where := ""
	if len(r.Depots) == 1 {
		where = " at " + string(r.Depots[0].Depot)
	}
	r.Headline = fmt.Sprintf("Week of %s: %s", LongDay(monday), planNews(visits, tests, where, avoided, falls))
	r.Subject = r.Headline
	return r, nil
}

func planNews(visits, tests int, where string, avoided fleet.Opt[fleet.Money], falls float64) string {
	switch {
	case visits == 0 && tests == 0:
		return "nothing to put right" + where
	case visits == 0:
		return Count(tests, "unit") + where + " to test again, none to put right"
	}
	avoid := fmt.Sprintf("%.1f failed starts", falls)
	if m, known := avoided.Get(); known {
		avoid = Money(m) + " of expected loss"
	}
	verb := "avoid"
	if visits == 1 {
		verb = "avoids"
	}
	said := fmt.Sprintf("%s%s %s %s", Count(visits, "visit"), where, verb, avoid)
	if tests > 0 {
		said += ", " + Count(tests, "unit") + " to test again"
	}
	return said
}

// LongDay writes a date as in sentences: 30 November.
func LongDay(d fleet.Date) string {
	_, month, n := d.YMD()
	return fmt.Sprintf("%d\u00a0%s", n, month)
}

func (p *Planned) planDepot(d plan.DepotPlan) PlanDepot {
	w := d.Weeks[0]
	at := PlanDepot{Depot: d.Depot, Name: p.Name(d.Depot), Slots: SlotWords(w), OneMore: OneMoreWords(d)}
	for _, v := range w.Visits {
		at.Visits = append(at.Visits, p.planVisit(v))
	}
	for _, t := range p.Plan.Retests {
		if t.Depot == d.Depot && t.Monday == w.Monday {
			at.Tests = append(at.Tests, PlanTest{t.Unit, t.Why})
		}
	}
	for _, m := range p.Plan.MissingParts {
		if m.Depot == d.Depot {
			at.Order = append(at.Order, OrderWords(m, p.Today))
		}
	}
	if len(d.Weeks) > 1 {
		at.Next = fmt.Sprintf("The week after: %s.", SlotWords(d.Weeks[1]))
	}
	return at
}

func (p *Planned) planVisit(v plan.Visit) PlanVisit {
	out := PlanVisit{Unit: v.Unit, Do: firstUpper(VisitWords(v)), Worth: VisitWorth(v), Who: v.Who, Why: v.Why}
	if v.Locked {
		out.Locked = cmp.Or(p.Choices[v.Unit].By, "somebody")
	}
	return out
}

// VisitWords says what a visit does: swap the battery; clean and tighten the cables.
func VisitWords(v plan.Visit) string {
	said := make([]string, len(v.Works))
	for i, w := range v.Works {
		said[i] = WorkWords(w)
	}
	return strings.Join(said, "; ")
}

// VisitWorth says what a visit saves.
func VisitWorth(v plan.Visit) string {
	saves, known := v.Saves.Get()
	switch {
	case !known:
		return fmt.Sprintf("lowers the chance by %.1f\u00a0%%", 100*v.ChanceFalls)
	case saves < 0:
		return fmt.Sprintf("costs %s more than it saves", Money(-saves))
	}
	return "saves " + Money(saves)
}

// SlotWords says how full a week is: 4 of 5 visits.
func SlotWords(w plan.Week) string {
	if most, known := w.Capacity.Get(); known {
		return fmt.Sprintf("%d of %s", len(w.Visits), Count(most, "visit"))
	}
	return Count(len(w.Visits), "visit")
}

// OneMoreWords says what one more visit a week would save; empty: nothing, or visits are not limited.
func OneMoreWords(d plan.DepotPlan) string {
	if m, known := d.OneMore.Get(); known && m > 0 {
		return fmt.Sprintf("One more visit a week would save %s more by the end of the season.", Money(m))
	}
	if n, known := d.OneMoreStarts.Get(); known && n >= 0.005 {
		return fmt.Sprintf("One more visit a week would avoid %.2f more failed starts by the end of the season.", n)
	}
	return ""
}

// OrderWords says what is to be ordered, and by when.
func OrderWords(m plan.MissingPart, today fleet.Date) string {
	when := "nobody has said how long it takes to come"
	if by, known := m.OrderBy.Get(); known {
		when = "order by " + DayMonth(by, today)
		if by <= today {
			when = "order today"
		}
	}
	return fmt.Sprintf("%d of %s, needed in the week of %s: %s", m.Pieces, m.PartNumber, DayMonth(m.NeededBy, today), when)
}

// PlanSeason says what the whole plan comes to.
func PlanSeason(p Planned) string {
	visits := 0
	for _, d := range p.Plan.Depots {
		for _, w := range d.Weeks {
			visits += len(w.Visits)
		}
	}
	w := p.Plan.Worth
	until := LongDay(p.Issue.Season.To)
	avoid := "avoid"
	switch visits {
	case 0:
		return fmt.Sprintf("Until %s nothing is planned.", until)
	case 1:
		avoid = "avoids"
	}
	if saved, known := w.Saved.Get(); known {
		return fmt.Sprintf("Until %s %s %s %s of expected loss, for %s in parts' life and labour: %s is saved.",
			until, Count(visits, "visit"), avoid, Money(w.Avoided.Or(0)), Money(w.Costs.Or(0)), Money(saved))
	}
	return fmt.Sprintf("Until %s %s %s %.1f failed starts. Nobody has said what one costs.", until, Count(visits, "visit"), avoid, w.SavedStarts)
}

// PlanSureness says what is proven of better plans.
func PlanSureness(w plan.Worth) string {
	bound, known := w.Bound.Get()
	saved := w.Saved.Or(0)
	switch {
	case w.Exact:
		return "It is proven that no other order of the work saves more with the same hands and parts."
	case known && saved > 0:
		return fmt.Sprintf("It is proven that no other order of the work could save more than %s, %.1f\u00a0%% above this plan.", Money(bound), 100*(bound.Amount()/saved.Amount()-1))
	}
	return "There may be an order of the work that saves a little more."
}

const mostChanges = 12

// planChanges says what became of the visits planned before, and what is new in the plan's first week.
func planChanges(before map[fleet.UnitID]fleet.Date, p plan.Plan) (said []string) {
	now := weeksOf(p, p.Monday+fleet.Date(7*p.WeekCount))
	var fresh, sooner, later, dropped []string
	for u, week := range now {
		if _, known := before[u]; !known && week == p.Monday {
			fresh = append(fresh, string(u))
		}
	}
	for u, was := range before {
		is, planned := now[u]
		switch {
		case was < p.Monday:
		case !planned:
			dropped = append(dropped, string(u))
		case is < was:
			sooner = append(sooner, fmt.Sprintf("%s, now %s", u, LongDay(is)))
		case is > was:
			later = append(later, fmt.Sprintf("%s, now %s", u, LongDay(is)))
		}
	}
	for _, c := range []struct {
		what  string
		units []string
	}{{"New in this week", fresh}, {"Brought forward", sooner}, {"Put off", later}, {"No longer planned", dropped}} {
		if len(c.units) == 0 {
			continue
		}
		slices.Sort(c.units)
		more := ""
		if n := len(c.units) - mostChanges; n > 0 {
			c.units, more = c.units[:mostChanges], fmt.Sprintf("; and %d more", n)
		}
		said = append(said, fmt.Sprintf("%s: %s%s.", c.what, strings.Join(c.units, "; "), more))
	}
	return said
}

// PlanChanges says what is new against an earlier plan.
func PlanChanges(before, now plan.Plan) []string {
	return planChanges(weeksOf(before, before.Monday+fleet.Date(7*before.WeekCount)), now)
}
