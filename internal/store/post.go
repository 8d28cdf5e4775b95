package store

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/jackc/pgx/v5"

	"rimeyard/internal/fleet"
)

const addSchedule = `INSERT INTO schedule (report, depot, recipients, cron, timezone, when_quiet, attach, last_slot, enabled)
	VALUES (@report, nullif(@depot, ''), @recipients, @cron, @timezone, @when_quiet, @attach, @last_slot, @enabled) RETURNING schedule`

// AddSchedule keeps s, notes in the record of changes that the context's actor did so, in what words, and returns its number. Nothing due
// before s.LastSlot will be caught up.
func (db *DB) AddSchedule(ctx context.Context, s fleet.Schedule, what string) (id int64, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		if err := tx.QueryRow(ctx, addSchedule, scheduleArgs(s)).Scan(&id); err != nil {
			return unknownDepot(err)
		}
		return noteChange(ctx, tx, scheduleSubject(id), what)
	})
	if err != nil {
		return 0, fmt.Errorf("add a schedule of %s: %w", s.Report, err)
	}
	return id, nil
}

// scheduleSubject names a schedule in the record of changes.
func scheduleSubject(id int64) string { return fmt.Sprintf("schedule %d", id) }

// noted runs a statement that changes at most one row, with the line of the record of changes that says so in the same transaction. False:
// it changed none, and nothing was noted.
func (db *DB) noted(ctx context.Context, statement string, args pgx.NamedArgs, subject, what string) (changed bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, statement, args)
		if err != nil || tag.RowsAffected() == 0 {
			return unknownDepot(err)
		}
		changed = true
		return noteChange(ctx, tx, subject, what)
	})
	return changed && err == nil, err
}

func scheduleArgs(s fleet.Schedule) pgx.NamedArgs {
	quiet := s.WhenQuiet
	if quiet == "" {
		quiet = fleet.QuietSend
	}
	return pgx.NamedArgs{
		"id": s.ID, "report": s.Report, "depot": string(s.Depot), "recipients": s.Recipients, "cron": s.Cron, "timezone": s.Timezone,
		"when_quiet": string(quiet), "attach": texts(s.Attach), "last_slot": s.LastSlot, "enabled": s.Enabled,
	}
}

// What was said last is about that report and those depots: of others, all is new.
const changeSchedule = `UPDATE schedule SET report = @report, depot = nullif(@depot, ''), recipients = @recipients, cron = @cron,
	timezone = @timezone, when_quiet = @when_quiet, attach = @attach, last_slot = greatest(last_slot, @last_slot), enabled = @enabled,
	last_error = '', last_note = '',
	said = CASE WHEN report = @report AND depot IS NOT DISTINCT FROM nullif(@depot, '') THEN said ELSE '{}' END
	WHERE schedule = @id`

// ChangeSchedule replaces the schedule of s's number, notes what was done in the record of changes, and tells whether there was one. As
// with AddSchedule nothing due before s.LastSlot will be caught up; a slot that is dealt with already stays so.
func (db *DB) ChangeSchedule(ctx context.Context, s fleet.Schedule, what string) (bool, error) {
	found, err := db.noted(ctx, changeSchedule, scheduleArgs(s), scheduleSubject(s.ID), what)
	if err != nil {
		return false, fmt.Errorf("change schedule %d: %w", s.ID, err)
	}
	return found, nil
}

const listSchedules = `SELECT schedule, report, coalesce(depot, ''), recipients, cron, timezone, when_quiet, attach, last_slot,
	last_error, last_note, said, enabled FROM schedule ORDER BY schedule`

// Schedules lists all schedules in the order in which they were added.
func (db *DB) Schedules(ctx context.Context) ([]fleet.Schedule, error) {
	rows, _ := db.pool.Query(ctx, listSchedules) // CollectRows reports Query's error too
	list, err := pgx.CollectRows(rows, func(row pgx.CollectableRow) (s fleet.Schedule, err error) {
		return s, row.Scan(&s.ID, &s.Report, &s.Depot, &s.Recipients, &s.Cron, &s.Timezone, &s.WhenQuiet, &s.Attach, &s.LastSlot,
			&s.LastError, &s.LastNote, &s.Said, &s.Enabled)
	})
	if err != nil {
		return nil, fmt.Errorf("list schedules: %w", err)
	}
	return list, nil
}

