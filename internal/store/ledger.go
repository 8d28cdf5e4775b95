package store

import (
	"context"
	"fmt"
	"iter"
	"strings"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const entryColumns = `entry, value_date, booked_on, kind, cost_centre, depot, class, unit, part, part_kind, amount, currency, minutes, source,
	coalesce(reverses, 0), booked_at, booked_by`

func scanEntry(row pgx.CollectableRow) (e fleet.LedgerEntry, err error) {
	return e, row.Scan(&e.ID, dateInto(&e.Value), dateInto(&e.Booked), &e.Kind, &e.CostCentre, &e.Depot, &e.Class, &e.Unit, &e.Part, &e.PartKind, &e.Amount,
		&e.Currency, &e.Minutes, &e.Source, &e.Reverses, &e.At, &e.By)
}

// ledgerWhere is the condition that a filter sets, with its arguments. Conditions that do not narrow are left out, so that each is planned
// by what it asks for.
func ledgerWhere(f fleet.LedgerFilter) (string, pgx.NamedArgs) {
	var conditions []string
	args := pgx.NamedArgs{}
	add := func(condition, name string, value any) {
		conditions, args[name] = append(conditions, condition), value
	}
	if f.Depots != nil {
		add(`depot = ANY(@depots)`, "depots", depotNames(f.Depots))
	}
	if from, known := f.From.Get(); known {
		add(`booked_on >= @from`, "from", sqlDate(from))
	}
	if to, known := f.To.Get(); known {
		add(`booked_on <= @to`, "to", sqlDate(to))
	}
	if len(f.Kinds) > 0 {
		add(`kind = ANY(@kinds)`, "kinds", f.Kinds)
	}
	if centre, known := f.CostCentre.Get(); known {
		add(`cost_centre = @cost_centre`, "cost_centre", centre)
	}
	for _, c := range []struct{ column, value string }{
		{"depot", string(f.Depot)},
		{"class", f.Class},
		{"part", f.Part},
		{"part_kind", string(f.PartKind)},
		{"unit", string(f.Unit)},
		{"source", f.Source},
		{"currency", f.Currency},
	} {
		if c.value != "" {
			add(c.column+` = @one_`+c.column, "one_"+c.column, c.value)
		}
	}
	if len(conditions) == 0 {
		return ``, args
	}
	return ` WHERE ` + strings.Join(conditions, ` AND `), args
}

// LedgerEntries are the entries that the filter lets through, newest first.
func (db *DB) LedgerEntries(ctx context.Context, f fleet.LedgerFilter) ([]fleet.LedgerEntry, error) {
	where, args := ledgerWhere(f)
	args["limit"], args["offset"] = nil, f.Offset
	if f.Limit > 0 {
		args["limit"] = f.Limit
	}
	rows, _ := db.pool.Query(ctx, `SELECT `+entryColumns+` FROM ledger_entry`+where+` ORDER BY booked_on DESC, entry DESC LIMIT @limit::bigint OFFSET @offset`, args)
	entries, err := pgx.CollectRows(rows, scanEntry)
	if err != nil {
		return nil, fmt.Errorf("read the ledger: %w", err)
	}
	return entries, nil
}

// EachLedgerEntry yields the entries that the filter lets through, oldest first, as they come from the database. The first error ends it.
func (db *DB) EachLedgerEntry(ctx context.Context, f fleet.LedgerFilter) iter.Seq2[fleet.LedgerEntry, error] {
	return func(yield func(fleet.LedgerEntry, error) bool) {
		where, args := ledgerWhere(f)
		rows, err := db.pool.Query(ctx, `SELECT `+entryColumns+` FROM ledger_entry`+where+` ORDER BY booked_on, entry`, args)
		if err != nil {
			yield(fleet.LedgerEntry{}, fmt.Errorf("read the ledger: %w", err))
			return
		}
		defer rows.Close()
		for rows.Next() {
			e, err := scanEntry(rows)
			if err != nil {
				yield(e, fmt.Errorf("read the ledger: %w", err))
				return
			}
			if !yield(e, nil) {
				return
			}
		}
		if err := rows.Err(); err != nil {
			yield(fleet.LedgerEntry{}, fmt.Errorf("read the ledger: %w", err))
		}
	}
}

// LedgerSums are what the entries that the filter lets through come to, by month, kind, cost centre and currency. They add up to the sum of
// the entries. Sums of whole months are read from those that are kept with the entries.
func (db *DB) LedgerSums(ctx context.Context, f fleet.LedgerFilter) ([]fleet.LedgerSum, error) {
	where, args := ledgerWhere(f)
	query := `SELECT date_trunc('month', booked_on)::date, kind, cost_centre, currency, sum(amount)::bigint, sum(minutes)::bigint, count(*) FROM ledger_entry`
	if ofWholeMonths(f) {
		query = `SELECT month, kind, cost_centre, currency, sum(amount)::bigint, sum(minutes)::bigint, sum(entries)::bigint FROM
			(SELECT month AS booked_on, * FROM ledger_sum) sums`
	}
	rows, _ := db.pool.Query(ctx, query+where+` GROUP BY 1, 2, 3, 4 ORDER BY 1, 2, 3, 4`, args)
	sums, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s fleet.LedgerSum, err error) {
		return s, row.Scan(dateInto(&s.Month), &s.Kind, &s.CostCentre, &s.Currency, &s.Amount, &s.Minutes, &s.Entries)
	})
	if err != nil {
		return nil, fmt.Errorf("add up the ledger: %w", err)
	}
	return sums, nil
}

