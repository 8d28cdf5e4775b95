package main

import (
	"bytes"
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/pgtest"
)

func TestUserCommands(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	code, out, errs := rimeyard(t, "user", "list")
	require.Zero(t, code, errs)
	require.Contains(t, out, "rimeyard user add", "an empty list says what to do")

	code, out, errs = rimeyard(t, "user", "add", "Mara", "--role", "manager", "--all-depots", "--full-name", "Mara of the yard")
	require.Zero(t, code, errs)
	_, made, found := strings.Cut(out, "shown this once: ")
	require.True(t, found, out)
	require.GreaterOrEqual(t, len(strings.TrimSpace(made)), 15)

	var stdout, stderr bytes.Buffer
	code = run([]string{"user", "password", "mara", "--password-stdin"}, strings.NewReader("seven cold mornings\n"), &stdout, &stderr, time.Now)
	require.Zero(t, code, stderr.String())
	require.NotContains(t, stdout.String(), "seven cold mornings")
	code = run([]string{"user", "password", "mara", "--password-stdin"}, strings.NewReader("short\n"), &stdout, &stderr, time.Now)
	require.Equal(t, exitUsage, code)
	require.Contains(t, stderr.String(), "at least 15")

	code, _, errs = rimeyard(t, "user", "disable", "mara")
	require.Zero(t, code, errs)
	code, out, errs = rimeyard(t, "user", "list", "--format", "json")
	require.Zero(t, code, errs)
	require.NotContains(t, out, "argon2", "no hash leaves the database")
	var people []personJSON
	require.NoError(t, json.Unmarshal([]byte(out), &people))
	require.Equal(t, "mara", people[0].Name)
	require.True(t, people[0].Disabled)
	code, _, errs = rimeyard(t, "user", "enable", "mara")
	require.Zero(t, code, errs)
	code, out, errs = rimeyard(t, "user", "list", "--format", "csv")
	require.Zero(t, code, errs)
	require.Contains(t, out, "mara,Mara of the yard,,manager,all,enabled")

	for _, tc := range []struct {
		args []string
		want string
	}{
		{[]string{"user", "add", "mara", "--role", "reader", "--all-depots"}, "already"},
		{[]string{"user", "add", "jo", "--role", "cook", "--all-depots"}, "manager mechanic accountant reader administrator"},
		{[]string{"user", "add", "jo", "--role", "reader"}, "--all-depots or --depot"},
		{[]string{"user", "add", "jo hn", "--role", "reader", "--all-depots"}, "letters a to z"},
		{[]string{"user", "password", "nobody"}, "rimeyard user list"},
		{[]string{"user", "disable", "nobody"}, "rimeyard user list"},
	} {
		code, _, errs := rimeyard(t, tc.args...)
		require.Equal(t, exitUsage, code, tc.args)
		require.Contains(t, errs, tc.want)
	}
	code, _, errs = rimeyard(t, "user", "add", "jo", "--role", "mechanic", "--depot", "NOWHERE")
	require.Equal(t, exitFailed, code)
	require.Contains(t, errs, "import depots.csv first")
	_, out, _ = rimeyard(t, "user", "list")
	require.NotContains(t, out, "jo", "nothing is half written")
}

func TestTokenCommands(t *testing.T) {
	t.Setenv(envDatabase, pgtest.URL(t))
	code, out, errs := rimeyard(t, "token", "add", "gate-logger")
	require.Zero(t, code, errs)
	_, token, found := strings.Cut(out, "shown this once: ")
	require.True(t, found)
	code, out, errs = rimeyard(t, "token", "list", "--format", "json")
	require.Zero(t, code, errs)
	require.NotContains(t, out, strings.TrimSpace(token))
	var tokens []tokenJSON
	require.NoError(t, json.Unmarshal([]byte(out), &tokens))
	require.Equal(t, "gate-logger", tokens[0].Name)
	require.Nil(t, tokens[0].LastUsedAt)
	require.Nil(t, tokens[0].Depot)
	code, _, errs = rimeyard(t, "token", "revoke", "gate-logger")
	require.Zero(t, code, errs)
	_, out, _ = rimeyard(t, "token", "list")
	require.Contains(t, out, "revoked")
	for _, args := range [][]string{{"token", "revoke", "other"}, {"token", "add", "gate-logger"}, {"token", "add", "x", "--for", "tea"}} {
		code, _, _ = rimeyard(t, args...)
		require.Equal(t, exitUsage, code, args)
	}
}
