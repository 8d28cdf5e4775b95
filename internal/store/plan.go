package store

import (
	"context"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const listChoices = `SELECT c.unit, u.depot, retest, monday, parts, who, note, chosen_by, chosen_at FROM plan_choice c JOIN unit u USING (unit)
	WHERE @depots::text[] IS NULL OR u.depot = ANY(@depots) ORDER BY c.unit COLLATE "C"`

// PlanChoices are what people have decided for the units of the depots; nil: of all.
func (db *DB) PlanChoices(ctx context.Context, of []fleet.DepotID) ([]fleet.PlanChoice, error) {
	rows, _ := db.pool.Query(ctx, listChoices, pgx.NamedArgs{"depots": depotNames(of)})
	choices, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (c fleet.PlanChoice, err error) {
		return c, row.Scan(&c.Unit, &c.Depot, &c.Retest, optDateInto(&c.Monday), &c.Parts, &c.Who, &c.Note, &c.By, &c.At)
	})
	if err != nil {
		return nil, fmt.Errorf("read what was chosen for the plan: %w", err)
	}
	return choices, nil
}

// A change of a unit's choice is one of its depot's plan.
const reviseUnit = `WITH revised AS (INSERT INTO plan_revised (depot, at) SELECT depot, now() FROM unit WHERE unit = @unit
	ON CONFLICT (depot) DO UPDATE SET at = now()) `

const addChoice = reviseUnit + `INSERT INTO plan_choice (unit, retest, monday, parts, who, note, chosen_by)
	VALUES (@unit, @retest, @monday, @parts, @who, @note, @by)
	ON CONFLICT (unit) DO UPDATE SET retest = excluded.retest, monday = excluded.monday, parts = excluded.parts, who = excluded.who,
	note = excluded.note, chosen_by = excluded.chosen_by, chosen_at = now()`

// ChoosePlan keeps a decision in the place of the one before it.
func (db *DB) ChoosePlan(ctx context.Context, c fleet.PlanChoice) error {
	parts := make([]string, len(c.Parts))
	for i, p := range c.Parts {
		parts[i] = string(p)
	}
	_, err := db.pool.Exec(ctx, addChoice, pgx.NamedArgs{
		"unit": string(c.Unit), "retest": c.Retest, "monday": sqlOptDate(c.Monday), "parts": parts, "who": c.Who, "note": c.Note, "by": c.By,
	})
	if err != nil {
		return fmt.Errorf("keep what was chosen for unit %s: %w", c.Unit, err)
	}
	return nil
}

// UnchoosePlan leaves a unit to the planner again.
func (db *DB) UnchoosePlan(ctx context.Context, unit fleet.UnitID) error {
	if _, err := db.pool.Exec(ctx, reviseUnit+`DELETE FROM plan_choice WHERE unit = @unit`, pgx.NamedArgs{"unit": string(unit)}); err != nil {
		return fmt.Errorf("take back what was chosen for unit %s: %w", unit, err)
	}
	return nil
}

// DepotWeeks are the weeks from a Monday on in which depots (nil: all) have other than their usual room.
func (db *DB) DepotWeeks(ctx context.Context, of []fleet.DepotID, from fleet.Date) ([]fleet.DepotWeek, error) {
	rows, _ := db.pool.Query(ctx, `SELECT depot, monday, visits FROM depot_week WHERE monday >= @from AND (@depots::text[] IS NULL OR depot = ANY(@depots))
		ORDER BY depot COLLATE "C", monday`, pgx.NamedArgs{"from": sqlDate(from), "depots": depotNames(of)})
	weeks, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (w fleet.DepotWeek, err error) {
		return w, row.Scan(&w.Depot, dateInto(&w.Monday), &w.Visits)
	})
	if err != nil {
		return nil, fmt.Errorf("read the depots' weeks: %w", err)
	}
	return weeks, nil
}

// SetDepotWeek says how many visits a depot has room for in a week; unknown: its usual number.
func (db *DB) SetDepotWeek(ctx context.Context, depot fleet.DepotID, monday fleet.Date, visits fleet.Opt[int]) error {
	args := pgx.NamedArgs{"depot": string(depot), "monday": sqlDate(monday), "visits": visits.Ptr()}
	const revise = `WITH revised AS (INSERT INTO plan_revised (depot, at) VALUES (@depot, now()) ON CONFLICT (depot) DO UPDATE SET at = now()) `
	change := `DELETE FROM depot_week WHERE depot = @depot AND monday = @monday`
	if visits.IsKnown() {
		change = `INSERT INTO depot_week (depot, monday, visits) VALUES (@depot, @monday, @visits)
			ON CONFLICT (depot, monday) DO UPDATE SET visits = excluded.visits`
	}
	if _, err := db.pool.Exec(ctx, revise+change, args); err != nil {
		return fmt.Errorf("keep the week of %s at depot %q: %w", monday, depot, err)
	}
	return nil
}

