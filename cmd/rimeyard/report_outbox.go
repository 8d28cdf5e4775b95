package main

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"github.com/spf13/cobra"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

func newReportOutboxCmd() *cobra.Command {
	var sent bool
	letters := func(db *store.DB, ctx context.Context) ([]fleet.Letter, error) { return db.Letters(ctx, sent) }
	cmd := newListCmd("outbox", "Print the letters that wait or were given up, with the reason", letters, listLetters)
	cmd.Example = "  rimeyard report outbox --sent --format csv\n  rimeyard report outbox retry 12"
	cmd.Flags().BoolVar(&sent, "sent", false, "also those that have gone out")
	cmd.AddCommand(newOutboxRetryCmd())
	return cmd
}

func newOutboxRetryCmd() *cobra.Command {
	cmd := &cobra.Command{Use: "retry LETTER", Args: oneArg("a letter's number"), Short: "Make a letter due now, also one that was given up"}
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		return onNumber(cmd, args[0], func(db *store.DB, id int64) (string, error) {
			found, err := db.RetryLetter(cmd.Context(), id, time.Now())
			if err == nil && !found {
				return "", usageError{fmt.Errorf("there is no unsent letter %d; `rimeyard report outbox` shows those there are", id)}
			}
			return fmt.Sprintf("letter %d is due now; `rimeyard serve` sends it", id), err
		})
	}
	return cmd
}

// letterRow is one letter as JSON.
type letterRow struct {
	ID        int64      `json:"letter"`
	State     string     `json:"state"`
	To        string     `json:"to"`
	Subject   string     `json:"subject"`
	MessageID string     `json:"message_id"`
	QueuedAt  time.Time  `json:"queued_at"`
	NextTry   *time.Time `json:"next_try_at"` // null: none
	Attempts  int        `json:"attempts"`
	LastError string     `json:"last_error"`
}

// letterState is waiting, sent or given up.
func letterState(l fleet.Letter) string {
	switch {
	case !l.SentAt.IsZero():
		return "sent"
	case !l.GivenUpAt.IsZero():
		return "given up"
	}
	return "waiting"
}

func listLetters(letters []fleet.Letter, _ outputFormat) listing {
	rows := make([]letterRow, len(letters))
	cells := make([][]string, len(letters))
	for i, l := range letters {
		rows[i] = letterRow{l.ID, letterState(l), l.To, l.Subject, l.MessageID, l.QueuedAt.UTC(), nil, l.Attempts, l.LastError}
		next := ""
		if rows[i].State == "waiting" {
			due := l.DueAt.UTC()
			rows[i].NextTry, next = &due, due.Format(time.RFC3339)
		}
		cells[i] = []string{
			strconv.FormatInt(l.ID, 10), rows[i].State, l.To, l.Subject, l.QueuedAt.UTC().Format(time.RFC3339), next, strconv.Itoa(l.Attempts), l.LastError,
		}
	}
	return listing{
		[]string{"letter", "state", "to", "subject", "queued_at", "next_try_at", "attempts", "last_error"},
		cells, rows,
		"the outbox is empty",
	}
}
