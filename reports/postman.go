package reports

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"rimeyard/internal/fleet"
)

// Outbox is where letters wait. DeliverNext holds the letter that is due first while deliver runs and keeps its fate;
// it returns false where nothing is due.
type Outbox interface {
	DeliverNext(ctx context.Context, now time.Time, deliver func(context.Context, fleet.Letter) fleet.Letter) (bool, error)
}

// Postman delivers what is due in the outbox. Any number of them may work on one outbox.
type Postman struct {
	Outbox Outbox
	Sender Sender
	Now    func() time.Time
	Log    *slog.Logger
}

const (
	pollEvery   = 5 * time.Second
	firstWait   = time.Minute // after the first failure; then twice as long each time
	longestWait = 2 * time.Hour
	giveUpAfter = 5 * 24 * time.Hour // RFC 5321 §4.5.4.1: at least four to five days
)

// Run delivers until ctx ends, which is no error. A database that is away for a while only delays it.
func (p Postman) Run(ctx context.Context) error {
	tick := time.NewTicker(pollEvery)
	defer tick.Stop()
	for {
		if _, err := p.Drain(ctx); err != nil && ctx.Err() == nil {
			p.Log.ErrorContext(ctx, "outbox not delivered", "error", err)
		}
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
	}
}

// Drain delivers all that is due now, and returns how many letters it tried.
func (p Postman) Drain(ctx context.Context) (tried int, err error) {
	for ctx.Err() == nil {
		found, err := p.Outbox.DeliverNext(ctx, p.Now(), p.deliver)
		if err != nil || !found {
			return tried, err
		}
		tried++
	}
	return tried, ctx.Err()
}

// deliver sends one letter and returns it with its fate.
func (p Postman) deliver(ctx context.Context, l fleet.Letter) fleet.Letter {
	err := p.Sender.Send(ctx, l)
	l = fate(l, err, p.Now())
	switch {
	case err == nil:
		p.Log.InfoContext(ctx, "letter sent", "letter", l.ID, "message_id", l.MessageID, "attempts", l.Attempts)
	case l.GivenUpAt.IsZero():
		p.Log.WarnContext(ctx, "letter waits", "letter", l.ID, "message_id", l.MessageID, "attempts", l.Attempts, "due_at", l.DueAt, "error", err)
	default:
		p.Log.ErrorContext(ctx, "letter given up", "letter", l.ID, "message_id", l.MessageID, "attempts", l.Attempts, "error", err)
	}
	return l
}

// fate is what becomes of a letter after a try that ended with err.
func fate(l fleet.Letter, err error, now time.Time) fleet.Letter {
	l.Attempts++
	if err == nil {
		l.SentAt, l.LastError = now, ""
		return l
	}
	l.LastError = oneLine(err.Error())
	if errors.Is(err, ErrRefused) || now.Sub(l.QueuedAt) >= giveUpAfter {
		l.GivenUpAt = now
		return l
	}
	wait := longestWait
	if doublings := l.Attempts - 1; doublings < 7 { // 2⁷ minutes are more than the longest wait
		wait = min(firstWait<<doublings, longestWait)
	}
	l.DueAt = now.Add(wait)
	return l
}
