package store

import (
	"context"
	"crypto/rand"
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const subscriptionColumns = `SELECT s.schedule, h.report, coalesce(h.depot, ''), s.address, s.token, s.ended_at
	FROM subscription s JOIN schedule h USING (schedule) `

const (
	// Sorted, so that two servers cannot deadlock.
	addSubscriptions = `INSERT INTO subscription (schedule, address, token)
	SELECT @schedule, a, t FROM unnest(@addresses::text[], @tokens::text[]) AS n (a, t) ORDER BY a
	ON CONFLICT (schedule, address) DO NOTHING`
	findSubscriptions = subscriptionColumns + `WHERE s.schedule = @schedule AND s.address = ANY(@addresses) ORDER BY s.address`
)

// Subscriptions are those of the addresses on a schedule, begun where there were none yet: the same ones, with the same tokens,
// whoever asks first.
func (db *DB) Subscriptions(ctx context.Context, schedule int64, addresses []string) ([]fleet.Subscription, error) {
	args := pgx.NamedArgs{"schedule": schedule}
	var lower, tokens []string
	for _, a := range addresses {
		lower, tokens = append(lower, strings.ToLower(a)), append(tokens, strings.ToLower(rand.Text()))
	}
	args["addresses"], args["tokens"] = lower, tokens
	if _, err := db.pool.Exec(ctx, addSubscriptions, args); err != nil {
		return nil, fmt.Errorf("begin subscriptions to schedule %d: %w", schedule, err)
	}
	return db.subscriptions(ctx, findSubscriptions, args)
}

func (db *DB) subscriptions(ctx context.Context, query string, args pgx.NamedArgs) ([]fleet.Subscription, error) {
	rows, _ := db.pool.Query(ctx, query, args)
	list, err := pgx.CollectRows(rows, scanSubscription)
	if err != nil {
		return nil, fmt.Errorf("list subscriptions: %w", err)
	}
	return list, nil
}

func scanSubscription(row pgx.CollectableRow) (s fleet.Subscription, err error) {
	var ended *time.Time
	err = row.Scan(&s.Schedule, &s.Report, &s.Depot, &s.Address, &s.Token, &ended)
	if ended != nil {
		s.EndedAt = *ended
	}
	return s, err
}

// Subscription finds the one that a letter's link is about; false: there is none, or its schedule is gone.
func (db *DB) Subscription(ctx context.Context, token string) (fleet.Subscription, bool, error) {
	rows, _ := db.pool.Query(ctx, subscriptionColumns+`WHERE s.token = @token`, pgx.NamedArgs{"token": token})
	s, err := pgx.CollectExactlyOneRow(rows, scanSubscription)
	if errors.Is(err, pgx.ErrNoRows) {
		return fleet.Subscription{}, false, nil
	}
	if err != nil {
		return fleet.Subscription{}, false, fmt.Errorf("look up a subscription: %w", err)
	}
	return s, true, nil
}

// Unsubscribe ends the subscription of a token; again, it stays ended as of the first time. False: there is none.
func (db *DB) Unsubscribe(ctx context.Context, token string) (bool, error) {
	return db.endOrBegin(ctx, `UPDATE subscription SET ended_at = coalesce(ended_at, now()) WHERE token = @token`, pgx.NamedArgs{"token": token})
}

// Resubscribe lets an address that has left a schedule have its letters again, and notes that in the record of changes; false: it had not
// left it.
func (db *DB) Resubscribe(ctx context.Context, schedule int64, address string) (bool, error) {
	const begin = `UPDATE subscription SET ended_at = NULL WHERE schedule = @schedule AND address = lower(@address) AND ended_at IS NOT NULL`
	found, err := db.noted(ctx, begin, pgx.NamedArgs{"schedule": schedule, "address": address}, scheduleSubject(schedule), "put back: "+address)
	if err != nil {
		return false, fmt.Errorf("let %s have schedule %d again: %w", address, schedule, err)
	}
	return found, nil
}

func (db *DB) endOrBegin(ctx context.Context, statement string, args pgx.NamedArgs) (bool, error) {
	tag, err := db.pool.Exec(ctx, statement, args)
	if err != nil {
		return false, fmt.Errorf("end or begin a subscription: %w", err)
	}
	return tag.RowsAffected() == 1, nil
}

// Unsubscribed lists the addresses that have left schedules.
func (db *DB) Unsubscribed(ctx context.Context) ([]fleet.Subscription, error) {
	return db.subscriptions(ctx, subscriptionColumns+`WHERE s.ended_at IS NOT NULL ORDER BY s.schedule, s.address`, nil)
}
