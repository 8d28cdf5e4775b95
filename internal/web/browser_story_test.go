package web

import (
	"testing"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
)

// A mechanic follows a link from a letter, signs in on the way, narrows the list and opens what is to be swapped.
func TestAMechanicComesByALinkAndFindsWhatToSwap(t *testing.T) {
	w := newWorld(t)
	w.addFleet()
	w.addPerson("jo", fleet.Mechanic, "NOR")
	b := newTab(w)
	b.size(360, 740)
	b.open("/winter-list?depot=NOR")
	b.sees("Sign in")
	b.fill("Name", "jo")
	b.fill("Password", testPassword)
	b.follow("Sign in")
	require.Equal(t, "/winter-list?depot=NOR", b.value("location.pathname + location.search"))
	b.choose("Band", "swap")
	b.follow("Show")
	b.follow("N-1")
	b.sees("change the suspect part before the frost")
	b.sees("cranks 0.4 V lower than a year ago")
	require.NotContains(t, b.value("document.body.innerText"), "SUD", "not even the name of another depot")
	b.follow("Sign out")
	b.sees("Sign in")
}
