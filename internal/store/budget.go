package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// A budget is for those who may see all of its units.
const budgetsSeen = `(@depots::text[] IS NULL OR depots <@ @depots) ` // null is contained in nothing

const budgetColumns = `budget, name, coalesce(issue, 0), depots, made_at, made_by, what_if`

// Budgets are the versions kept of which the depots (nil: all) are all that is in them, newest first, without their results.
func (db *DB) Budgets(ctx context.Context, of []fleet.DepotID) ([]fleet.KeptBudget, error) {
	rows, _ := db.pool.Query(ctx, `SELECT `+budgetColumns+`, NULL::json FROM budget WHERE `+budgetsSeen+`ORDER BY budget DESC`, pgx.NamedArgs{"depots": depotNames(of)})
	budgets, err := pgx.CollectRows(rows, scanBudget)
	if err != nil {
		return nil, fmt.Errorf("read the budgets: %w", err)
	}
	return budgets, nil
}

// Budget is one version with its result. False: there is none of that number for those who may see the depots (nil: all).
func (db *DB) Budget(ctx context.Context, id int64, of []fleet.DepotID) (b fleet.KeptBudget, found bool, err error) {
	rows, _ := db.pool.Query(ctx, `SELECT `+budgetColumns+`, result FROM budget WHERE budget = @budget AND `+budgetsSeen, pgx.NamedArgs{"budget": id, "depots": depotNames(of)})
	b, err = pgx.CollectExactlyOneRow(rows, scanBudget)
	if errors.Is(err, pgx.ErrNoRows) {
		return b, false, nil
	}
	if err != nil {
		return b, false, fmt.Errorf("read budget %d: %w", id, err)
	}
	return b, true, nil
}

func scanBudget(row pgx.CollectableRow) (b fleet.KeptBudget, err error) {
	var depots []string
	err = row.Scan(&b.ID, &b.Name, &b.Issue, &depots, &b.MadeAt, &b.By, &b.WhatIf, &b.Result)
	for _, d := range depots {
		b.Depots = append(b.Depots, fleet.DepotID(d))
	}
	return b, err
}

// KeepBudget keeps a version.
func (db *DB) KeepBudget(ctx context.Context, b fleet.KeptBudget) (id int64, err error) {
	err = db.pool.QueryRow(ctx, `INSERT INTO budget (name, issue, depots, made_by, what_if, result) VALUES (@name, nullif(@issue::bigint, 0), @depots, @by, @what_if, @result) RETURNING budget`,
		pgx.NamedArgs{"name": b.Name, "issue": b.Issue, "depots": depotNames(b.Depots), "by": b.By, "what_if": b.WhatIf, "result": b.Result}).Scan(&id)
	if err != nil {
		return 0, fmt.Errorf("keep budget %q: %w", b.Name, err)
	}
	return id, nil
}
