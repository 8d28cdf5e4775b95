package store_test

import (
	"encoding/json"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"rimeyard/internal/fleet"
	"rimeyard/internal/store"
)

var pastSeason = fleet.Season{From: fleet.NewDate(2024, 10, 1), To: fleet.NewDate(2025, 3, 31)}

func keptAudit(depot fleet.DepotID, back int, result string) fleet.KeptAudit {
	from := pastSeason.From.AddMonths(-12 * back)
	return fleet.KeptAudit{
		Season: fleet.Season{From: from, To: from.AddMonths(6) - 1}, Depot: depot, AsOf: from, KnownTo: fleet.NewDate(2025, 5, 1),
		Result: json.RawMessage(result),
	}
}

func TestAuditsAreKeptAndReplacedTogether(t *testing.T) {
	db := yardOf(t, "U")
	ctx := t.Context()
	day, err := db.AuditKnownTo(ctx)
	require.NoError(t, err)
	require.False(t, day.IsKnown())
	none, err := db.Audits(ctx, "")
	require.NoError(t, err)
	require.Empty(t, none)

	const odd = `{"b": 0.30000000000000004,  "a": null}`
	require.NoError(t, db.KeepAudits(ctx, []fleet.KeptAudit{keptAudit("", 1, `{}`), keptAudit("", 0, odd), keptAudit("A", 0, `{"a": 1}`)}))
	whole, err := db.Audits(ctx, "")
	require.NoError(t, err)
	require.Len(t, whole, 2)
	require.Equal(t, odd, string(whole[0].Result), "newest season first, to the byte")
	require.WithinDuration(t, time.Now(), whole[0].MadeAt, time.Minute)
	whole[0].MadeAt = time.Time{}
	require.Equal(t, keptAudit("", 0, odd), whole[0])
	own, err := db.Audits(ctx, "A")
	require.NoError(t, err)
	require.Len(t, own, 1)
	require.Equal(t, fleet.DepotID("A"), own[0].Depot)

	require.Error(t, db.KeepAudits(ctx, []fleet.KeptAudit{keptAudit("", 0, `{}`), keptAudit("NIX", 0, `{}`)}))
	again, err := db.Audits(ctx, "")
	require.NoError(t, err)
	require.Len(t, again, 2, "what cannot be kept whole leaves the old in place")
	require.NoError(t, db.KeepAudits(ctx, []fleet.KeptAudit{keptAudit("", 0, `{}`)}))
	own, err = db.Audits(ctx, "A")
	require.NoError(t, err)
	require.Empty(t, own)
	day, err = db.AuditKnownTo(ctx)
	require.NoError(t, err)
	require.Equal(t, fleet.Known(fleet.NewDate(2025, 5, 1)), day)
}

// issuedAt issues a list of one unit and moves the hour of its issue.
func issuedAt(t *testing.T, db *store.DB, asOf fleet.Date, season fleet.Season, at time.Time) int64 {
	t.Helper()
	issue, err := db.AddIssue(t.Context(), fleet.RankedList{AsOf: asOf, Season: season, Units: []fleet.Forecast{{Unit: "U", Depot: "A", Rank: 1, Band: fleet.Watch, Suspect: fleet.BatteryPart}}}, "then", fleet.Beside{})
	require.NoError(t, err)
	_, err = db.Pool().Exec(t.Context(), `UPDATE issue SET issued_at = $1 WHERE issue = $2`, at, issue.ID)
	require.NoError(t, err)
	return issue.ID
}

func TestTheIssueGivenOutIsOneThatPeopleHad(t *testing.T) {
	db := yardOf(t, "U")
	noon := func(d fleet.Date) time.Time { return d.Midnight(time.UTC).Add(12 * time.Hour) }
	from := pastSeason.From
	earliest := from - 30
	_, err := db.IssueGivenOut(t.Context(), pastSeason, earliest, from)
	require.ErrorIs(t, err, store.ErrNoIssue)

	issuedAt(t, db, from-40, pastSeason, noon(from-40)) // too long before
	issuedAt(t, db, from+1, pastSeason, noon(from+1))   // the season had begun
	issuedAt(t, db, from, pastSeason, noon(from+300))   // made afterwards
	before := fleet.Season{From: from.AddMonths(-12), To: from - 183}
	issuedAt(t, db, from-5, before, noon(from-5)) // for another season
	_, err = db.IssueGivenOut(t.Context(), pastSeason, earliest, from)
	require.ErrorIs(t, err, store.ErrNoIssue)

	issuedAt(t, db, from-9, pastSeason, noon(from-9))
	issuedAt(t, db, from-2, pastSeason, noon(from-2))
	newest := issuedAt(t, db, from-2, pastSeason, noon(from-1)) // judged anew that day, or in a zone where it was the day after
	issue, err := db.IssueGivenOut(t.Context(), pastSeason, earliest, from)
	require.NoError(t, err)
	require.Equal(t, newest, issue.ID)
	require.Equal(t, from-2, issue.AsOf)
	require.Equal(t, "then", issue.Method)
}
