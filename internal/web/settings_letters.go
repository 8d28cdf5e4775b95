package web

import (
	"context"
	"fmt"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/labstack/echo/v4"

	"rimeyard/internal/fleet"
)

// LetterSettings is the outbox. Found is false where there is no unsent letter of that number.
type LetterSettings interface {
	QueueLetters(ctx context.Context, letters []fleet.Letter) (queued int, err error)
	// Letters are those that wait or were given up, oldest first; with sent, those that have gone out too.
	Letters(ctx context.Context, sent bool) ([]fleet.Letter, error)
	// SentLately are those that have gone out after since, newest first.
	SentLately(ctx context.Context, since time.Time, limit int) ([]fleet.Letter, error)
	RetryLetter(ctx context.Context, id int64, now time.Time) (found bool, err error)
}

// How much of the outbox is shown.
const (
	lately       = 7 * 24 * time.Hour
	lettersShown = 200
)

// lettersPage is all that settings-letters.tmpl prints.
type lettersPage struct {
	settingsFrame
	GivenUp, Waiting, Sent []letterRow
	Zone                   string // in which times are
}

type letterRow struct {
	ID                int64
	To, Subject       string
	Queued, Next, Out string
	Tries, Error      string
	Href              string
}

func (s *Server) lettersPage(c echo.Context) error {
	zone, err := s.viewersZone(c)
	if err != nil {
		return err
	}
	page := lettersPage{settingsFrame: s.settingsFrame(c, "Letters"), Zone: zone.String()}
	unsent, err := s.visibleLetters(c)
	if err != nil {
		return err
	}
	for _, l := range unsent {
		if l.GivenUpAt.IsZero() {
			page.Waiting = append(page.Waiting, newLetterRow(l, zone))
		} else {
			page.GivenUp = append(page.GivenUp, newLetterRow(l, zone))
		}
	}
	sent, err := s.store.SentLately(c.Request().Context(), s.now().Add(-lately), lettersShown)
	if err != nil {
		return err
	}
	if sent, err = s.ofViewer(c, sent); err != nil {
		return err
	}
	for _, l := range sent {
		page.Sent = append(page.Sent, newLetterRow(l, zone))
	}
	return s.render(c, http.StatusOK, "settings-letters.tmpl", page)
}

// visibleLetters are the unsent letters that concern the asker.
func (s *Server) visibleLetters(c echo.Context) ([]fleet.Letter, error) {
	unsent, err := s.store.Letters(c.Request().Context(), false)
	if err != nil {
		return nil, err
	}
	return s.ofViewer(c, unsent)
}

// ofViewer leaves the letters of schedules that the asker may see, and those to the asker's own address. Whoever sees the whole
// fleet sees them all.
func (s *Server) ofViewer(c echo.Context, letters []fleet.Letter) ([]fleet.Letter, error) {
	v := viewerOf(c)
	if v.depots() == nil {
		return letters, nil
	}
	schedules, err := s.visibleSchedules(c)
	return slices.DeleteFunc(letters, func(l fleet.Letter) bool {
		number, _, _ := strings.Cut(l.DedupeKey, "/")
		ofTheirs := slices.ContainsFunc(schedules, func(sc fleet.Schedule) bool { return strconv.FormatInt(sc.ID, 10) == number })
		return !ofTheirs && !strings.EqualFold(l.To, v.person.Email)
	}), err
}

func newLetterRow(l fleet.Letter, zone *time.Location) letterRow {
	row := letterRow{
		ID: l.ID, To: l.To, Subject: l.Subject, Queued: when(l.QueuedAt, zone), Next: when(l.DueAt, zone), Error: l.LastError,
		Tries: strconv.Itoa(l.Attempts), Href: "/settings/letters/" + strconv.FormatInt(l.ID, 10),
	}
	if !l.SentAt.IsZero() {
		row.Out = when(l.SentAt, zone)
	}
	return row
}

// retryLetter makes an unsent letter due now, also one that was given up.
func (s *Server) retryLetter(c echo.Context) error {
	ctx, number := c.Request().Context(), c.Param("letter")
	unsent, err := s.visibleLetters(c)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(unsent, func(l fleet.Letter) bool { return strconv.FormatInt(l.ID, 10) == number })
	found := i >= 0
	if found {
		found, err = s.store.RetryLetter(ctx, unsent[i].ID, s.now())
	}
	if err != nil {
		return err
	}
	if !found {
		return s.done(c, "/settings/letters", fmt.Sprintf("There is no unsent letter %s any more.", number))
	}
	return s.done(c, "/settings/letters", fmt.Sprintf("Letter %s is due now, and is tried again within a minute.", number))
}
