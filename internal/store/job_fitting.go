package store

import (
	"context"
	"errors"
	"slices"

	"github.com/jackc/pgx/v5"
	"github.com/jackc/pgx/v5/pgconn"

	"rimeyard/internal/fleet"
)

// An unknown fitting date is no reason against an end; one that lies ahead is.
const (
	endBattery = `UPDATE battery_fitting SET removed_on = @today, removed_because = @because WHERE unit = @unit AND position = @position
		AND removed_on IS NULL AND coalesce(fitted_on, @today) <= @today RETURNING battery, part, position, fitted_on, core_deposit`
	endStarter = `UPDATE starter_fitting SET removed_on = @today, removed_because = @because WHERE unit = @unit
		AND removed_on IS NULL AND coalesce(fitted_on, @today) <= @today RETURNING starter, part, 0, fitted_on, core_deposit`
	batteryElsewhere = `SELECT unit FROM battery_fitting WHERE battery = $1 AND removed_on IS NULL`
	starterElsewhere = `SELECT unit FROM starter_fitting WHERE starter = $1 AND removed_on IS NULL`

	// What is not typed in is what the part costs from the newest day that is not ahead.
	priceNow   = `LEFT JOIN LATERAL (SELECT * FROM part_price p WHERE p.part = @part AND from_date <= @today ORDER BY from_date DESC LIMIT 1) p ON true `
	addBattery = `INSERT INTO battery_fitting (battery, unit, position, part, chemistry, rated_cca_a, cca_standard, rated_ah, made_on, fitted_on, price,
		core_deposit, free_months, prorata_months)
		SELECT @serial, @unit, @position, @part, @chemistry, @cca, @standard, @ah::float8, coalesce(@made_on::date, s.made_on), @today, coalesce(@price::bigint, p.price),
		coalesce(@deposit::bigint, p.core_deposit), coalesce(@free::int, p.free_months), coalesce(@prorata::int, p.prorata_months)
		FROM (SELECT 1) one ` + priceNow + `LEFT JOIN shelf_battery s ON s.serial = @serial RETURNING core_deposit`
	addStarter = `INSERT INTO starter_fitting (starter, unit, part, fitted_on, price, core_deposit, free_months)
		SELECT @serial, @unit, @part, @today, coalesce(@price::bigint, p.price), coalesce(@deposit::bigint, p.core_deposit), coalesce(@free::int, p.free_months)
		FROM (SELECT 1) one ` + priceNow + `RETURNING core_deposit`
	takeOffShelf = `UPDATE shelf_battery SET gone_on = @today, gone_because = 'fitted' WHERE serial = @serial AND gone_on IS NULL RETURNING depot`
	// Only a shelf that is counted can give a piece away.
	bookFitted = `INSERT INTO stock_move (depot, part, pieces, because, moved_at, moved_by, note)
		SELECT @depot, @part, -1, 'fitted', @at, @by, @note WHERE EXISTS (SELECT FROM stock_move WHERE depot = @depot AND part = @part)`
	visitDone = reviseUnit + `UPDATE plan_choice SET parts = array_remove(parts, @part) WHERE unit = @unit AND NOT retest`
	dropVisit = `DELETE FROM plan_choice WHERE unit = @unit AND NOT retest AND monday IS NOT NULL AND parts = '{}'`
)

// fit books what a job puts in and takes out: fittings, shelf, and the plan, which has one thing less to do. Of the job it sets the part
// number, the pieces and what was exchanged.
func fit(ctx context.Context, tx pgx.Tx, j *fleet.Job, c fleet.JobChange) (exchanged []fleet.Piece, err error) {
	for _, b := range c.Fitting.Batteries {
		if exchanged, err = exchange(ctx, tx, *j, c, batteryPiece(b), batteryArgs(b), exchanged); err != nil {
			return nil, err
		}
	}
	for _, s := range c.Fitting.Starters {
		if exchanged, err = exchange(ctx, tx, *j, c, fleet.Piece{Kind: fleet.StarterPart, Serial: s.Starter, Part: s.Part}, starterArgs(s), exchanged); err != nil {
			return nil, err
		}
	}
	if n := len(c.Fitting.Batteries) + len(c.Fitting.Starters); n > 0 {
		j.Pieces = n
		j.PartNumber = exchanged[slices.IndexFunc(exchanged, func(p fleet.Piece) bool { return !p.Out })].Part
	}
	j.Exchanged = append(j.Exchanged, exchanged...)
	args := pgx.NamedArgs{"unit": string(j.Unit), "part": string(j.Part)}
	if _, err := tx.Exec(ctx, visitDone, args); err != nil {
		return nil, err
	}
	_, err = tx.Exec(ctx, dropVisit, args)
	return exchanged, err
}

func batteryPiece(b fleet.BatteryFitting) fleet.Piece {
	return fleet.Piece{Kind: fleet.BatteryPart, Serial: b.Battery, Part: b.Part, Position: b.Position}
}

