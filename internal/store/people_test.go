package store

import (
	"errors"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"golang.org/x/sync/errgroup"

	"rimeyard/internal/fleet"
	"rimeyard/internal/pgtest"
)

func TestPeopleComeBackAsTheyWent(t *testing.T) {
	db := New(pgtest.New(t))
	_, err := db.pool.Exec(t.Context(), `INSERT INTO depot (depot, name, timezone) VALUES ('B', 'b', 'UTC'), ('A', 'a', 'UTC')`)
	require.NoError(t, err)
	want := fleet.Person{
		Name: "jo", FullName: "Jo", Email: "jo@fleet.example", Role: fleet.Mechanic, Depots: []fleet.DepotID{"A", "B"}, PasswordHash: "$x",
	}
	added, err := db.AddPerson(t.Context(), want)
	require.NoError(t, err)
	require.True(t, added)
	got, found, err := db.Person(t.Context(), "jo")
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, want, got)

	added, err = db.AddPerson(t.Context(), fleet.Person{Name: "jo", Role: fleet.Administrator, AllDepots: true, PasswordHash: "$y"})
	require.NoError(t, err)
	require.False(t, added)
	got, _, err = db.Person(t.Context(), "jo")
	require.NoError(t, err)
	require.Equal(t, want, got, "a name that is taken changes nothing")

	_, err = db.AddPerson(t.Context(), fleet.Person{Name: "mo", Role: fleet.Reader, Depots: []fleet.DepotID{"A", "C"}, PasswordHash: "$z"})
	require.ErrorContains(t, err, "there is no such depot")
	_, found, err = db.Person(t.Context(), "mo")
	require.NoError(t, err)
	require.False(t, found, "nor is half a person kept")
}

func TestPeopleAreChangedWithARecord(t *testing.T) {
	db := New(pgtest.New(t))
	_, err := db.pool.Exec(t.Context(), `INSERT INTO depot (depot, name, timezone) VALUES ('B', 'b', 'UTC'), ('A', 'a', 'UTC')`)
	require.NoError(t, err)
	jo := fleet.Person{Name: "jo", Role: fleet.Mechanic, Depots: []fleet.DepotID{"A", "B"}, PasswordHash: "$x"}
	_, err = db.AddPerson(t.Context(), jo)
	require.NoError(t, err)
	asAda := fleet.Acting(t.Context(), "ada")

	jo.Email, jo.Role, jo.Depots = "jo@fleet.example", fleet.Manager, []fleet.DepotID{"B"}
	for range 2 { // the second time changes nothing, and is not recorded
		found, err := db.EditPerson(asAda, jo)
		require.NoError(t, err)
		require.True(t, found)
	}
	got, _, err := db.Person(t.Context(), "jo")
	require.NoError(t, err)
	require.Equal(t, jo, got)
	bad := jo
	bad.Role, bad.Depots = fleet.Reader, []fleet.DepotID{"A", "C"}
	_, err = db.EditPerson(asAda, bad)
	require.ErrorContains(t, err, "there is no such depot")
	got, _, err = db.Person(t.Context(), "jo")
	require.NoError(t, err)
	require.Equal(t, jo, got, "nothing is half written")

	for _, change := range []func() (bool, error){
		func() (bool, error) { return db.SetContact(asAda, "jo", "Jo", "") },
		func() (bool, error) { return db.SetPassword(asAda, "jo", "$z") },
		func() (bool, error) { return db.EndSessions(asAda, "jo") },
		func() (bool, error) { return db.SetDisabled(asAda, "jo", true) },
		func() (bool, error) { return db.SetDisabled(asAda, "jo", true) },
	} {
		found, err := change()
		require.NoError(t, err)
		require.True(t, found)
	}
	found, err := db.EndSessions(asAda, "nobody")
	require.NoError(t, err)
	require.False(t, found)
	changes, err := db.Changes(t.Context(), 10)
	require.NoError(t, err)
	var said []string
	for _, c := range changes {
		said = append(said, c.By+" "+c.Subject+" "+c.What)
		require.WithinDuration(t, time.Now(), c.At, time.Minute)
	}
	require.Equal(t, []string{
		"ada person jo disabled", "ada person jo signed out everywhere", "ada person jo new password",
		"ada person jo full name: none → Jo; mail: jo@fleet.example → none",
		"ada person jo mail: none → jo@fleet.example; role: mechanic → manager; depots: A B → B",
		"by command person jo added as mechanic of A B",
	}, said)
}

