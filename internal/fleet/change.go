package fleet

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"
)

// Change is one line of the record of who changed what in the settings.
type Change struct {
	At      time.Time
	By      string // sign-in name, or which system user used a command, or ByCommand
	Subject string // what was changed: person jo, token gate, schedule 3
	What    string // how, in words; never a secret
}

// ByCommand stands for whoever used a command on the server, where that is all that is known. No sign-in name has a space.
const ByCommand = "by command"

type actorKey struct{}

// Acting returns a context in which what is changed is put down to the person of that sign-in name.
func Acting(ctx context.Context, name string) context.Context {
	return context.WithValue(ctx, actorKey{}, name)
}

// Actor is whom changes are put down to: who is acting in the context, else ByCommand.
func Actor(ctx context.Context) string {
	if name, ok := ctx.Value(actorKey{}).(string); ok {
		return name
	}
	return ByCommand
}

// ErrLastAdministrator refuses to leave a fleet without anybody who may let people in.
var ErrLastAdministrator = errors.New("this is the last administrator who may sign in: make somebody else one first")

// DepotsSeen says in words whose units the person may see.
func (p Person) DepotsSeen() string {
	if p.AllDepots {
		return "all depots"
	}
	if len(p.Depots) == 0 {
		return "no depot"
	}
	return strings.Join(p.DepotKeys(), " ")
}

// ChangesFrom says in words how the person differs from what they were; empty: not at all. Passwords are not compared.
func (p Person) ChangesFrom(before Person) string {
	var changes []string
	for _, c := range []struct{ of, from, to string }{
		{"full name", before.FullName, p.FullName},
		{"mail", before.Email, p.Email},
		{"role", string(before.Role), string(p.Role)},
		{"depots", before.DepotsSeen(), p.DepotsSeen()},
	} {
		if c.from != c.to {
			changes = append(changes, fmt.Sprintf("%s: %s → %s", c.of, orNone(c.from), orNone(c.to)))
		}
	}
	return strings.Join(changes, "; ")
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}
