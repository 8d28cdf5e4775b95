package reports

import (
	"context"
	"time"

	"rimeyard/internal/fleet"
)

// zone is that of the first depot, by which the day of the plan goes.
func (p *Planned) zone() *time.Location {
	if len(p.Depots) == 0 {
		return time.UTC
	}
	return p.Depots[0].Zone()
}

// PlanKind is the plan of the week.
func PlanKind(store PlanStore) Kind {
	plans := NewPlans(store)
	return Kind{
		Name: PlanName, Title: "Plan of the week", Page: "/plan", Forms: everyForm(),
		Make: func(ctx context.Context, a Asked) (Content, error) {
			p, err := plans.Of(ctx, a.Depots, a.Today)
			if err != nil {
				return Content{}, err
			}
			r, err := ComposePlan(p, a.Last)
			if err != nil {
				return Content{}, err
			}
			c, err := r.Render(a.Attach)
			c.Changed = c.Mark != a.Last.Mark
			return c, err
		},
	}
}

// Render fills the letter.
func (r PlanReport) Render(attach []fleet.Attachment) (Content, error) {
	c, err := filled(PlanName, r.Subject, r, nil)
	if err != nil {
		return Content{}, err
	}
	c.Mark, c.Changed = r.Mark, true
	return c.of(PlanName, r).attached(attach)
}

// Table is every visit and test of the plan as CSV, by week.
func (r PlanReport) Table() ([]byte, error) { return r.planned.Table() }

// Workbook is the whole plan as an XLSX file.
func (r PlanReport) Workbook() ([]byte, error) { return r.planned.Workbook() }

// PDFOn is the picking list of the plan's first week, a page or more for each depot.
func (r PlanReport) PDFOn(paper Paper) ([]byte, error) {
	var lists []PickingList
	for _, d := range r.planned.Plan.Depots {
		l, err := r.planned.Picking(d.Depot, r.planned.Plan.Monday)
		if err != nil {
			return nil, err
		}
		lists = append(lists, l)
	}
	return pickingPDF(lists, paper)
}