// However many administrators shut each other out at once, one is left.
func TestAnAdministratorIsLeft(t *testing.T) {
	db := New(pgtest.New(t))
	names := []string{"a", "b", "c", "d", "e", "f"}
	for _, name := range names {
		_, err := db.AddPerson(t.Context(), fleet.Person{Name: name, Role: fleet.Administrator, AllDepots: true, PasswordHash: "$x"})
		require.NoError(t, err)
	}
	var refused atomic.Int64
	var g errgroup.Group
	for i, name := range names {
		g.Go(func() error {
			shutOut := func() (bool, error) { return db.SetDisabled(t.Context(), name, true) }
			if i%2 == 0 {
				shutOut = func() (bool, error) {
					return db.EditPerson(t.Context(), fleet.Person{Name: name, Role: fleet.Reader, AllDepots: true})
				}
			}
			_, err := shutOut()
			if errors.Is(err, fleet.ErrLastAdministrator) {
				refused.Add(1)
				return nil
			}
			return err
		})
	}
	require.NoError(t, g.Wait())
	var left int
	require.NoError(t, db.pool.QueryRow(t.Context(), countAdministrators).Scan(&left))
	require.Equal(t, 1, left)
	require.EqualValues(t, 1, refused.Load())
}

// A burst of tries lets no more through than tries one after the other.
func TestABurstOfTriesKeepsToTheLimit(t *testing.T) {
	db := New(pgtest.New(t))
	limit := fleet.TryLimit{Window: time.Hour, PerName: 5, PerAddress: 8}
	var let atomic.Int64
	var g errgroup.Group
	for range 40 {
		g.Go(func() error {
			allowed, err := db.BeginSignIn(t.Context(), "mara", "192.0.2.1", limit)
			if allowed {
				let.Add(1)
			}
			return err
		})
	}
	require.NoError(t, g.Wait())
	require.EqualValues(t, 5, let.Load())

	others := 0
	for _, name := range []string{"a", "b", "c", "d", "e"} {
		allowed, err := db.BeginSignIn(t.Context(), name, "192.0.2.1", limit)
		require.NoError(t, err)
		if allowed {
			others++
		}
	}
	require.Equal(t, 3, others, "eight from one address, whatever the names")
	require.NoError(t, db.SignedIn(t.Context(), "mara", "192.0.2.1"))
	allowed, err := db.BeginSignIn(t.Context(), "mara", "192.0.2.1", limit)
	require.NoError(t, err)
	require.True(t, allowed, "a sign-in that succeeds forgets the tries before")
}

func TestTokensAreNotedWhenUsed(t *testing.T) {
	db := New(pgtest.New(t))
	added, err := db.AddToken(t.Context(), fleet.Token{Name: "gate", Use: fleet.BringReadings}, [32]byte{1})
	require.NoError(t, err)
	require.True(t, added)
	_, found, err := db.UseToken(t.Context(), [32]byte{2})
	require.NoError(t, err)
	require.False(t, found)
	_, found, err = db.UseToken(t.Context(), [32]byte{1})
	require.NoError(t, err)
	require.True(t, found)
	tokens, err := db.Tokens(t.Context())
	require.NoError(t, err)
	require.WithinDuration(t, time.Now(), tokens[0].LastUsedAt, time.Minute)
	found, err = db.RevokeToken(t.Context(), "gate")
	require.NoError(t, err)
	require.True(t, found)
	_, found, err = db.UseToken(t.Context(), [32]byte{1})
	require.NoError(t, err)
	require.False(t, found)
}

// Sessions that ended are swept out when the next one begins.
func TestEndedSessionsAreSweptOut(t *testing.T) {
	db := New(pgtest.New(t))
	s := db.Sessions(time.Hour)
	require.NoError(t, s.CommitCtx(t.Context(), "over", []byte("data"), time.Now().Add(-time.Second)))
	require.NoError(t, s.CommitCtx(t.Context(), "live", []byte("data"), time.Now().Add(time.Hour)))
	var n int
	require.NoError(t, db.pool.QueryRow(t.Context(), `SELECT count(*) FROM session`).Scan(&n))
	require.Equal(t, 1, n)
	data, found, err := s.FindCtx(t.Context(), "live")
	require.NoError(t, err)
	require.True(t, found)
	require.Equal(t, "data", string(data))
	require.NoError(t, s.DeleteCtx(t.Context(), "live"))
	require.NoError(t, s.DeleteCtx(t.Context(), "live"), "ending one twice is no error")
	_, found, err = s.FindCtx(t.Context(), "live")
	require.NoError(t, err)
	require.False(t, found)
}
