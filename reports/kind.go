package reports

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeyard/internal/fleet"
)

// Kind is a report that people ask for by name.
type Kind struct {
	Name  string
	Title string // as people read it: Winter list
	// Page is the page that shows the same: a role that may open it may have the report by mail.
	Page string
	// Apart says that a reader of some depots gets a letter about each: their figures cannot be put together.
	Apart bool
	Forms []fleet.Attachment // that its table can be attached as
	// Make composes and renders the report. ErrNothingToTell: there is nothing to report of these depots.
	Make func(context.Context, Asked) (Content, error)
}

// Asked is what a report is asked for.
type Asked struct {
	Depots []fleet.DepotID // sorted, and nothing of others may be told; nil: the whole fleet
	Now    time.Time
	Zone   *time.Location // in which times are written
	Today  fleet.Date     // now's day there
	Last   fleet.Said     // what the last letter about these depots spoke of; zero: there was none
	Attach []fleet.Attachment
}

// Only is the single depot asked for; empty where the whole fleet or several are.
func (a Asked) Only() fleet.DepotID {
	if len(a.Depots) == 1 {
		return a.Depots[0]
	}
	return ""
}

// ErrNothingToTell marks a report of which nothing is known for the depots asked for. It holds up no other reader's letter.
var ErrNothingToTell = errors.New("there is nothing to report")

// nothingToTellError is an ErrNothingToTell with a sentence of its own.
type nothingToTellError struct{ error }

// Is makes it an ErrNothingToTell.
func (nothingToTellError) Is(target error) bool { return target == ErrNothingToTell }
func (e nothingToTellError) Unwrap() error      { return e.error }

// Kinds are the reports there are.
type Kinds []Kind

// Named finds a report; its error says which there are.
func (k Kinds) Named(name string) (Kind, error) {
	for _, kind := range k {
		if kind.Name == name {
			return kind, nil
		}
	}
	return Kind{}, fmt.Errorf("no report is called %q; there is %s", name, k.Names())
}

// Names lists what the reports are called, for a sentence.
func (k Kinds) Names() string {
	names := make([]string, len(k))
	for i, kind := range k {
		names[i] = kind.Name
	}
	return strings.Join(names, ", ")
}

// Takes tells whether the report's table can be attached in these forms.
func (k Kind) Takes(attach []fleet.Attachment) error {
	for i, form := range attach {
		switch {
		case !slices.Contains(k.Forms, form):
			forms := make([]string, len(k.Forms))
			for i, f := range k.Forms {
				forms[i] = string(f)
			}
			return fmt.Errorf("%s cannot be attached to %s: it comes as %s", form, k.Name, strings.Join(forms, ", "))
		case slices.Contains(attach[:i], form):
			return fmt.Errorf("%s is given twice", form)
		}
	}
	return nil
}

func everyForm() []fleet.Attachment {
	forms := fleet.Attachments()
	return forms[:]
}

// Gather brings together what a winter list says.
type Gather func(context.Context, Asked) (WinterListData, error)

// WinterListKind is the winter list with its first top entries (0: DefaultTop).
func WinterListKind(gather Gather, top int) Kind {
	return Kind{
		Name: WinterListName, Title: "Winter list", Page: "/winter-list", Forms: everyForm(),
		Make: func(ctx context.Context, a Asked) (Content, error) {
			data, err := gather(ctx, a)
			if err != nil {
				return Content{}, err
			}
			list, err := Compose(data.within(a.Depots), top)
			if err != nil {
				return Content{}, err
			}
			return list.Render(a.Attach)
		},
	}
}

// among leaves what is known of the depots asked for (nil: of all).
func among(known []fleet.Depot, asked []fleet.DepotID) []fleet.Depot {
	if asked == nil {
		return known
	}
	return slices.DeleteFunc(slices.Clone(known), func(one fleet.Depot) bool { return !slices.Contains(asked, one.ID) })
}

// GatherAudit brings together what an audit says.
type GatherAudit func(context.Context, Asked) (AuditData, error)

// AuditKind is the audit of past seasons.
func AuditKind(gather GatherAudit) Kind {
	return Kind{
		Name: AuditName, Title: "Audit", Page: "/audit", Apart: true, Forms: everyForm(),
		Make: func(ctx context.Context, a Asked) (Content, error) {
			data, err := gather(ctx, a)
			var audit AuditReport
			if err == nil {
				data.Depots = among(data.Depots, a.Depots)
				audit, err = ComposeAudit(data)
			}
			if errors.Is(err, ErrNoAudit) {
				err = nothingToTellError{err}
			}
			if err != nil {
				return Content{}, err
			}
			c, err := audit.Render(a.Attach)
			c.Changed = c.Mark != a.Last.Mark
			return c, err
		},
	}
}
