package reports

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"net/url"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// Directory lists everybody who can sign in, disabled ones too.
type Directory interface {
	People(ctx context.Context) ([]fleet.Person, error)
}

// Subscriptions are what addresses have of a schedule, begun at their first letter; each has a token for leaving.
type Subscriptions interface {
	Subscriptions(ctx context.Context, schedule int64, addresses []string) ([]fleet.Subscription, error)
}

// Desk writes the letters of a report: one to each reader, telling what that reader may see and no more.
type Desk struct {
	Kinds         Kinds
	People        Directory
	Subscriptions Subscriptions
	// May tells whether people of a role may open a page, and so have by mail what it shows.
	May  func(role fleet.Role, page string) bool
	From string   // the sender of its letters
	Site *url.URL // under which readers reach the pages; nil: letters have no links, also none for leaving
}

// ErrNobody says that a report asked for now has no reader.
var ErrNobody = errors.New("nobody gets this report")

// Now writes the letters of s as if it were due at now: the whole report, whatever has changed. s need not be kept anywhere; its
// number does not matter. key makes the letters' keys, so that queueing them again queues nothing. Note says who is left out.
func (d Desk) Now(ctx context.Context, s fleet.Schedule, key string, now time.Time) (fleet.Run, error) {
	s.ID, s.WhenQuiet = 0, fleet.QuietSend
	run, err := d.write(ctx, s, key, now)
	if err == nil && len(run.Letters) == 0 {
		err = fmt.Errorf("%w: %s", ErrNobody, run.Note)
	}
	return run, err
}

// due writes what a schedule has due at slot.
func (d Desk) due(ctx context.Context, s fleet.Schedule, slot, now time.Time) (fleet.Run, error) {
	run, err := d.write(ctx, s, fmt.Sprintf("%d/%s", s.ID, slot.UTC().Format(time.RFC3339)), now)
	run.Of, run.Slot = s, slot
	return run, err
}

// audience is all readers who are told the same.
type audience struct {
	depots  []fleet.DepotID // nil: the whole fleet
	readers []reader
}

// writing is one schedule's letters on their way to being written.
type writing struct {
	Desk
	kind     Kind
	schedule fleet.Schedule
	zone     *time.Location
	now      time.Time
	key      string                        // begins those of the letters
	leaving  map[string]fleet.Subscription // by address
}

func (d Desk) write(ctx context.Context, s fleet.Schedule, key string, now time.Time) (fleet.Run, error) {
	w := writing{Desk: d, schedule: s, now: now, key: key}
	var err error
	if w.kind, err = d.Kinds.Named(s.Report); err != nil {
		return fleet.Run{}, err
	}
	if w.zone, err = time.LoadLocation(s.Timezone); err != nil {
		return fleet.Run{}, fmt.Errorf("time zone %q: want a name like Europe/Berlin", s.Timezone)
	}
	people, err := d.People.People(ctx)
	if err != nil {
		return fleet.Run{}, err
	}
	in, out := register{people, w.kind.Page, d.May}.readers(s.Recipients, s.Depot)
	if w.leaving, err = d.leaving(ctx, s, in); err != nil {
		return fleet.Run{}, err
	}
	in = slices.DeleteFunc(in, func(r reader) bool { return !w.leaving[r.key()].EndedAt.IsZero() })
	run := fleet.Run{Said: map[string]fleet.Said{}}
	maps.Copy(run.Said, s.Said)
	silent, audiences := 0, audiencesOf(in, w.kind.Apart)
	for _, a := range audiences {
		letters, mark, err := w.to(ctx, a)
		switch {
		case errors.Is(err, ErrNothingToTell) && silent+1 < len(audiences):
			silent++
			out = append(out, leftOut{addresses(a.readers), err.Error()})
		case err != nil: // also where there is nothing for anybody: it stays due
			return fleet.Run{}, err
		case len(letters) > 0:
			run.Letters = append(run.Letters, letters...)
			run.Said[scope(a.depots)] = fleet.Said{Mark: mark, At: now.UTC()}
		}
	}
	run.Note = noted(out)
	return run, nil
}

// to writes the letters to one audience; none where nothing changed and nothing is wanted then.
func (w writing) to(ctx context.Context, a audience) (letters []fleet.Letter, mark string, err error) {
	asked := Asked{a.depots, w.now, w.zone, fleet.DateOf(w.now, w.zone), w.schedule.Said[scope(a.depots)], w.schedule.Attach}
	content, err := w.kind.Make(ctx, asked)
	if err != nil {
		return nil, "", err
	}
	if asked.Last.Mark != "" && !content.Changed {
		if content, err = content.quiet(w.schedule.WhenQuiet, DayMonth(fleet.DateOf(asked.Last.At, w.zone), asked.Today)); err != nil || content.empty() {
			return nil, "", err
		}
	}
	for _, r := range a.readers {
		l, err := content.Letter(w.envelope(a, r))
		if err != nil {
			return nil, "", err
		}
		letters = append(letters, l)
	}
	return letters, content.Mark, nil
}

func (w writing) envelope(a audience, r reader) Envelope {
	e := Envelope{From: w.From, To: r.to.String(), DedupeKey: w.key + "/" + r.key(), At: w.now}
	if w.kind.Apart && len(r.depots) > 1 {
		e.DedupeKey += "/" + scope(a.depots)
	}
	if w.Site != nil {
		e.Page = w.Site.JoinPath(w.kind.Page).String()
		if token := w.leaving[r.key()].Token; token != "" {
			e.Leave = w.Site.JoinPath(UnsubscribePath, token).String()
		}
	}
	return e
}

// leaving are the subscriptions of readers by address; none for a report asked for now.
func (d Desk) leaving(ctx context.Context, s fleet.Schedule, in []reader) (map[string]fleet.Subscription, error) {
	byAddress := map[string]fleet.Subscription{}
	if s.ID == 0 || len(in) == 0 {
		return byAddress, nil
	}
	var keys []string
	for _, r := range in {
		keys = append(keys, r.key())
	}
	found, err := d.Subscriptions.Subscriptions(ctx, s.ID, keys)
	for _, sub := range found {
		byAddress[sub.Address] = sub
	}
	return byAddress, err
}

// audiencesOf puts together who is told the same, in the order of the first of each.
func audiencesOf(in []reader, apart bool) []audience {
	var all []audience
	at := map[string]int{}
	add := func(r reader, depots []fleet.DepotID) {
		i, known := at[scope(depots)]
		if !known {
			i = len(all)
			at[scope(depots)] = i
			all = append(all, audience{depots: depots})
		}
		all[i].readers = append(all[i].readers, r)
	}
	for _, r := range in {
		if !apart || len(r.depots) < 2 {
			add(r, r.depots)
			continue
		}
		for _, d := range r.depots {
			add(r, []fleet.DepotID{d})
		}
	}
	return all
}

// scope names depots where what was said of them is kept: empty for the whole fleet.
func scope(depots []fleet.DepotID) string {
	out := make([]string, len(depots))
	for i, d := range depots {
		out[i] = string(d)
	}
	return strings.Join(out, "\n")
}

func addresses(readers []reader) string {
	out := make([]string, len(readers))
	for i, r := range readers {
		out[i] = r.to.Address
	}
	return strings.Join(out, ", ")
}

// noted writes who was left out, and why.
func noted(out []leftOut) string {
	said := make([]string, len(out))
	for i, l := range out {
		said[i] = l.who + ": " + l.why
	}
	return oneLine(strings.Join(said, "; "))
}
