package fleet

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"unicode"
)

// nameForm is what people can type at a sign-in on a phone; tokens are named alike.
var nameForm = regexp.MustCompile(`^[a-z0-9][a-z0-9._@+-]{0,63}$`)

// ParseName reads a sign-in name; capitals become small.
func ParseName(s string) (string, error) { return named(s, strings.ToLower(strings.TrimSpace(s))) }

// ParseTokenName reads the name of a token.
func ParseTokenName(s string) (string, error) { return named(s, strings.TrimSpace(s)) }

func named(typed, name string) (string, error) {
	if !nameForm.MatchString(name) {
		return "", fmt.Errorf("name %q: want up to 64 letters a to z, digits, and . _ @ + -", typed)
	}
	return name, nil
}

const maxFullName = 100

// ParseFullName reads a person's name as shown on pages, which may be empty.
func ParseFullName(s string) (string, error) {
	name := strings.TrimSpace(s)
	if n := len([]rune(name)); n > maxFullName {
		return "", fmt.Errorf("the full name has %d characters: want at most %d", n, maxFullName)
	}
	if strings.ContainsFunc(name, unicode.IsControl) {
		return "", fmt.Errorf("full name %q: want one line of text", name)
	}
	return name, nil
}

// ParseRole reads the name of a role.
func ParseRole(s string) (Role, error) {
	roles := Roles()
	if !slices.Contains(roles[:], Role(s)) {
		return "", fmt.Errorf("role %q: want one of %s", s, strings.Trim(fmt.Sprint(roles), "[]"))
	}
	return Role(s), nil
}

// ParseTokenUse reads what a token is good for.
func ParseTokenUse(s string) (TokenUse, error) {
	if u := TokenUse(s); u == BringReadings || u == ReadList || u == FindFaults {
		return u, nil
	}
	return "", fmt.Errorf("%q is no use of a token: want %s, %s or %s", s, BringReadings, ReadList, FindFaults)
}