// RemoveSchedule notes in the record of changes what was done, and tells whether there was one of that number. Letters that it has queued
// stay queued.
func (db *DB) RemoveSchedule(ctx context.Context, id int64, what string) (bool, error) {
	found, err := db.noted(ctx, `DELETE FROM schedule WHERE schedule = @id`, pgx.NamedArgs{"id": id}, scheduleSubject(id), what)
	if err != nil {
		return false, fmt.Errorf("remove schedule %d: %w", id, err)
	}
	return found, nil
}

const advanceSchedule = `UPDATE schedule SET last_slot = @slot, last_error = '', last_note = @note, said = @said
	WHERE schedule = @id AND last_slot < @slot AND enabled
	AND (@report = '' OR report = @report AND depot IS NOT DISTINCT FROM nullif(@depot, '') AND recipients = @recipients AND attach = @attach)`

// AdvanceSchedule marks the run's slot as dealt with and queues its letters, both or neither. It returns false, and queues
// nothing, where another server was first, the schedule is gone, or it has been changed since the letters were written: they may be to
// somebody who gets it no more.
func (db *DB) AdvanceSchedule(ctx context.Context, id int64, run fleet.Run) (advanced bool, err error) {
	said := run.Said
	if said == nil {
		said = map[string]fleet.Said{}
	}
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		tag, err := tx.Exec(ctx, advanceSchedule, pgx.NamedArgs{
			"id": id, "slot": run.Slot, "note": run.Note, "said": said,
			"report": run.Of.Report, "depot": string(run.Of.Depot), "recipients": run.Of.Recipients, "attach": texts(run.Of.Attach),
		})
		if err != nil {
			return err
		}
		if advanced = tag.RowsAffected() == 1; !advanced {
			return nil
		}
		_, err = queue(ctx, tx, run.Letters)
		return err
	})
	if err != nil {
		return false, fmt.Errorf("queue what schedule %d had due at %s: %w", id, run.Slot.Format(time.RFC3339), err)
	}
	return advanced, nil
}

// NoteScheduleError keeps why what is due could not be queued, for people to see; the schedule stays due.
func (db *DB) NoteScheduleError(ctx context.Context, id int64, why string) error {
	_, err := db.pool.Exec(ctx, `UPDATE schedule SET last_error = @why WHERE schedule = @id AND last_error <> @why`,
		pgx.NamedArgs{"id": id, "why": why})
	if err != nil {
		return fmt.Errorf("note why schedule %d waits: %w", id, err)
	}
	return nil
}

const queueLetter = `INSERT INTO outbox (dedupe_key, message_id, from_addr, to_addr, subject, message, queued_at, due_at)
	VALUES (@dedupe_key, @message_id, @from, @to, @subject, @message, @queued_at, @due_at)
	ON CONFLICT (dedupe_key) DO NOTHING`

// QueueLetters queues letters, all or none, and returns how many were new; one whose key was queued before is left out.
func (db *DB) QueueLetters(ctx context.Context, letters []fleet.Letter) (queued int, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		queued, err = queue(ctx, tx, letters)
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("queue %d letters: %w", len(letters), err)
	}
	return queued, nil
}

func queue(ctx context.Context, tx pgx.Tx, letters []fleet.Letter) (queued int, err error) {
	batch := &pgx.Batch{}
	for _, l := range letters {
		batch.Queue(queueLetter, pgx.NamedArgs{
			"dedupe_key": l.DedupeKey, "message_id": l.MessageID, "from": l.From, "to": l.To, "subject": l.Subject,
			"message": l.Message, "queued_at": l.QueuedAt, "due_at": l.DueAt,
		})
	}
	results := tx.SendBatch(ctx, batch)
	for range letters {
		tag, err := results.Exec()
		if err != nil {
			return 0, errors.Join(err, results.Close())
		}
		queued += int(tag.RowsAffected())
	}
	return queued, results.Close()
}

const letterColumns = `SELECT letter, dedupe_key, message_id, from_addr, to_addr, subject, message, queued_at, due_at,
	attempts, last_error, sent_at, given_up_at FROM outbox `

const (
	nextLetter = letterColumns + `WHERE sent_at IS NULL AND given_up_at IS NULL AND due_at <= @now
	ORDER BY due_at, letter LIMIT 1 FOR UPDATE SKIP LOCKED` // two senders never hold the same letter
	markLetter = `UPDATE outbox SET due_at = @due_at, attempts = @attempts, last_error = @last_error,
	sent_at = @sent_at, given_up_at = @given_up_at WHERE letter = @id`
)

