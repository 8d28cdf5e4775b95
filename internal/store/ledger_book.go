package store

import (
	"context"
	"fmt"
	"slices"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// bookBatch is how many units' rows are held against the ledger at a time: ten years of so many need some tens of megabytes.
const bookBatch = 2000

var entryLoad = []string{
	"value_date", "booked_on", "kind", "cost_centre", "depot", "class", "unit", "part", "part_kind", "amount", "currency", "minutes", "source", "reverses", "booked_by",
}

// Post says what must be added to the ledger so that it agrees with rows.
type Post = func(rows fleet.Bookable) []fleet.LedgerEntry

// Book adds to the ledger what post says of the units (nil: all, and the bills; none: of the bills alone) and of the rows as they are at one
// moment, all or nothing, and tells how many entries that were. Meanwhile nobody else books.
func (db *DB) Book(ctx context.Context, of []fleet.UnitID, by string, post Post) (added int64, err error) {
	err = pgx.BeginTxFunc(ctx, db.pool, pgx.TxOptions{IsoLevel: pgx.RepeatableRead}, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, lockLedger); err != nil {
			return err
		}
		// A plan for any list of units would read whole tables for each batch.
		if _, err := tx.Exec(ctx, `SET LOCAL plan_cache_mode = force_custom_plan`); err != nil {
			return err
		}
		add, err := toBook(ctx, tx, of, post)
		if err != nil || len(add) == 0 {
			return err
		}
		added, err = tx.CopyFrom(ctx, pgx.Identifier{"ledger_entry"}, entryLoad, pgx.CopyFromSlice(len(add), func(i int) ([]any, error) {
			return entryRow(add[i], by), nil
		}))
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("book: %w", err)
	}
	return added, nil
}

func entryRow(e fleet.LedgerEntry, by string) []any {
	var reverses *int64
	if e.Reverses != 0 {
		reverses = &e.Reverses
	}
	return []any{
		sqlDate(e.Value), sqlDate(e.Booked), e.Kind, e.CostCentre, string(e.Depot), e.Class, string(e.Unit), e.Part, string(e.PartKind), int64(e.Amount), e.Currency,
		e.Minutes, e.Source, reverses, by,
	}
}

func toBook(ctx context.Context, tx pgx.Tx, of []fleet.UnitID, post Post) (add []fleet.LedgerEntry, err error) {
	closed, err := closedMonths(ctx, tx)
	if err != nil {
		return nil, err
	}
	if len(of) == 0 {
		if of == nil {
			if add, err = toBookOf(ctx, tx, nil, closed, post); err != nil {
				return nil, err
			}
		}
		bills, err := toBookOfBills(ctx, tx, closed, post)
		return append(add, bills...), err
	}
	names := make([]string, len(of))
	for i, u := range of {
		names[i] = string(u)
	}
	for {
		if add, err = toBookOf(ctx, tx, names, closed, post); err != nil {
			return nil, err
		}
		before, err := bookedElsewhere(ctx, tx, add, names)
		if err != nil || len(before) == 0 {
			return add, err
		}
		names = append(names, before...)
	}
}

// bookedElsewhere are other units of which rows stand booked that are now these units': a fitting that was written to the wrong one.
func bookedElsewhere(ctx context.Context, tx pgx.Tx, add []fleet.LedgerEntry, names []string) ([]string, error) {
	var sources []string
	for _, e := range add {
		if e.Reverses == 0 {
			sources = append(sources, e.Source)
		}
	}
	rows, _ := tx.Query(ctx, `SELECT DISTINCT unit FROM ledger_entry e WHERE source = ANY(@sources) AND unit <> ALL(@units) AND reverses IS NULL
		AND NOT EXISTS (SELECT FROM ledger_entry r WHERE r.reverses = e.entry)`, pgx.NamedArgs{"sources": sources, "units": names})
	others, err := pgx.CollectRows(rows, pgx.RowTo[string])
	if err != nil {
		return nil, fmt.Errorf("look for rows booked for other units: %w", err)
	}
	return others, nil
}

// toBookOf is what must be added for the units; nil: for all.
func toBookOf(ctx context.Context, tx pgx.Tx, names []string, closed []fleet.ClosedMonth, post Post) (add []fleet.LedgerEntry, err error) {
	all, err := units(ctx, tx, names)
	if err != nil {
		return nil, err
	}
	for batch := range slices.Chunk(all, bookBatch) {
		rows, err := bookable(ctx, tx, batch)
		if err != nil {
			return nil, err
		}
		rows.Closed = closed
		add = append(add, post(rows)...)
	}
	return add, nil
}

func toBookOfBills(ctx context.Context, tx pgx.Tx, closed []fleet.ClosedMonth, post Post) ([]fleet.LedgerEntry, error) {
	bills, err := listBills(ctx, tx, ` WHERE gone_at IS NULL`, nil)
	if err != nil {
		return nil, err
	}
	rows := fleet.Bookable{Bills: bills, Closed: closed}
	var names []string
	for _, b := range bills {
		if b.Unit != "" {
			names = append(names, string(b.Unit))
		}
	}
	if names != nil {
		if rows.Units, err = units(ctx, tx, names); err != nil {
			return nil, err
		}
	}
	if rows.Standing, err = standing(ctx, tx, `e.source LIKE 'bill/%'`, nil); err != nil {
		return nil, err
	}
	return post(rows), nil
}