// PlanRevised is when people last changed something in the plan of the depots (nil: all); a depot where nobody has is not there.
func (db *DB) PlanRevised(ctx context.Context, of []fleet.DepotID) (map[fleet.DepotID]time.Time, error) {
	revised := map[fleet.DepotID]time.Time{}
	rows, _ := db.pool.Query(ctx, `SELECT depot, at FROM plan_revised WHERE @depots::text[] IS NULL OR depot = ANY(@depots)`, pgx.NamedArgs{"depots": depotNames(of)})
	var (
		depot fleet.DepotID
		at    time.Time
	)
	if _, err := pgx.ForEachRow(rows, []any{&depot, &at}, func() error { revised[depot] = at; return nil }); err != nil {
		return nil, fmt.Errorf("read when plans were changed: %w", err)
	}
	return revised, nil
}

const listShelves = `SELECT depot, part, kind, sum(on_hand)::int, sum(on_order)::int FROM (
		SELECT depot, part, pieces AS on_hand, 0 AS on_order FROM stock_move
		UNION ALL
		SELECT depot, part, 0, pieces FROM part_order WHERE arrived_on IS NULL AND cancelled_on IS NULL) moves
	JOIN part USING (part) WHERE @depots::text[] IS NULL OR depot = ANY(@depots)
	GROUP BY depot, part, kind ORDER BY depot COLLATE "C", part COLLATE "C"`

// Shelves are the parts that depots (nil: all) count, with what is on hand and on order. A depot without any counts none.
func (db *DB) Shelves(ctx context.Context, of []fleet.DepotID) ([]fleet.Shelf, error) {
	rows, _ := db.pool.Query(ctx, listShelves, pgx.NamedArgs{"depots": depotNames(of)})
	shelves, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s fleet.Shelf, err error) {
		return s, row.Scan(&s.Depot, &s.Part, &s.Kind, &s.OnHand, &s.OnOrder)
	})
	if err != nil {
		return nil, fmt.Errorf("read the shelves: %w", err)
	}
	return shelves, nil
}

const keepPlan = `WITH older AS (UPDATE plan SET left_units = NULL WHERE depot = @depot AND left_units IS NOT NULL)
	INSERT INTO plan (issue, depot, made_of, result, left_units) VALUES (@issue, @depot, @made_of, @result, @left)`

// KeepPlan adds a depot's plan to those that were kept. What the ones before it leave is forgotten.
func (db *DB) KeepPlan(ctx context.Context, p fleet.KeptPlan) error {
	_, err := db.pool.Exec(ctx, keepPlan, pgx.NamedArgs{
		"issue": p.Issue, "depot": string(p.Depot), "made_of": p.MadeOf, "result": p.Result, "left": p.Left,
	})
	if err != nil {
		return fmt.Errorf("keep the plan of depot %q: %w", p.Depot, err)
	}
	return nil
}

// HasPlans tells whether plans made from an issue are kept.
func (db *DB) HasPlans(ctx context.Context, issue int64) (has bool, err error) {
	err = db.pool.QueryRow(ctx, `SELECT EXISTS (SELECT FROM plan WHERE issue = @issue)`, pgx.NamedArgs{"issue": issue}).Scan(&has)
	if err != nil {
		return false, fmt.Errorf("look for kept plans: %w", err)
	}
	return has, nil
}

const keptPlans = `SELECT DISTINCT ON (depot) issue, depot, made_of, made_at, result, left_units FROM plan
	WHERE (@depots::text[] IS NULL OR depot = ANY(@depots)) AND (@before::timestamptz IS NULL OR made_at < @before) ORDER BY depot, plan DESC`

// KeptPlans are the newest of the depots (nil: all) that were made before a time, or with the zero time at all.
func (db *DB) KeptPlans(ctx context.Context, of []fleet.DepotID, before time.Time) ([]fleet.KeptPlan, error) {
	args := pgx.NamedArgs{"depots": depotNames(of), "before": nil}
	if !before.IsZero() {
		args["before"] = before
	}
	rows, _ := db.pool.Query(ctx, keptPlans, args)
	plans, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (p fleet.KeptPlan, err error) {
		return p, row.Scan(&p.Issue, &p.Depot, &p.MadeOf, &p.MadeAt, &p.Result, &p.Left)
	})
	if err != nil {
		return nil, fmt.Errorf("read the kept plans: %w", err)
	}
	return plans, nil
}