// ofWholeMonths tells whether a filter narrows by nothing but what the kept sums tell apart. A month is let through by its first day, so the
// filter must begin on one; where it ends within a month, that month's sum would be too much.
func ofWholeMonths(f fleet.LedgerFilter) bool {
	from, begins := f.From.Get()
	to, ends := f.To.Get()
	first := func(d fleet.Date) bool { _, _, day := d.YMD(); return day == 1 }
	return (!begins || first(from)) && (!ends || first(to+1)) && f.Class == "" && f.Part == "" && f.PartKind == "" && f.Unit == "" && f.Source == ""
}

// ClosedMonths are the months that are closed, newest first.
func (db *DB) ClosedMonths(ctx context.Context) ([]fleet.ClosedMonth, error) {
	return closedMonths(ctx, db.pool)
}

func closedMonths(ctx context.Context, q querier) ([]fleet.ClosedMonth, error) {
	rows, _ := q.Query(ctx, `SELECT month, closed_at, closed_by FROM closed_month ORDER BY month DESC`)
	months, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (m fleet.ClosedMonth, err error) {
		return m, row.Scan(dateInto(&m.Month), &m.At, &m.By)
	})
	if err != nil {
		return nil, fmt.Errorf("read the closed months: %w", err)
	}
	return months, nil
}

// lockLedger lets nobody else book or close until the transaction ends; readers are not held up. It must be the first statement, so that
// what the transaction sees is what stands once the lock is its own.
const lockLedger = `LOCK TABLE ledger_entry IN SHARE ROW EXCLUSIVE MODE`

// CloseMonth closes a month. False: it was closed already, or one after it.
func (db *DB) CloseMonth(ctx context.Context, month fleet.Date, by string) (closed bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, lockLedger); err != nil {
			return err
		}
		tag, err := tx.Exec(ctx, `INSERT INTO closed_month (month, closed_by) SELECT @month::date, @by WHERE NOT EXISTS (SELECT FROM closed_month WHERE month >= @month::date)`,
			pgx.NamedArgs{"month": sqlDate(month), "by": by})
		closed = tag.RowsAffected() == 1
		return err
	})
	if err != nil {
		return false, fmt.Errorf("close the month of %s: %w", month, err)
	}
	return closed, nil
}