// sendingLimit bounds how long a letter may be held: longer than all that a slow mail server is waited for. Where this program vanishes without closing its connection, the
// server gives the letter back after that time.
const sendingLimit = 20 * time.Minute

// DeliverNext takes the letter that has been due longest, holds it while deliver runs, and keeps what deliver returns
// of its fate. It returns false where nothing is due. The fate is kept even when ctx ends meanwhile; when the program
// dies instead, the letter is as it was and the next try sends the same bytes again.
func (db *DB) DeliverNext(ctx context.Context, now time.Time, deliver func(context.Context, fleet.Letter) fleet.Letter) (bool, error) {
	holding, cancel := context.WithTimeout(context.WithoutCancel(ctx), sendingLimit)
	defer cancel()
	found := false
	err := pgx.BeginFunc(holding, db.pool, func(tx pgx.Tx) error {
		set := fmt.Sprintf(`SET LOCAL idle_in_transaction_session_timeout = %d`, sendingLimit.Milliseconds())
		if _, err := tx.Exec(holding, set); err != nil {
			return err
		}
		rows, _ := tx.Query(holding, nextLetter, pgx.NamedArgs{"now": now})
		l, err := pgx.CollectExactlyOneRow(rows, scanLetter)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		found = true
		l = deliver(ctx, l)
		_, err = tx.Exec(holding, markLetter, pgx.NamedArgs{
			"id": l.ID, "due_at": l.DueAt, "attempts": l.Attempts, "last_error": l.LastError,
			"sent_at": sqlTime(l.SentAt), "given_up_at": sqlTime(l.GivenUpAt),
		})
		return err
	})
	if err != nil {
		return false, fmt.Errorf("deliver the next letter: %w", err)
	}
	return found, nil
}

const retryLetter = `UPDATE outbox SET given_up_at = NULL, due_at = @now, queued_at = @now WHERE letter = @id AND sent_at IS NULL RETURNING to_addr`

// RetryLetter makes an unsent letter due now, also one that was given up, notes that in the record of changes, and tells whether there was
// one.
func (db *DB) RetryLetter(ctx context.Context, id int64, now time.Time) (found bool, err error) {
	err = pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		var to string
		err := tx.QueryRow(ctx, retryLetter, pgx.NamedArgs{"id": id, "now": now}).Scan(&to)
		if errors.Is(err, pgx.ErrNoRows) {
			return nil
		}
		if err != nil {
			return err
		}
		found = true
		return noteChange(ctx, tx, fmt.Sprintf("letter %d", id), "tried again, to "+to)
	})
	if err != nil {
		return false, fmt.Errorf("try letter %d again: %w", id, err)
	}
	return found, nil
}

// letterHeads are letterColumns without the message.
const letterHeads = `SELECT letter, dedupe_key, message_id, from_addr, to_addr, subject, ''::bytea, queued_at, due_at,
	attempts, last_error, sent_at, given_up_at FROM outbox `

// Letters lists the outbox, oldest first: what waits and what was given up, and with sent also what has gone out.
// Messages are left empty.
func (db *DB) Letters(ctx context.Context, sent bool) ([]fleet.Letter, error) {
	return db.letters(ctx, letterHeads+`WHERE @sent OR sent_at IS NULL ORDER BY letter`, pgx.NamedArgs{"sent": sent})
}

func (db *DB) letters(ctx context.Context, query string, args pgx.NamedArgs) ([]fleet.Letter, error) {
	rows, _ := db.pool.Query(ctx, query, args)
	letters, err := pgx.CollectRows(rows, scanLetter)
	if err != nil {
		return nil, fmt.Errorf("list the outbox: %w", err)
	}
	return letters, nil
}

func scanLetter(row pgx.CollectableRow) (l fleet.Letter, err error) {
	var sent, givenUp *time.Time
	err = row.Scan(&l.ID, &l.DedupeKey, &l.MessageID, &l.From, &l.To, &l.Subject, &l.Message, &l.QueuedAt, &l.DueAt,
		&l.Attempts, &l.LastError, &sent, &givenUp)
	if sent != nil {
		l.SentAt = *sent
	}
	if givenUp != nil {
		l.GivenUpAt = *givenUp
	}
	return l, err
}

// sqlTime writes the zero time as null.
func sqlTime(t time.Time) *time.Time {
	if t.IsZero() {
		return nil
	}
	return &t
}
