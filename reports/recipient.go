package reports

import (
	"cmp"
	"errors"
	"fmt"
	netmail "net/mail"
	"slices"
	"strings"

	"rimeyard/internal/fleet"
)

// How a schedule names recipients other than by address.
const (
	personPrefix = "person:"
	rolePrefix   = "role:"
)

// ErrRecipient marks what names nobody.
var ErrRecipient = errors.New("want an address like ada@example.org, person:NAME, or role:manager for everybody of a role")

// CheckRecipient reads one recipient as a schedule names it. Whether there is such a person is told when a letter is due.
func CheckRecipient(s string) error {
	if name, is := strings.CutPrefix(s, personPrefix); is {
		if name == "" || name != oneLine(name) {
			return fmt.Errorf("recipient %q: %w", s, ErrRecipient)
		}
		return nil
	}
	if role, is := strings.CutPrefix(s, rolePrefix); is {
		roles := fleet.Roles()
		if slices.Contains(roles[:], fleet.Role(role)) {
			return nil
		}
		return fmt.Errorf("recipient %q: there is no such role; there is %s", s, joined(roles[:]))
	}
	if _, err := CheckAddress(s); err != nil {
		return fmt.Errorf("recipient %q: %w", s, errors.Join(ErrRecipient, ErrAddress))
	}
	return nil
}

func joined[T ~string](all []T) string {
	out := make([]string, len(all))
	for i, s := range all {
		out[i] = string(s)
	}
	return strings.Join(out, ", ")
}

// reader is one mailbox and the depots that it may be told of.
type reader struct {
	to     *netmail.Address
	depots []fleet.DepotID // nil: the whole fleet; never empty
}

func (r reader) key() string { return strings.ToLower(r.to.Address) }

// leftOut is who gets no letter, and why.
type leftOut struct{ who, why string }

const whyNoDepot = "may not see any of the depots that it is about"

// register is everybody who can sign in, with what decides who may be told what.
type register struct {
	people []fleet.Person
	page   string // of the report
	may    func(role fleet.Role, page string) bool
}

// readers resolves recipients to mailboxes, each once, in the order of the recipients. What a mailbox may be told is decided by
// whose it is, however the schedule names it: where it belongs to people who can sign in, what all of them may see, and to
// nobody who is shut out; else what the schedule is about.
func (r register) readers(recipients []string, depot fleet.DepotID) (in []reader, out []leftOut) {
	seen := map[string]bool{}
	for _, recipient := range recipients {
		boxes, why := r.boxes(recipient)
		if why != "" {
			out = append(out, leftOut{recipient, why})
		}
		for _, box := range boxes {
			one := reader{to: box}
			if seen[one.key()] {
				continue
			}
			seen[one.key()] = true
			one.depots, why = r.mayBeTold(one.key(), depot)
			switch ofRole := strings.HasPrefix(recipient, rolePrefix); {
			case why == "":
				in = append(in, one)
			case !ofRole || why != whyNoDepot: // that not all of a role see each depot is what depots are for
				out = append(out, leftOut{withAddress(recipient, box.Address), why})
			}
		}
	}
	return in, out
}

// withAddress adds the address that a recipient stands for, where it is not one itself.
func withAddress(recipient, address string) string {
	if strings.HasPrefix(recipient, personPrefix) || strings.HasPrefix(recipient, rolePrefix) {
		return fmt.Sprintf("%s (%s)", recipient, address)
	}
	return recipient
}

// boxes are the mailboxes that a recipient stands for; why says what is amiss with it, if anything is.
func (r register) boxes(recipient string) (boxes []*netmail.Address, why string) {
	name, isPerson := strings.CutPrefix(recipient, personPrefix)
	role, isRole := strings.CutPrefix(recipient, rolePrefix)
	if !isPerson && !isRole {
		box, err := CheckAddress(recipient)
		if err != nil {
			return nil, err.Error()
		}
		return []*netmail.Address{box}, ""
	}
	unfit := ""
	why = "there is no such person"
	if isRole {
		why = "nobody of that role has a mail address and may sign in"
	}
	for _, p := range r.people {
		if isPerson && p.Name != name || isRole && (string(p.Role) != role || p.Disabled || p.Email == "") {
			continue
		}
		box, err := CheckAddress(p.Email)
		if err != nil {
			unfit = p.Name
			why = fmt.Sprintf("%s has no mail address that a letter can be sent to", unfit)
			continue
		}
		box.Name = oneLine(cmp.Or(p.FullName, box.Name))
		boxes = append(boxes, box)
	}
	if len(boxes) > 0 && unfit == "" {
		why = ""
	}
	return boxes, why
}

// mayBeTold narrows what a schedule is about to what the owners of a mailbox may see.
func (r register) mayBeTold(address string, depot fleet.DepotID) (depots []fleet.DepotID, why string) {
	if depot != "" {
		depots = []fleet.DepotID{depot}
	}
	shutOut, open := false, false
	for _, p := range r.people {
		box, err := CheckAddress(p.Email)
		if err != nil || strings.ToLower(box.Address) != address {
			continue
		}
		if p.Disabled {
			shutOut = true
			continue
		}
		open = true
		if !r.may(p.Role, r.page) {
			return nil, fmt.Sprintf("may not see this report: it is not for the role %s", p.Role)
		}
		if p.AllDepots {
			continue
		}
		if depots = narrowed(depots, p.Depots); len(depots) == 0 {
			return nil, whyNoDepot
		}
	}
	if shutOut && !open {
		return nil, "is disabled"
	}
	return depots, ""
}

// narrowed are those of depots (nil: all) that are also among own, sorted.
func narrowed(depots, own []fleet.DepotID) []fleet.DepotID {
	var both []fleet.DepotID
	for _, d := range own {
		if depots == nil || slices.Contains(depots, d) {
			both = append(both, d)
		}
	}
	slices.Sort(both)
	return slices.Compact(both)
}

// Owned is how a schedule should name a recipient: an address that is one person's is kept as that person, so that what they may see
// counts whatever address they have later.
func Owned(recipient string, people []fleet.Person) string {
	box, err := CheckAddress(recipient)
	if err != nil {
		return recipient
	}
	owner := recipient
	for _, p := range people {
		if own, err := CheckAddress(p.Email); err == nil && strings.EqualFold(own.Address, box.Address) {
			if owner != recipient {
				return recipient // shared: each of them counts
			}
			owner = personPrefix + p.Name
		}
	}
	return owner
}
