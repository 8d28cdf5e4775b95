package store

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

// figureDepots names the depots that a kept figure is of, each after a line feed, in their order; empty: the whole fleet, which no choice of
// depots is taken for, not even that of none.
func figureDepots(of []fleet.DepotID) string {
	if of == nil {
		return ""
	}
	names := depotNames(of)
	slices.Sort(names)
	return "\n" + strings.Join(names, "\n")
}

// KeptFigure is a figure of the depots (nil: all) as it was kept last. False: it is not kept.
func (db *DB) KeptFigure(ctx context.Context, figure string, of []fleet.DepotID) (k fleet.KeptFigure, found bool, err error) {
	k = fleet.KeptFigure{Figure: figure, Depots: of}
	err = db.pool.QueryRow(ctx, `SELECT units, made_of, made_at, result FROM kept_figure WHERE figure = @figure AND depots = @depots`,
		pgx.NamedArgs{"figure": figure, "depots": figureDepots(of)}).Scan(&k.Units, &k.MadeOf, &k.MadeAt, &k.Result)
	if errors.Is(err, pgx.ErrNoRows) {
		return k, false, nil
	}
	if err != nil {
		return k, false, fmt.Errorf("read the figure %q: %w", figure, err)
	}
	return k, true, nil
}

// KeepFigure puts a figure in the place of the one before it. One that was made earlier than what is kept is not kept.
func (db *DB) KeepFigure(ctx context.Context, k fleet.KeptFigure) error {
	_, err := db.pool.Exec(ctx, `INSERT INTO kept_figure AS k (figure, depots, units, made_of, made_at, result) VALUES (@figure, @depots, @units, @made_of, @made_at, @result)
		ON CONFLICT (figure, depots) DO UPDATE SET units = excluded.units, made_of = excluded.made_of, made_at = excluded.made_at, result = excluded.result
		WHERE k.made_at <= excluded.made_at`,
		pgx.NamedArgs{"figure": k.Figure, "depots": figureDepots(k.Depots), "units": k.Units, "made_of": k.MadeOf, "made_at": k.MadeAt, "result": k.Result})
	if err != nil {
		return fmt.Errorf("keep the figure %q: %w", k.Figure, err)
	}
	return nil
}

// ForgetFigures lets go of what was kept before a time.
func (db *DB) ForgetFigures(ctx context.Context, before time.Time) error {
	if _, err := db.pool.Exec(ctx, `DELETE FROM kept_figure WHERE made_at < @before`, pgx.NamedArgs{"before": before}); err != nil {
		return fmt.Errorf("forget old figures: %w", err)
	}
	return nil
}

// MoneyMark says how far the rows have come that figures of money are made of: it differs once something was booked, a breakdown came or
// went, or a season was audited anew.
func (db *DB) MoneyMark(ctx context.Context) (m fleet.MoneyMark, err error) {
	var audited *time.Time
	err = db.pool.QueryRow(ctx, `SELECT now(), coalesce((SELECT max(entry) FROM ledger_entry), 0), (SELECT count(*) FROM breakdown), (SELECT max(made_at) FROM audit)`).
		Scan(&m.At, &m.Entry, &m.Breakdowns, &audited)
	if err != nil {
		return m, fmt.Errorf("see how far the ledger's rows have come: %w", err)
	}
	if audited != nil {
		m.Audited = *audited
	}
	return m, nil
}

const listAhead = `SELECT f.unit, f.depot, f.rank, f.band, f.no_start_probability, f.suspect, f.p_battery, f.p_starter, f.p_cable, f.p_charging, f.p_control,
	u.class, u.no_start_cost, o.winters, o.by_winter, o.ahead
	FROM forecast f JOIN unit u USING (unit) LEFT JOIN outlook o ON o.unit = f.unit AND o.issue = f.issue
	WHERE f.issue = @issue AND (@depots::text[] IS NULL OR f.depot = ANY(@depots)) ORDER BY f.rank`

// ListedAhead is an issue's list of the depots (nil: all), in its order, with the outlooks, but with no more of each line than plans and money
// need: who is suspected and how likely a failure is. Of each unit it has the class and what a failed start costs.
func (db *DB) ListedAhead(ctx context.Context, issue int64, of []fleet.DepotID) ([]fleet.Listed, error) {
	rows, _ := db.pool.Query(ctx, listAhead, pgx.NamedArgs{"issue": issue, "depots": depotNames(of)})
	list, err := pgx.CollectRows(rows, scanAhead)
	if err != nil {
		return nil, fmt.Errorf("read what lies ahead of the units of list %d: %w", issue, err)
	}
	return list, nil
}

func scanAhead(row pgx.CollectableRow) (l fleet.Listed, err error) {
	var (
		p                                          *float64
		battery, starter, cable, charging, control float64
		cost                                       *int64
		winters, byWinter                          []int16
		ahead                                      []byte
	)
	f, u := &l.Forecast, &l.Unit
	if err = row.Scan(&f.Unit, &f.Depot, &f.Rank, &f.Band, &p, &f.Suspect, &battery, &starter, &cable, &charging, &control, &u.Class, &cost, &winters, &byWinter, &ahead); err != nil {
		return l, err
	}
	u.ID, u.Depot, u.NoStartCost = f.Unit, f.Depot, optMoney(cost)
	f.NoStartProbability = fleet.FromPtr(p)
	f.SuspectProbabilities = map[fleet.Part]float64{
		fleet.BatteryPart: battery, fleet.StarterPart: starter, fleet.CablePart: cable, fleet.ChargingPart: charging, fleet.ControlPart: control,
	}
	if ahead != nil {
		l.Outlook = &fleet.Outlook{ByWinter: pastWinters(winters, byWinter)}
		err = json.Unmarshal(ahead, l.Outlook)
	}
	return l, err
}
