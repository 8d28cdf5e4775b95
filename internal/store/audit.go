package store

import (
	"context"
	"errors"
	"fmt"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const addAudit = `INSERT INTO audit (season_from, season_to, depot, as_of, known_to, result)
	VALUES (@season_from, @season_to, nullif(@depot, ''), @as_of, @known_to, @result)`

// KeepAudits puts these audits in the place of all that were kept, all or none.
func (db *DB) KeepAudits(ctx context.Context, audits []fleet.KeptAudit) error {
	err := pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		if _, err := tx.Exec(ctx, `DELETE FROM audit`); err != nil {
			return err
		}
		batch := &pgx.Batch{}
		for _, a := range audits {
			batch.Queue(addAudit, pgx.NamedArgs{
				"season_from": sqlDate(a.Season.From), "season_to": sqlDate(a.Season.To), "depot": string(a.Depot),
				"as_of": sqlDate(a.AsOf), "known_to": sqlDate(a.KnownTo), "result": a.Result,
			})
		}
		return tx.SendBatch(ctx, batch).Close()
	})
	if err != nil {
		return fmt.Errorf("keep the audit: %w", err)
	}
	return nil
}

const listAudits = `SELECT season_from, season_to, coalesce(depot, ''), as_of, known_to, made_at, result FROM audit
	WHERE depot IS NOT DISTINCT FROM nullif(@depot, '') ORDER BY season_from DESC`

// Audits are the kept audits of one depot, or of the whole fleet where depot is empty, newest season first.
func (db *DB) Audits(ctx context.Context, depot fleet.DepotID) ([]fleet.KeptAudit, error) {
	rows, _ := db.pool.Query(ctx, listAudits, pgx.NamedArgs{"depot": string(depot)})
	audits, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (a fleet.KeptAudit, err error) {
		return a, row.Scan(dateInto(&a.Season.From), dateInto(&a.Season.To), &a.Depot, dateInto(&a.AsOf), dateInto(&a.KnownTo), &a.MadeAt, &a.Result)
	})
	if err != nil {
		return nil, fmt.Errorf("read the audit: %w", err)
	}
	return audits, nil
}

// AuditKnownTo is the last day that the kept audit looked at; unknown where there is none.
func (db *DB) AuditKnownTo(ctx context.Context) (fleet.Opt[fleet.Date], error) {
	var day fleet.Date
	err := db.pool.QueryRow(ctx, `SELECT known_to FROM audit ORDER BY known_to DESC LIMIT 1`).Scan(dateInto(&day))
	if errors.Is(err, pgx.ErrNoRows) {
		return fleet.Opt[fleet.Date]{}, nil
	}
	if err != nil {
		return fleet.Opt[fleet.Date]{}, fmt.Errorf("look up the audit: %w", err)
	}
	return fleet.Known(day), nil
}

// issueGivenOut takes only lists that were given out when they say: a list for a past day that was made later tells nothing of what
// was said then. Two days leave room for every time zone.
const issueGivenOut = issueColumns + `WHERE season_from = @season_from AND as_of BETWEEN @earliest AND @latest
	AND issued_at < (as_of + 2)::timestamp AT TIME ZONE 'UTC' ORDER BY as_of DESC, issue DESC LIMIT 1`

// IssueGivenOut is the newest ranked list for a season with an as-of date from earliest to latest that people had at the time.
// ErrNoIssue: there was none.
func (db *DB) IssueGivenOut(ctx context.Context, season fleet.Season, earliest, latest fleet.Date) (fleet.Issue, error) {
	return db.issue(ctx, issueGivenOut, pgx.NamedArgs{
		"season_from": sqlDate(season.From), "earliest": sqlDate(earliest), "latest": sqlDate(latest),
	})
}
