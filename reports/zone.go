package reports

import (
	"errors"
	"fmt"

	"rimeyard/internal/fleet"
)

// ErrNoZone says that the time zone in which a schedule is meant has to be named.
var ErrNoZone = errors.New("name the time zone")

// ZoneOf is the time zone in which a schedule is meant: the one asked for, else its depot's, else the one that all depots have.
// ErrNoZone: there is no such one zone.
func ZoneOf(depots []fleet.Depot, depot fleet.DepotID, asked string) (string, error) {
	zones := map[string]bool{}
	known := depot == ""
	for _, d := range depots {
		if depot == "" || d.ID == depot {
			zones[d.Timezone], known = true, true
		}
	}
	switch {
	case !known:
		return "", fmt.Errorf("there is no such depot as %q", depot)
	case asked != "":
		return asked, nil
	case len(zones) == 0:
		return "", fmt.Errorf("there is no depot yet to take it from: %w", ErrNoZone)
	case len(zones) > 1:
		return "", fmt.Errorf("the depots lie in several time zones: %w, or choose one depot", ErrNoZone)
	}
	for z := range zones {
		asked = z
	}
	return asked, nil
}
