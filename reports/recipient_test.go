package reports

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// somePeople are one of each case that decides who is told what.
func somePeople() []fleet.Person {
	return []fleet.Person{
		{Name: "mara", FullName: "Mara Østby", Email: "Mara@example.org", Role: fleet.Manager, AllDepots: true},
		{Name: "nils", Email: "nils@example.org", Role: fleet.Manager, Depots: []fleet.DepotID{"SUD", "NOR"}},
		{Name: "jo", Email: "jo@example.org", Role: fleet.Mechanic, Depots: []fleet.DepotID{"NOR"}},
		{Name: "rita", Email: "rita@example.org", Role: fleet.Reader, AllDepots: true},
		{Name: "gone", Email: "gone@example.org", Role: fleet.Manager, AllDepots: true, Disabled: true},
		{Name: "mute", Role: fleet.Manager, AllDepots: true},
		{Name: "odd", Email: "not an address", Role: fleet.Manager, AllDepots: true},
		{Name: "lost", Email: "lost@example.org", Role: fleet.Manager, Depots: nil},
		{Name: "one", Email: "yard@example.org", Role: fleet.Manager, Depots: []fleet.DepotID{"NOR", "SUD"}},
		{Name: "other", Email: "yard@example.org", Role: fleet.Manager, Depots: []fleet.DepotID{"SUD", "WES"}},
		{Name: "left", Email: "left@example.org", Role: fleet.Manager, AllDepots: true, Disabled: true},
		{Name: "heir", Email: "left@example.org", Role: fleet.Mechanic, Depots: []fleet.DepotID{"WES"}},
	}
}

func notForReaders(role fleet.Role, _ string) bool { return role != fleet.Reader }

func TestReadersAreToldWhatTheyMaySee(t *testing.T) {
	type told = map[string][]fleet.DepotID
	whole := []fleet.DepotID(nil)
	for _, tc := range []struct {
		name  string
		to    []string
		depot fleet.DepotID
		want  told
		out   string // a part of why somebody is left out
	}{
		{"a stranger's address, whole fleet", []string{"ext@example.net"}, "", told{"ext@example.net": whole}, ""},
		{"a stranger's address, one depot", []string{"Ext <ext@example.net>"}, "NOR", told{"ext@example.net": {"NOR"}}, ""},
		{"a person of all depots", []string{"person:mara"}, "", told{"mara@example.org": whole}, ""},
		{"a person of two depots, whole fleet", []string{"person:nils"}, "", told{"nils@example.org": {"NOR", "SUD"}}, ""},
		{"a person of two depots, one of them", []string{"person:nils"}, "SUD", told{"nils@example.org": {"SUD"}}, ""},
		{"a person of one depot, another", []string{"person:jo"}, "SUD", told{}, "person:jo (jo@example.org): may not see any of the depots"},
		{"an address that is a person's", []string{"JO@example.org"}, "", told{"jo@example.org": {"NOR"}}, ""},
		{"a role that may not", []string{"rita@example.org"}, "", told{}, "not for the role reader"},
		{"disabled, by name", []string{"person:gone"}, "", told{}, "is disabled"},
		{"disabled, by address", []string{"gone@example.org"}, "NOR", told{}, "is disabled"},
		{"no mail address", []string{"person:mute"}, "", told{}, "mute has no mail address"},
		{"a mail address that is none", []string{"person:odd"}, "", told{}, "odd has no mail address"},
		{"nobody of that name", []string{"person:nobody"}, "", told{}, "no such person"},
		{"no depot at all", []string{"person:lost"}, "", told{}, "may not see any"},
		{"a mailbox of two people", []string{"yard@example.org"}, "", told{"yard@example.org": {"SUD"}}, ""},
		{"a mailbox of two people, by one's name", []string{"person:one"}, "NOR", told{}, "may not see any"},
		{"a mailbox whose first owner is disabled", []string{"person:heir"}, "", told{"left@example.org": {"WES"}}, ""},
		{"a role, by whole fleet", []string{"role:mechanic"}, "", told{"jo@example.org": {"NOR"}, "left@example.org": {"WES"}}, ""},
		{"a role without anybody", []string{"role:accountant"}, "", told{}, "nobody of that role"},
		{
			"named three ways, one letter",
			[]string{"person:mara", "role:manager", "mara@example.org"},
			"NOR",
			told{"mara@example.org": {"NOR"}, "nils@example.org": {"NOR"}},
			"odd has no mail address",
		},
	} {
		t.Run(tc.name, func(t *testing.T) {
			in, out := register{somePeople(), "/winter-list", notForReaders}.readers(tc.to, tc.depot)
			got := told{}
			for _, r := range in {
				require.NotContains(t, got, r.key(), "one letter to a mailbox")
				got[r.key()] = r.depots
			}
			require.Equal(t, tc.want, got)
			if tc.out == "" {
				require.Empty(t, out)
			} else {
				require.Contains(t, noted(out), tc.out)
			}
		})
	}
}

func TestLettersAreAddressedByName(t *testing.T) {
	in, _ := register{somePeople(), "/winter-list", notForReaders}.readers([]string{"person:mara"}, "")
	require.Len(t, in, 1)
	require.Equal(t, "Mara Østby", in[0].to.Name)
}

func TestCheckRecipient(t *testing.T) {
	for _, good := range []string{"ada@example.org", "Ada <ada@example.org>", "person:ada", "role:manager", "role:administrator"} {
		require.NoError(t, CheckRecipient(good), good)
	}
	for bad, says := range map[string]string{
		"": "person:NAME", "ada": "person:NAME", "person:": "person:NAME", "person:a\nb": "person:NAME", "role:boss": "there is manager, mechanic",
		"role:": "there is no such role", "a@b.org, c@d.org": "want one mail address",
	} {
		require.ErrorContains(t, CheckRecipient(bad), says, bad)
	}
}

func TestAnOwnedAddressIsKeptAsItsPerson(t *testing.T) {
	for recipient, want := range map[string]string{
		"jo@example.org": "person:jo", "Jo <JO@example.org>": "person:jo", "ext@example.net": "ext@example.net",
		"yard@example.org": "yard@example.org", "role:manager": "role:manager",
	} {
		require.Equal(t, want, Owned(recipient, somePeople()))
	}
}
