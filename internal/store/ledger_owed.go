package store

import (
	"context"
	"fmt"
	"strings"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// ReturnCore notes on which day the core of a fitting of the unit was handed in. fleet.ErrNoCore: there is none of which it is out.
func (db *DB) ReturnCore(ctx context.Context, kind fleet.Part, serial string, unit fleet.UnitID, fittedOn fleet.Opt[fleet.Date], on fleet.Date) error {
	table, key := "battery_fitting", "battery"
	if kind == fleet.StarterPart {
		table, key = "starter_fitting", "starter"
	}
	tag, err := db.pool.Exec(ctx, `UPDATE `+table+` SET core_returned_on = @on WHERE `+key+` = @serial AND unit = @unit AND fitted_on IS NOT DISTINCT FROM @fitted::date
		AND core_returned_on IS NULL AND core_deposit > 0`,
		pgx.NamedArgs{"on": sqlDate(on), "serial": serial, "unit": string(unit), "fitted": sqlOptDate(fittedOn)})
	if err == nil && tag.RowsAffected() == 0 {
		err = fleet.ErrNoCore
	}
	if err != nil {
		return fmt.Errorf("note that the core of %s %s came back: %w", kind, serial, err)
	}
	return nil
}

// DepositsOut are the deposits that were paid for parts and have not come back. Of a part that is still fitted the core cannot go back yet,
// so of these there is only the sum. What was sold with a unit is gone, and so is a core of which a job says that none goes back.
func (db *DB) DepositsOut(ctx context.Context, asked fleet.DepositsAsked) (d fleet.DepositsOut, err error) {
	rows, _ := db.pool.Query(ctx, depositsOut, pgx.NamedArgs{"depots": depotNames(asked.Depots), "on": sqlDate(asked.On), "late": sqlOptDate(asked.Late), "most": asked.Most.Ptr()})
	var (
		c                        fleet.CoreOut
		kind, serial, unit, part *string // null: no core is out
		depot, centre            *string
		outOn                    fleet.Opt[fleet.Date]
		deposit                  *int64
	)
	into := []any{&d.Cores, &d.Sum, &d.Overdue, &d.OverdueSum, &d.Fitted, &d.FittedSum, &kind, &serial, &unit, &depot, &centre, &part, optDateInto(&c.FittedOn), optDateInto(&outOn), &deposit}
	_, err = pgx.ForEachRow(rows, into, func() error {
		if kind != nil {
			c.Kind, c.Serial, c.Unit, c.Depot = fleet.Part(*kind), *serial, fleet.UnitID(*unit), fleet.DepotID(*depot)
			c.CostCentre, c.Part, c.OutOn, c.Deposit = *centre, *part, outOn.Or(0), fleet.Money(*deposit)
			d.Due = append(d.Due, c)
		}
		return nil
	})
	if err != nil {
		return d, fmt.Errorf("read which deposits are out: %w", err)
	}
	return d, nil
}

// The sums stand beside each core, and alone where there is none, so that both are of one moment. Each branch reads an index of what is out
// alone: the sums without its table, the cores in the order in which they are shown.
var depositsOut = `WITH none AS (SELECT coalesce(e ->> 'kind', '') AS kind, coalesce(e ->> 'serial', '') AS serial, unit, coalesce(e ->> 'fitted_on', '') AS fitted_on
		FROM job, json_array_elements(exchanged) e WHERE core = 'none' AND (e ->> 'out')::boolean),
	sums AS (SELECT count(*) FILTER (WHERE removed_on <= @on) AS cores, coalesce(sum(core_deposit) FILTER (WHERE removed_on <= @on), 0)::bigint AS cores_sum,
		count(*) FILTER (WHERE removed_on <= @on AND removed_on < @late::date) AS late, coalesce(sum(core_deposit) FILTER (WHERE removed_on <= @on AND removed_on < @late::date), 0)::bigint AS late_sum,
		count(*) FILTER (WHERE removed_on IS NULL OR removed_on > @on) AS fitted, coalesce(sum(core_deposit) FILTER (WHERE removed_on IS NULL OR removed_on > @on), 0)::bigint AS fitted_sum
		FROM (` + branchesOut("removed_on, core_deposit", "") + `) there),
	due AS (SELECT * FROM (` + branchesOut("kind, serial, unit, part, fitted_on, removed_on, core_deposit", ` AND removed_on <= @on`+longestOut) + `) there` + longestOut + `)
	SELECT sums.*, due.kind, due.serial, due.unit, due.depot, due.cost_centre, due.part, due.fitted_on, due.removed_on, due.core_deposit
	FROM sums LEFT JOIN (due JOIN unit USING (unit) JOIN depot USING (depot)) due ON true ORDER BY due.removed_on, due.unit COLLATE "C", due.serial COLLATE "C"`

const longestOut = ` ORDER BY removed_on, unit COLLATE "C", serial COLLATE "C" LIMIT @most::bigint`

// branchesOut are the columns of all fittings of which a deposit is out on a day: of each kind those of which it has not come back yet, and,
// of a day gone by, those of which it came back since. The rest narrows and orders each.
func branchesOut(columns, rest string) string {
	var branches []string
	for _, kind := range []string{"battery", "starter"} {
		for _, out := range []string{`core_returned_on IS NULL`, `core_returned_on > @on`} {
			branches = append(branches, `(SELECT `+columns+` FROM (SELECT '`+kind+`' AS kind, `+kind+` AS serial, * FROM `+kind+`_fitting) f
		WHERE core_deposit > 0 AND `+out+` AND removed_because <> 'sold' AND coalesce(fitted_on, @on) <= @on AND (@depots::text[] IS NULL OR unit IN (SELECT unit FROM unit WHERE depot = ANY(@depots)))
		AND NOT (unit IN (SELECT unit FROM none) AND (kind, serial, unit, coalesce(fitted_on::text, '')) IN (SELECT kind, serial, unit, fitted_on FROM none))`+rest+`)`)
		}
	}
	return strings.Join(branches, ` UNION ALL `)
}

// Covered are the units of the depots (nil: all) with the parts that are fitted on a day and may be under warranty then, and their claims.
func (db *DB) Covered(ctx context.Context, of []fleet.DepotID, on fleet.Date) (rows fleet.Bookable, err error) {
	args := pgx.NamedArgs{"depots": depotNames(of), "on": sqlDate(on)}
	const where = ` FROM %s f JOIN unit u USING (unit) WHERE (@depots::text[] IS NULL OR u.depot = ANY(@depots)) AND (removed_on IS NULL OR removed_on > @on) AND fitted_on <= @on`
	found, _ := db.pool.Query(ctx, `SELECT battery, f.unit, part, fitted_on, price, free_months, prorata_months`+fmt.Sprintf(where, "battery_fitting")+` ORDER BY f.unit COLLATE "C", position`, args)
	rows.Batteries, err = pgx.CollectRows(found, func(row pgx.CollectableRow) (f fleet.BatteryFitting, err error) {
		var (
			price         *int64
			free, prorata *int
		)
		err = row.Scan(&f.Battery, &f.Unit, &f.Part, optDateInto(&f.FittedOn), &price, &free, &prorata)
		f.Price, f.FreeMonths, f.ProrataMonths = optMoney(price), fleet.FromPtr(free), fleet.FromPtr(prorata)
		return f, err
	})
	if err != nil {
		return rows, fmt.Errorf("read which batteries are covered: %w", err)
	}
	found, _ = db.pool.Query(ctx, `SELECT starter, f.unit, part, fitted_on, price, free_months`+fmt.Sprintf(where, "starter_fitting")+` ORDER BY f.unit COLLATE "C"`, args)
	rows.Starters, err = pgx.CollectRows(found, func(row pgx.CollectableRow) (f fleet.StarterFitting, err error) {
		var (
			price *int64
			free  *int
		)
		err = row.Scan(&f.Starter, &f.Unit, &f.Part, optDateInto(&f.FittedOn), &price, &free)
		f.Price, f.FreeMonths = optMoney(price), fleet.FromPtr(free)
		return f, err
	})
	if err != nil {
		return rows, fmt.Errorf("read which starters are covered: %w", err)
	}
	if rows.Units, err = db.unitsOf(ctx, of); err != nil {
		return rows, err
	}
	rows.Claims, err = db.Claims(ctx, of)
	return rows, err
}
