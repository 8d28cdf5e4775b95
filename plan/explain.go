package plan

import (
	"fmt"
	"slices"
	"strings"

	"rimeyard/internal/fleet"
)

// day is a date as people say it, like 12 October.
func day(d fleet.Date) string {
	_, month, n := d.YMD()
	return fmt.Sprintf("%d %s", n, month)
}

func percent(p float64) string { return fmt.Sprintf("%.1f %%", 100*p) }

// number writes a count with its noun, like 1 visit or 3 visits.
func number(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

func (d *Depot) called() string {
	if d.Name != "" {
		return d.Name
	}
	return string(d.ID)
}

// doing says works as people do, like "swapping the battery and cleaning the cables".
func doing(parts []fleet.Part) string {
	words := map[fleet.Part]string{
		fleet.BatteryPart: "swapping the battery", fleet.StarterPart: "swapping the starter", fleet.CablePart: "cleaning the cables",
		fleet.ChargingPart: "charging and checking the charging", fleet.ControlPart: "finding the fault in the control",
	}
	said := make([]string, len(parts))
	for i, part := range parts {
		said[i] = words[part]
	}
	return joined(said)
}

func joined(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// effect of doing a set in a week, like "412.00 of expected loss", or where no money is known "0.12 of a failed start".
func (m *maker) effect(j *job, s *set, w int) string {
	if m.noMoney {
		return fmt.Sprintf("%.2f of a failed start", m.avoids(j.course, 1, s, w))
	}
	return money(count(m.avoids(j.course, j.loss, s, w))).String() + " of expected loss"
}

// shorter is effect without its noun.
func (m *maker) shorter(j *job, s *set, w int) string {
	effect, _, _ := strings.Cut(m.effect(j, s, w), " of ")
	return effect
}

func (m *maker) whyVisit(j *job, d *Depot, s *set, w int, v *Visit) string {
	why := fmt.Sprintf("%s in the week of %s avoids %s, a week later %s", doing(s.parts), day(m.monday(w)), m.effect(j, s, w), m.shorter(j, s, w+1))
	if c, known := v.Costs.Get(); known && c > 0 {
		lost := "life that is left in the parts"
		if d.LabourPerHour.IsKnown() {
			lost += " and labour"
		}
		if m.rules.WholePrice {
			lost = strings.Replace(lost, "life that is left in the parts", "price of the parts", 1)
		}
		why += fmt.Sprintf("; it costs %s in %s", c, lost)
	}
	why += m.unpriced(v)
	if j.course.end() == 0 {
		why += "; no chance of a failed start is known for it"
	}
	if v.Locked {
		why += "; locked"
	}
	return why
}

// unpriced says which prices are counted as nothing because nobody knows them.
func (m *maker) unpriced(v *Visit) string {
	var parts []string
	for _, work := range v.Works {
		if work.Kind == SwapPart && !work.Price.IsKnown() && !m.noMoney {
			parts = append(parts, string(work.Part))
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return fmt.Sprintf("; the price of the %s is not known and not counted", joined(parts))
}

func (m *maker) whyWeek(d *Depot, w *Week) string {
	text := fmt.Sprintf("Week of %s: ", day(w.Monday))
	limit, limited := w.Capacity.Get()
	switch {
	case limited && len(w.Visits) > 0:
		text += fmt.Sprintf("%d of %s's %s", len(w.Visits), d.called(), number(limit, "slot"))
	case len(w.Visits) > 0:
		text += number(len(w.Visits), "visit") + " at " + d.called()
	case limited && limit == 0:
		text += d.called() + " has no slots"
	default:
		text += "no visit at " + d.called()
	}
	if len(w.Visits) > 0 {
		text += "; " + string(w.Visits[0].Unit) + " first: " + w.Visits[0].Why
	}
	if w.Tests > 0 {
		text += "; " + number(w.Tests, "retest")
	}
	if w.Over {
		text += "; locked choices take more than there is"
	}
	return text
}

func (m *maker) whyDepot(y *yard, d *DepotPlan, tests, missing int, extra int64) (why []string) {
	visits := 0
	for _, w := range d.Weeks {
		visits += len(w.Visits)
	}
	why = append(why, fmt.Sprintf("%s: %s in %s, %s", y.depot.called(), number(visits, "visit"), number(m.weeks, "week"), m.comeTo(&d.Worth)))
	if d.Bound.IsKnown() || d.BoundStarts.IsKnown() {
		why = append(why, m.sureness(&d.Worth))
	}
	if more, known := d.OneMore.Get(); known && more > 0 {
		why = append(why, fmt.Sprintf("one more visit a week would save %s more", more))
	}
	if more, known := d.OneMoreStarts.Get(); known && more > 0 {
		why = append(why, fmt.Sprintf("one more visit a week would avoid %.2f more failed starts", more))
	}
	if !y.limited() {
		why = append(why, "nobody has said how many units can be put right in a week: each is planned for its best week")
	}
	if tests > 0 {
		why = append(why, fmt.Sprintf("%s: knowing is worth more than acting on what is known", number(tests, "retest")))
	}
	if missing > 0 {
		text := fmt.Sprintf("stock is short of %s", number(missing, "part number"))
		if extra > 0 && !m.noMoney {
			text += fmt.Sprintf("; with every part there the plan would save %s more", money(extra))
		}
		why = append(why, text)
	}
	return why
}

func (m *maker) comeTo(w *Worth) string {
	if m.noMoney {
		return fmt.Sprintf("%.2f failed starts avoided", w.SavedStarts)
	}
	return fmt.Sprintf("%s of expected loss avoided for %s, %s saved", w.Avoided.Or(0), w.Costs.Or(0), w.Saved.Or(0))
}

// sureness says what is proven of better plans.
func (m *maker) sureness(w *Worth) string {
	within := "within these limits, with the same retests and locked choices,"
	switch {
	case w.Exact:
		return "no plan " + within + " saves more"
	case m.noMoney:
		return fmt.Sprintf("no plan %s avoids more than %.2f failed starts", within, w.BoundStarts.Or(0))
	}
	gap := "" // to be told only beside something saved
	if saved := w.Saved.Or(0); saved > 0 {
		gap = fmt.Sprintf(", which is %s more than this one", percent(w.Bound.Or(0).Amount()/saved.Amount()-1))
	}
	return fmt.Sprintf("no plan %s saves more than %s%s", within, w.Bound.Or(0), gap)
}

func (m *maker) whyPlan(p *Plan) (why []string) {
	visits, over := 0, 0
	for _, d := range p.Depots {
		for _, w := range d.Weeks {
			if visits += len(w.Visits); w.Over {
				over++
			}
		}
	}
	why = append(why, fmt.Sprintf("%s, %s from %s: %s, %s", number(len(p.Depots), "depot"), number(m.weeks, "week"), day(m.in.Monday), number(visits, "visit"), m.comeTo(&p.Worth)),
		m.sureness(&p.Worth))
	if m.noMoney {
		why = append(why, "nobody has said what a failed start costs: the plan avoids as many as it can, and counts no prices")
	}
	if budget, known := m.in.Budget.Get(); known {
		why = append(why, fmt.Sprintf("parts for %s of the budget of %s", p.Spent, budget))
	}
	if n := len(p.Retests); n > 0 {
		why = append(why, fmt.Sprintf("%s before anything is swapped there; the plan is to be made anew with what they tell", number(n, "retest")))
	}
	if over > 0 {
		why = append(why, fmt.Sprintf("locked choices take more than there is in %s", number(over, "week")))
	}
	return why
}

func (m *maker) whyRetest(t *retest) string {
	if t.locked {
		return fmt.Sprintf("test again in the week of %s; locked", day(m.monday(t.week)))
	}
	worth := fmt.Sprintf("is worth %s", fleet.RoundMoney(t.worth))
	if m.noMoney {
		worth = fmt.Sprintf("avoids %.2f of a failed start", t.worth/startIsWorth)
	}
	cases := t.unit.ChanceIf.Or([cases]float64{})
	return fmt.Sprintf("a test in the week of %s %s more than acting or leaving now: the chance of a failed start lies between %s and %s, and the chance that the test will say “act” is %s",
		day(m.monday(t.week)), worth, percent(slices.Min(cases[:])), percent(slices.Max(cases[:])), percent(t.actIf))
}