// bookable reads all of the units that the ledger stands for. What stands of a row that belonged to another unit before is among it too.
func bookable(ctx context.Context, tx pgx.Tx, of []fleet.Unit) (rows fleet.Bookable, err error) {
	rows.Units = of
	names, index := make([]string, len(of)), make(map[fleet.UnitID]*fleet.History, len(of))
	for i, u := range of {
		names[i], index[u.ID] = string(u.ID), &fleet.History{}
	}
	if rows.Batteries, err = batteryFittings(ctx, tx, names); err != nil {
		return rows, err
	}
	if rows.Starters, err = starterFittings(ctx, tx, names); err != nil {
		return rows, err
	}
	if err := addBreakdowns(ctx, tx, names, index); err != nil {
		return rows, fmt.Errorf("read breakdowns: %w", err)
	}
	for _, u := range of {
		rows.Breakdowns = append(rows.Breakdowns, index[u.ID].Breakdowns...)
	}
	if rows.Claims, err = listClaims(ctx, tx, ` WHERE c.unit = ANY(@units)`, pgx.NamedArgs{"units": names}); err != nil {
		return rows, err
	}
	if rows.Work, err = workDone(ctx, tx, names); err != nil {
		return rows, err
	}
	rows.Standing, err = standing(ctx, tx, `e.unit = ANY(@units) AND e.source NOT LIKE 'bill/%'`, pgx.NamedArgs{"units": names})
	return rows, err
}

func standing(ctx context.Context, tx pgx.Tx, where string, args pgx.NamedArgs) ([]fleet.LedgerEntry, error) {
	rows, _ := tx.Query(ctx, `SELECT `+entryColumns+` FROM ledger_entry e WHERE reverses IS NULL AND `+where+`
		AND NOT EXISTS (SELECT FROM ledger_entry r WHERE r.reverses = e.entry)`, args)
	entries, err := pgx.CollectRows(rows, scanEntry)
	if err != nil {
		return nil, fmt.Errorf("read what stands in the ledger: %w", err)
	}
	return entries, nil
}

func workDone(ctx context.Context, tx pgx.Tx, names []string) ([]fleet.WorkDone, error) {
	rows, _ := tx.Query(ctx, `SELECT e.job, e.step, j.unit, j.part, e.happened_at, coalesce((e.what ->> 'minutes')::int, 0) FROM job j JOIN job_event e USING (job)
		WHERE j.unit = ANY(@units) AND e.to_state = 'fitted' AND e.from_state <> 'fitted' ORDER BY 1, 2`, pgx.NamedArgs{"units": names})
	jobs, err := pgx.CollectRows(rows, pgx.RowToStructByPos[fleet.WorkDone])
	if err != nil {
		return nil, fmt.Errorf("read what jobs have done: %w", err)
	}
	return jobs, nil
}

const billColumns = `SELECT bill, billed_on, kind, coalesce(unit, ''), coalesce(depot, ''), part, amount, shares, note, entered_at, entered_by FROM bill`

func listBills(ctx context.Context, q querier, where string, args pgx.NamedArgs) ([]fleet.Bill, error) {
	rows, _ := q.Query(ctx, billColumns+where+` ORDER BY billed_on DESC, bill DESC`, args)
	bills, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (b fleet.Bill, err error) {
		return b, row.Scan(&b.ID, dateInto(&b.On), &b.Kind, &b.Unit, &b.Depot, &b.Part, &b.Amount, &b.Shares, &b.Note, &b.At, &b.By)
	})
	if err != nil {
		return nil, fmt.Errorf("read bills: %w", err)
	}
	return bills, nil
}

// Bills are those of the depots (nil: all, and those of no one depot) that were not taken back, newest first.
func (db *DB) Bills(ctx context.Context, of []fleet.DepotID) ([]fleet.Bill, error) {
	return listBills(ctx, db.pool, ` WHERE gone_at IS NULL AND (@depots::text[] IS NULL OR depot = ANY(@depots) OR unit IN (SELECT unit FROM unit WHERE depot = ANY(@depots)))`,
		pgx.NamedArgs{"depots": depotNames(of)})
}

// AddBill enters a bill. One of no one unit or depot is split over all depots by their number of units as it is now.
func (db *DB) AddBill(ctx context.Context, b fleet.Bill) (id int64, err error) {
	const add = `INSERT INTO bill (billed_on, kind, unit, depot, part, amount, shares, note, entered_by) VALUES (@on, @kind, nullif(@unit, ''), nullif(@depot, ''), @part, @amount,
		CASE WHEN @unit = '' AND @depot = '' THEN (SELECT json_object_agg(depot, n) FROM (SELECT depot, count(*) AS n FROM unit GROUP BY depot) units) END, @note, @by) RETURNING bill`
	err = db.pool.QueryRow(ctx, add, pgx.NamedArgs{
		"on": sqlDate(b.On), "kind": b.Kind, "unit": string(b.Unit), "depot": string(b.Depot), "part": b.Part, "amount": int64(b.Amount), "note": b.Note, "by": b.By,
	}).Scan(&id)
	if err != nil {
		return 0, fmt.Errorf("enter a bill: %w", err)
	}
	return id, nil
}

// TakeBackBill takes a bill of the depots (nil: of any) back. False: there is none such.
func (db *DB) TakeBackBill(ctx context.Context, id int64, of []fleet.DepotID, by string) (bool, error) {
	tag, err := db.pool.Exec(ctx, `UPDATE bill SET gone_at = now(), gone_by = @by WHERE bill = @bill AND gone_at IS NULL
		AND (@depots::text[] IS NULL OR depot = ANY(@depots) OR unit IN (SELECT unit FROM unit WHERE depot = ANY(@depots)))`,
		pgx.NamedArgs{"bill": id, "by": by, "depots": depotNames(of)})
	if err != nil {
		return false, fmt.Errorf("take back bill %d: %w", id, err)
	}
	return tag.RowsAffected() == 1, nil
}