func batteryArgs(b fleet.BatteryFitting) pgx.NamedArgs {
	return pgx.NamedArgs{
		"chemistry": string(b.Chemistry), "cca": b.RatedCCAA, "standard": string(b.CCAStandard), "ah": b.RatedAh.Ptr(), "made_on": sqlOptDate(b.MadeOn),
		"price": sqlMoney(b.Price), "deposit": sqlMoney(b.CoreDeposit), "free": b.FreeMonths.Ptr(), "prorata": b.ProrataMonths.Ptr(),
	}
}

func starterArgs(s fleet.StarterFitting) pgx.NamedArgs {
	return pgx.NamedArgs{"price": sqlMoney(s.Price), "deposit": sqlMoney(s.CoreDeposit), "free": s.FreeMonths.Ptr()}
}

// exchange takes the old piece out of a place, puts the new one in, and adds both to what was exchanged.
func exchange(ctx context.Context, tx pgx.Tx, j fleet.Job, c fleet.JobChange, in fleet.Piece, args pgx.NamedArgs, exchanged []fleet.Piece) ([]fleet.Piece, error) {
	end, elsewhere, add := endBattery, batteryElsewhere, addBattery
	if in.Kind == fleet.StarterPart {
		end, elsewhere, add = endStarter, starterElsewhere, addStarter
	}
	args["unit"], args["position"], args["today"], args["because"] = string(j.Unit), in.Position, sqlDate(c.Today), string(c.Fitting.Because)
	args["serial"], args["part"], args["at"], args["by"], args["note"] = in.Serial, in.Part, c.At, c.By, string(j.Unit)
	out, err := endFittings(ctx, tx, end, args, in.Kind)
	if err != nil {
		return nil, err
	}
	for i := range out {
		out[i].Because, out[i].At = c.Fitting.Because, c.Today
		if out[i].Serial == in.Serial {
			return nil, fleet.Refused("%s %s is the one that comes out: read the label of the new one", in.Kind, in.Serial)
		}
	}
	if err := notElsewhere(ctx, tx, elsewhere, in); err != nil {
		return nil, err
	}
	in.FittedOn, in.At = fleet.Known(c.Today), c.Today
	var deposit *int64
	err = tx.QueryRow(ctx, add, args).Scan(&deposit)
	const uniqueViolation = "23505" // PostgreSQL documentation, appendix A
	if pg, ok := errors.AsType[*pgconn.PgError](err); ok && pg.Code == uniqueViolation {
		return nil, fleet.Refused("%s %s was fitted once today already: read its label again", in.Kind, in.Serial)
	}
	if err != nil {
		return nil, err
	}
	in.Deposit = optMoney(deposit)
	return append(append(exchanged, out...), in), leaveShelf(ctx, tx, j, args)
}

func endFittings(ctx context.Context, tx pgx.Tx, sql string, args pgx.NamedArgs, kind fleet.Part) ([]fleet.Piece, error) {
	rows, _ := tx.Query(ctx, sql, args)
	return pgx.CollectRows(rows, func(row pgx.CollectableRow) (fleet.Piece, error) {
		p := fleet.Piece{Out: true, Kind: kind}
		var deposit *int64
		err := row.Scan(&p.Serial, &p.Part, &p.Position, optDateInto(&p.FittedOn), &deposit)
		p.Deposit = optMoney(deposit)
		return p, err
	})
}

// notElsewhere refuses a part that is on record as fitted somewhere.
func notElsewhere(ctx context.Context, tx pgx.Tx, sql string, in fleet.Piece) error {
	var unit string
	err := tx.QueryRow(ctx, sql, in.Serial).Scan(&unit)
	if errors.Is(err, pgx.ErrNoRows) {
		return nil
	}
	if err != nil {
		return err
	}
	return fleet.Refused("%s %s is fitted to unit %s by the records: read the label again, or book it out there first", in.Kind, in.Serial, unit)
}

// leaveShelf takes the piece off the shelf on which it stood, else off that of the unit's depot.
func leaveShelf(ctx context.Context, tx pgx.Tx, j fleet.Job, args pgx.NamedArgs) error {
	args["depot"] = string(j.Depot)
	var from string
	err := tx.QueryRow(ctx, takeOffShelf, args).Scan(&from)
	if err == nil {
		args["depot"] = from
	} else if !errors.Is(err, pgx.ErrNoRows) {
		return err
	}
	_, err = tx.Exec(ctx, bookFitted, args)
	return err
}

// returnCores notes on the fittings that came out that their cores were handed in.
func returnCores(ctx context.Context, tx pgx.Tx, j fleet.Job, on fleet.Date) error {
	for _, p := range j.Removed() {
		sql := `UPDATE battery_fitting SET core_returned_on = @on WHERE battery = @serial AND unit = @unit AND fitted_on IS NOT DISTINCT FROM @fitted::date AND core_returned_on IS NULL`
		if p.Kind == fleet.StarterPart {
			sql = `UPDATE starter_fitting SET core_returned_on = @on WHERE starter = @serial AND unit = @unit AND fitted_on IS NOT DISTINCT FROM @fitted::date AND core_returned_on IS NULL`
		}
		if _, err := tx.Exec(ctx, sql, pgx.NamedArgs{"on": sqlDate(on), "serial": p.Serial, "unit": string(j.Unit), "fitted": sqlOptDate(p.FittedOn)}); err != nil {
			return err
		}
	}
	return nil
}
